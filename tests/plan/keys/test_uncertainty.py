"""Doubt in a plan: what is read, and what is refused at its line."""

from __future__ import annotations

import pytest

from underoak.base.errors import UnderoakError
from underoak.plan import load_plan
from underoak.plan.keys.uncertainty import deviation_in

from plan_texts import GOOD, faults, loaded, place, spoiled

PH = "resample: nearest, grain: 250 m}"
QUANTILES = PH, "resample: nearest, grain: 250 m, quantiles: {0.05: data/q05.vrt, 0.95: {file: data/q.tif, band: 3}}}"
SD = "unit: g/kg, resample: mean}", "unit: g/kg, resample: mean, sd: 80 g/kg}"
ASKED = """\
uncertainty:
  draws: 64
  seed: 1
  correlation_range: 800 m
  ask: [{name: ph75, layer: soil_ph, at_least: 7.5}, {name: dry, layer: rain, at_most: 5 cm}]
  lab_error: {soil_ph: 0.15, clay: 15 g/kg}
"""
DOUBTFUL = [QUANTILES, SD, ("reduce: sum, to: mm}", "reduce: sum, to: mm, sd: 15 %}"), ("combine:", ASKED + "combine:")]


REGION = spoiled(("purpose: buy", "purpose: region"))  # draws only if it says so


def test_doubt_of_layers_and_what_is_asked_of_it_is_read(tmp_path):
    plan = loaded(spoiled(*DOUBTFUL), tmp_path)
    ph = plan.layers["soil_ph"]
    assert {level: each.file for level, each in ph.quantiles.items()} == {0.05: "data/q05.vrt", 0.95: "data/q.tif"}
    assert (ph.quantiles[0.95].band, ph.file_level) == (3, 0.5)
    assert plan.layers["clay"].sd == "80 g/kg"
    asked = plan.uncertainty
    assert (asked.draws, asked.seed, asked.range_m) == (64, 1, 800.0)
    assert [(a.name, a.is_at_least, a.limit_in("mm")) for a in asked.ask[1:]] == [("dry", False, 50.0)]
    assert asked.lab_error == {"soil_ph": 0.15, "clay": "15 g/kg"}


def test_doubt_fits_the_schema_as_written():
    from jsonschema import Draft202012Validator

    from underoak.plan import plan_schema
    from underoak.plan.reading.yaml import parse

    text = spoiled(*DOUBTFUL, ("parcels:", "scenarios: [{name: hot, replace: {clay: data/later.tif}}]\nparcels:"))
    validator = Draft202012Validator(plan_schema())
    assert [error.message for error in validator.iter_errors(parse(text, "p").value)] == []
    assert list(validator.iter_errors(parse(text.replace("80 g/kg", "-80 g/kg"), "p").value))


def test_a_plan_without_doubt_has_none_unless_it_is_to_buy_or_plant(tmp_path):
    region = loaded(REGION, tmp_path)
    assert region.uncertainty is None
    assert not any(layer.has_uncertainty for layer in region.layers.values())
    assert loaded(GOOD, tmp_path).uncertainty.draws == 64
    assert loaded(spoiled(("purpose: buy", "purpose: orchard")), tmp_path).uncertainty.draws == 64


def test_the_canonical_form_loads_as_the_same_plan(tmp_path):
    plan = loaded(spoiled(*DOUBTFUL), tmp_path)
    again = load_plan(plan.canonical(), base=tmp_path)
    assert again.hash == plan.hash
    assert again.layers["soil_ph"].quantiles == plan.layers["soil_ph"].quantiles


@pytest.mark.parametrize(
    ("written", "unit", "expected"),
    [
        ("80 g/kg", "%", (8.0, False)),
        ("0.5 K", "degC", (0.5, False)),
        ("0.9 degF", "degC", (0.5, False)),
        ("0.5 delta_degC", "degC", (0.5, False)),
        ("0.5 K", "delta_degC", (0.5, False)),
        ("2 cm", "mm", (20.0, False)),
        ("15 %", "mm", (0.15, True)),
        ("15 percent of the value", "%", (0.15, True)),
        (0.4, "pH", (0.4, False)),
        ("0.4 pH", "pH", (0.4, False)),
    ],
)
def test_deviations_are_differences(written, unit, expected):
    found, is_share = deviation_in(written, unit)
    assert (pytest.approx(found, rel=1e-9), is_share) == expected


def test_a_share_of_a_share_is_not_guessed():
    with pytest.raises(UnderoakError) as error:
        deviation_in("15 %", "g/kg")
    assert error.value.faults[0].code == "E344"
    assert '"15 % of value"' in error.value.faults[0].fix


def test_a_share_of_a_temperature_is_none():
    for unit in ("degC", "degF"):
        with pytest.raises(UnderoakError) as error:
            deviation_in("5 % of value", unit)
        assert error.value.faults[0].code == "E344"
        assert "write a difference" in error.value.faults[0].fix
    assert deviation_in("5 %", "K") == deviation_in("5 %", "delta_degC") == (0.05, True)


# leaves the criterion of class codes, which have no error
OFF = "  ph: off\n  clay: off\n  slope: off\n  water: off"
RULE = "{name: ph75, layer: soil_ph, at_least: 7.5}"
CASES = [
    ("both", [QUANTILES, ("0.95: {file: data/q.tif, band: 3}}", "0.95: b.tif}, sd: 0.4")],
     "E362", "0.4", "both `quantiles` and `sd`", "keep the one"),
    ("of classes", [("kind: classes}", "kind: classes, sd: 1}")], "E362", "1}", "class codes have no", "remove it"),
    ("quantiles of months", [("reduce: sum, to: mm}", "reduce: sum, to: mm, quantiles: {0.05: a.nc}}")],
     "E362", "{0.05: a.nc", "derived from", "give `sd`"),
    ("own level twice", [QUANTILES, ("0.05: data/q05.vrt", "0.5: data/q05.vrt")],
     "E362", "{0.5: data", "two files for the level 0.5", "`quantile`"),
    ("level outside", [QUANTILES, ("0.05: data/q05.vrt", "5: data/q05.vrt")],
     "E304", "data/q05.vrt, 0.95", "between 0 and 1", ""),
    ("level alone", [(PH, "resample: nearest, grain: 250 m, quantile: 0.4}")],
     "E304", "0.4}", "needs `quantiles`", "add `quantiles`"),
    ("negative", [SD, ("80 g/kg", "-80 g/kg")], "E304", "-80", "cannot be negative", "0 or more"),
    ("of something else", [SD, ("80 g/kg", "80 mm")], "E341", "80 mm", "measure different things", ""),
    ("share of a share", [SD, ("80 g/kg", "15 %")], "E344", "15 %", "may be a share of the value", '"15 % of value"'),
    ("nothing doubtful", [("purpose: buy", "purpose: region"), ("  water: {layer: rain, source: profile}", OFF),
      ("combine:", "uncertainty: {draws: 64}\ncombine:")],
     "E362", "{draws: 64", "nothing to draw", "`kind_of`"),
    ("sure layer asked", [*DOUBTFUL[1:], (RULE, RULE.replace("soil_ph", "elevation"))],
     "E362", "elevation, at_least", "states no uncertainty, and none is assumed", "give it"),
    ("no such layer", [*DOUBTFUL, (RULE, RULE.replace("soil_ph", "soil_hp"))],
     "E331", "soil_hp", 'no layer "soil_hp"', 'did you mean "soil_ph"?'),
    ("two sides", [*DOUBTFUL, ("at_least: 7.5", "at_least: 7.5, at_most: 8")],
     "E304", RULE[:9], "both `at_least` and", "two rules"),
    ("no side", [*DOUBTFUL, (", at_least: 7.5", "")], "E304", "{name: ph75", "neither", "give one"),
    ("limit of something else", [*DOUBTFUL, ("5 cm", "5 pH")], "E341", "5 pH", "measure different things", ""),
    ("one name twice", [*DOUBTFUL, ("name: dry", "name: PH75")], "E304", "draws: 64", '"PH75"', "rename one"),
    ("too few draws", [*DOUBTFUL, ("draws: 64", "draws: 2")], "E304", "2\n", "at least 8", ""),
    ("negative seed", [*DOUBTFUL, ("seed: 1", "seed: -1")], "E304", "-1\n", "at least 0", ""),
    ("range", [*DOUBTFUL, ("800 m", "800 kg")], "E341", "800 kg", "measure different things", ""),
    ("laboratory", [*DOUBTFUL, ("clay: 15 g/kg", "cly: 15 g/kg")], "E331", "15 g/kg", '"cly"', '"clay"'),
    ("quantiles without draws",
     [("purpose: buy", "purpose: region"), ("dtype: uint16", "dtype: uint16, quantiles: [0.05]")],
     "E362", "[0.05]", "the plan has no `uncertainty`", "add `uncertainty`"),
    ("unknown key", [*DOUBTFUL, ("  seed: 1", "  sed: 1")], "E303", "sed", '"sed" is not known', '"seed"'),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "code", "at", "what", "fix"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_is_refused_at_its_place(edits, code, at, what, fix, tmp_path):
    text = GOOD
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (fault,) = faults(text, tmp_path)
    assert (fault.code, what in fault.what, fix in fault.fix) == (code, True, True), fault
    assert f":{place(text, at)} (" in fault.where, (fault, place(text, at))


def test_doubt_that_gets_lost_on_the_way_is_told(tmp_path):
    text = spoiled(
        *DOUBTFUL, ("nodata: -32768}", "nodata: -32768, sd: 5 m}"), ("draws: 64", "draws: 64\n  assume: none")
    )
    plan = loaded(text, tmp_path)
    (warning,) = [w for w in plan.warnings if w.code == "W218"]
    assert "slope" in warning.where
    told = loaded(text.replace("derive: slope}", "derive: slope, sd: 3 degree}"), tmp_path)
    assert not [w for w in told.warnings if w.code == "W218"]
    assumed = loaded(text.replace("assume: none", "assume: published"), tmp_path)  # the slope gets that of its kind
    assert not [w for w in assumed.warnings if w.code == "W218"]


def test_quantiles_of_the_present_are_not_those_of_a_future(tmp_path):
    more = "scenarios: [{name: hot, replace: {soil_ph: data/later.tif}}]\n"
    (fault,) = faults(spoiled(*DOUBTFUL, ("parcels:", more + "parcels:")), tmp_path)
    assert (fault.code, "describe the present only" in fault.what) == ("E330", True)


@pytest.mark.parametrize(
    ("broken", "says"),
    [
        ("quantiles: {0.05: 5}", "should be a mapping of keys, not 5"),
        ("quantiles: {1.5: data/q.tif}", "must lie between 0 and 1, and 1.5 does not"),
        ("quantiles: {.nan: data/q.tif}", ".nan is not a finite number"),
        ("quantile: .nan, quantiles: {0.05: data/q.tif}", ".nan is not a finite number"),
        ("quantiles: wide", "should be a mapping of keys"),
        ("sd: -1 pH", "cannot be negative"),
    ],
)
def test_doubt_that_is_broken_is_one_fault(tmp_path, broken, says):
    uncertain = PH, f"resample: nearest, grain: 250 m, {broken}}}"
    asked = ASKED.replace(", {name: dry, layer: rain, at_most: 5 cm}", "")
    (fault,) = faults(spoiled(uncertain, ("combine:", asked + "combine:")), tmp_path)
    assert says in fault.what
    assert "soil_ph" in fault.where


def test_doubt_that_no_layer_has_is_told_beside_a_layer_that_is_broken_elsewhere(tmp_path):
    text = spoiled(
        ("combine:", "uncertainty: {draws: 64, assume: none}\ncombine:"),
        ("unit: g/kg, resample: mean}", "unit: g/kgg}"),
        ("purpose: buy", "purpose: region"),
    )
    assert {fault.code for fault in faults(text, tmp_path)} >= {"E362"}


def test_a_level_from_python_that_is_no_number_is_refused(tmp_path):
    plan = loaded(spoiled(*DOUBTFUL), tmp_path).canonical()
    plan["layers"]["soil_ph"]["quantiles"] = {float("nan"): "data/q.tif"}
    with pytest.raises(UnderoakError) as caught:
        load_plan(plan, base=tmp_path)
    (fault,) = caught.value.faults
    assert "must lie between 0 and 1, and nan does not" in fault.what
    assert fault.fix == "write 0.05 for the 5 % quantile"
