from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from underoak.base.errors import Problems
from underoak.layers.decoding.rules import FileFacts, resolve_rules
from underoak.layers.layer_request import LayerRequest


def settle(found: FileFacts, by_month: bool = False, **layer):
    problems = Problems()
    decision = resolve_rules(
        found, LayerRequest.from_spec("clay", SimpleNamespace(file="clay.tif", **layer)), problems, by_month
    )
    return decision, problems


def codes(problems):
    return [f.code for f in (*problems.faults, *problems.warnings)]


@pytest.mark.parametrize("layer", [{"unit": "pH*10"}, {"unit": "pH", "scale": 0.1}])
def test_a_number_in_the_unit_and_a_scale_mean_the_same(layer):
    decision, problems = settle(FileFacts("int16"), **layer)
    assert not codes(problems)
    assert decision.encoding.affine(74) == pytest.approx(7.4, rel=1e-15)
    assert (decision.unit, decision.encoding.low, decision.encoding.high) == ("pH", 2.0, 11.0)


def test_the_files_own_scale_is_applied_once():
    decision, problems = settle(FileFacts("uint16", 0.1, -273.15), unit="degC")
    assert not codes(problems)
    assert decision.encoding.affine(2850) == pytest.approx(11.85)
    assert "file: x 0.1 + -273.15" in decision.text


@pytest.mark.parametrize(
    ("found", "layer"),
    [
        (FileFacts("int16", 0.1), {"unit": "pH", "scale": 0.1}),
        (FileFacts("int16", 0.1), {"unit": "pH*10"}),
        (FileFacts("uint16", 1.0, -273.15), {"unit": "degC", "scale": 0.1}),
        (FileFacts("int16"), {"unit": "pH*10", "scale": 0.1}),
        (FileFacts("int16", 0.0), {"unit": "pH"}),
        (FileFacts("int16", math.nan), {"unit": "pH"}),
        (FileFacts("int16"), {"unit": "pH", "scale": 0.0}),
    ],
)
def test_scaling_twice_or_to_nothing_is_refused(found, layer):
    decision, problems = settle(found, **layer)
    assert decision is None
    assert codes(problems) == ["E214"]
    assert problems.faults[0].where == "clay (clay.tif)"
    assert problems.faults[0].fix


def test_no_unit_anywhere_is_never_guessed():
    decision, problems = settle(FileFacts("int16"))
    assert decision is None
    assert codes(problems) == ["E209"]
    assert "layers.clay" in problems.faults[0].fix


@pytest.mark.parametrize("text", ["see the readme", "1/", "??", "unknown"])
def test_an_unreadable_file_unit_counts_as_none(text):
    _, problems = settle(FileFacts("int16", unit=text))
    assert codes(problems) == ["E209"]


def test_the_files_unit_holds_when_the_plan_says_none():
    decision, problems = settle(FileFacts("float32", unit="K"), to="degC")
    assert not codes(problems)
    assert decision.encoding.affine(285.0) == pytest.approx(11.85)
    assert decision.text.startswith("unit K (file)")


def test_the_plans_unit_wins_over_the_files_and_that_is_told():
    decision, problems = settle(FileFacts("float32", unit="degC"), unit="K", to="degC")
    assert codes(problems) == ["W215"]
    assert decision.encoding.affine(285.0) == pytest.approx(11.85)


@pytest.mark.parametrize(("file", "plan"), [("%", "percent"), ("kg m-2", "mm"), ("celsius", "degC"), ("1", "fraction")])
def test_two_spellings_of_one_unit_do_not_contradict(file, plan):
    assert not codes(settle(FileFacts("float32", unit=file), unit=plan)[1])


def test_a_number_in_one_units_text_does_contradict():
    assert codes(settle(FileFacts("int16", unit="pH"), unit="pH*10")[1]) == ["W215"]


@pytest.mark.parametrize(
    ("layer", "stored", "unit", "value"),
    [
        ({"unit": "g/kg"}, 250, "g/kg", 250.0),
        ({"unit": "g/kg", "to": "percent"}, 250, "percent", 25.0),
        ({"unit": "g/kg", "quantity": "share"}, 250, "percent", 25.0),
        ({"unit": "fraction", "to": "percent"}, 0.25, "percent", 25.0),
        ({"unit": "ft", "quantity": "elevation"}, 1000, "m", 304.8),
        ({"unit": "ft"}, 1000, "ft", 1000.0),
        ({"unit": "cm3/dm3"}, 150, "cm3/dm3", 150.0),
        ({"unit": "cg/kg*10"}, 150, "cg/kg", 15.0),
        ({"unit": "celsius"}, 15, "degC", 15.0),
        ({"unit": "kg m-2"}, 15, "mm", 15.0),
        ({"unit": "1"}, 0.5, "1", 0.5),
    ],
)
def test_the_canonical_unit_is_to_then_the_quantitys_then_the_declared_one(layer, stored, unit, value):
    decision, problems = settle(FileFacts("float32"), **layer)
    assert not codes(problems)
    assert decision.unit == unit
    assert decision.encoding.affine(stored) == pytest.approx(value)


def test_bounds_follow_the_unit():
    decision, _ = settle(FileFacts("int16"), unit="m", to="ft")
    assert decision.encoding.high == pytest.approx(9000 / 0.3048)
    decision, _ = settle(FileFacts("float32"), unit="degC", to="K")
    assert (decision.encoding.low, decision.encoding.high) == pytest.approx((203.15, 333.15))


def test_valid_replaces_the_quantitys_bounds():
    decision, _ = settle(FileFacts("int16"), unit="pH*10", valid=(4, 9))
    assert (decision.encoding.low, decision.encoding.high) == (4.0, 9.0)


@pytest.mark.parametrize("unit", ["degC", "K", "delta_degC", "degC*10"])
@pytest.mark.parametrize("to", [None, "degC"])
def test_a_range_of_temperature_is_never_shifted(unit, to):
    decision, problems = settle(FileFacts("uint16"), unit=unit, quantity="temperature_range", to=to)
    assert not codes(problems)
    assert decision.encoding.affine.offset == 0.0
    assert decision.encoding.affine.scale == pytest.approx(0.1 if unit == "degC*10" else 1.0)
    assert decision.unit == "delta_degC"


def test_units_that_measure_different_things_are_refused():
    assert codes(settle(FileFacts("int16"), unit="pH", to="mm")[1]) == ["E341"]
    assert codes(settle(FileFacts("int16"), unit="mm", quantity="ph")[1]) == ["E341"]
    assert codes(settle(FileFacts("int16"), unit="mm", quantity="rainn")[1]) == ["E343"]


def test_a_rate_without_a_time_axis_says_why_it_cannot_be_a_depth():
    _, problems = settle(FileFacts("float32"), unit="kg m-2 s-1", to="mm")
    assert codes(problems) == ["E341"]
    assert "time axis" in problems.faults[0].fix


@pytest.mark.parametrize(
    ("unit", "per", "scale"),
    [
        ("kg m-2 s-1", "s", 1.0),
        ("mm/s", "s", 1.0),
        ("mm/day", "s", 1 / 86400),
        ("mm/month", "month", 1.0),
        ("mm/m", "month", 1.0),
        ("cm/month", "month", 10.0),
        ("kg m-2 month-1", "month", 1.0),
        ("mm/year", "year", 1.0),
        ("mm", "", 1.0),
    ],
)
def test_rates_of_water_are_read_for_their_own_span(unit, per, scale):
    decision, problems = settle(FileFacts("float32"), by_month=True, unit=unit)
    assert not codes(problems)
    assert (decision.per, decision.unit) == (per, "mm")
    assert decision.encoding.affine.scale == pytest.approx(scale, rel=1e-12)


def test_a_speed_along_time_stays_a_speed():
    decision, _ = settle(FileFacts("float32"), by_month=True, unit="m s-1")
    assert (decision.per, decision.unit) == ("", "m s-1")


def test_temperatures_along_time_are_untouched():
    decision, _ = settle(FileFacts("float32"), by_month=True, unit="K", to="degC")
    assert decision.per == ""
    assert decision.encoding.affine(273.15) == pytest.approx(0.0)


def test_classes_have_codes_and_nothing_else():
    decision, problems = settle(FileFacts("uint8", 0.1, nodata=(0.0,)), kind="classes")
    assert not codes(problems)
    assert decision.encoding.affine(40) == 40
    assert decision.encoding.nodata == (0.0,)
    assert codes(settle(FileFacts("uint8"), kind="classes", unit="pH")[1]) == ["E226"]
    assert codes(settle(FileFacts("uint8"), kind="classes", scale=0.1)[1]) == ["E226"]


def test_codes_that_float32_would_round_are_dropped_and_counted():
    decision, _ = settle(FileFacts("int32"), kind="classes")
    decoded = decision.encoding.decode(np.int32([16777215, 16777217]))
    assert decoded.implausible == 1
    assert decoded.values[0] == 16777215


def test_a_tag_no_cell_can_hold_is_told_and_ignored():
    decision, problems = settle(FileFacts("uint8", nodata=(-9999.0,)), unit="percent")
    assert codes(problems) == ["W213"]
    assert decision.encoding.nodata == ()


def test_the_plans_nodata_replaces_a_tag_that_can_be_a_value():
    decision, _ = settle(FileFacts("int16", nodata=(0.0,)), unit="mm", nodata=-1)
    assert decision.encoding.nodata == (-1.0,)
    assert "0 is a value" in decision.text


@pytest.mark.parametrize("tag", [-32768.0, -9999.0])
def test_a_tag_that_cannot_be_a_value_stays_beside_the_plans(tag):
    decision, _ = settle(FileFacts("int16", nodata=(tag,)), unit="g/kg", nodata=0)
    assert set(decision.encoding.nodata) == {tag, 0.0}


def test_several_faults_of_one_layer_are_told_together():
    _, problems = settle(FileFacts("uint8", 0.1, nodata=(-1.0,)), scale=3.0)
    assert codes(problems) == ["E209", "E214", "W213"]


def test_what_an_indicator_wants_of_its_file_decides_its_unit():
    decision, _ = settle(FileFacts("float32"), unit="ft", derive="slope", to="degree", valid=(0, 90))
    assert (decision.unit, decision.encoding.high) == ("m", 9000.0)
    decision, _ = settle(FileFacts("float32"), by_month=True, unit="K", derive="warmest_month_mean", to="degF")
    assert decision.unit == "degC"


def test_bounds_of_a_sum_are_not_those_of_its_months():
    decision, _ = settle(FileFacts("float32"), by_month=True, unit="mm", reduce="sum", valid=(100, 3000))
    assert decision.encoding.low == 0.0
