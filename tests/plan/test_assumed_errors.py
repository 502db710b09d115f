"""Errors that a plan does not state: what is assumed, what is not known, and what switches it off."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.plan import load_plan
from underoak.plan.keys.uncertainty import deviation_at
from underoak.plan.profiles.published_errors import published_errors

from plan_texts import GOOD, faults, loaded, place, spoiled

REGION = {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"}
PH = {"file": "ph.tif", "unit": "pH*10"}
HUMP = {"shape": "hump", "at": [1, 2, 3, 4]}


def small(layers=None, **parts):
    return load_plan({
        "format": 1, "title": "t", "purpose": "buy", "region": REGION, "species": ["tuber_melanosporum"],
        "layers": layers or {"soil_ph": PH, "clay": {"file": "clay.tif", "unit": "g/kg"}},
        "parcels": {"file": "p.gpkg", "id": "id"}, **parts,
    })  # fmt: skip


def only(criterion, layer, **parts):
    """A plan without a species, with one criterion."""
    criteria = {"one": {"layer": "one", "curve": HUMP, "source": "a test", **criterion}}
    return small({"one": layer}, species=[], criteria=criteria, **parts)


def test_judged_layers_that_state_no_error_get_that_of_their_kind():
    plan = small()
    kinds = published_errors()
    assert {name: each.kind for name, each in plan.assumed_errors.items()} == {"soil_ph": "soil_ph", "clay": "clay"}
    assert plan.layers["soil_ph"].sd == kinds["soil_ph"].sd
    assert plan.layers["soil_ph"].grain == kinds["soil_ph"].grain == "250 m"
    assert (dict(plan.unknown_errors), plan.is_doubt_switched_off) == ({}, False)


def test_what_the_plan_states_comes_first():
    stated = {"soil_ph": {**PH, "sd": 0.21}, "clay": {"file": "clay.tif", "unit": "g/kg", "grain": "40 m"}}
    plan = small(stated)
    assert (plan.layers["soil_ph"].sd, plan.layers["soil_ph"].grain) == (0.21, None)
    assert set(plan.assumed_errors) == {"clay"}
    assert (plan.layers["clay"].grain, plan.assumed_errors["clay"].has_grain) == ("40 m", False)
    quantiles = {"soil_ph": {**PH, "quantiles": {0.1: "low.tif", 0.9: "high.tif"}}}
    assert dict(small(quantiles).assumed_errors) == {}


def test_a_layer_that_is_not_judged_gets_none():
    more = {"soil_ph": PH, "sand_map": {"file": "sand.tif", "unit": "g/kg"}}
    assert set(small(more).assumed_errors) == {"soil_ph"}
    assert small(more).layers["sand_map"].sd is None


def test_a_layer_is_of_the_kind_of_the_criterion_that_judges_it_whatever_its_name():
    layers = {"regen": {"file": "pr.tif", "unit": "mm"}}
    plan = small(layers, criteria={"water": {"layer": "regen"}})
    assert plan.assumed_errors["regen"].kind == "rain"


def test_a_derived_layer_is_of_the_kind_of_its_indicator():
    layers = {"dem": {"file": "dem.tif", "unit": "m"}, "one": {"from": "dem", "derive": "slope"}}
    criteria = {"one": {"layer": "one", "curve": HUMP, "source": "a test"}}
    plan = small(layers, species=[], criteria=criteria)
    assert plan.assumed_errors["one"].kind == "slope"
    assert [deviation_at(plan.layers["one"].sd, size) for size in (28.0, 5.2)] == ["3 degree", "1.5 degree"]


def test_ground_that_is_measured_in_ph_is_soil_ph_and_other_layers_of_own_criteria_have_no_kind():
    assert only({}, PH).assumed_errors["one"].kind == "soil_ph"
    plan = only({}, {"file": "x.tif", "unit": "percent"})
    assert dict(plan.assumed_errors) == {}
    assert "add `sd`, or `kind_of`" in plan.unknown_errors["one"]
    assert plan.is_doubt_switched_off  # nothing at all is in doubt, so nothing may be certain
    named = only({}, {"file": "x.tif", "unit": "percent", "kind_of": "clay"})
    assert named.assumed_errors["one"].kind == "clay"
    assert not named.is_doubt_switched_off


def test_the_plan_decides_the_kind():
    layers = {"soil_ph": PH, "clay": {"file": "clay.tif", "unit": "g/kg", "kind_of": "sand"}}
    assert small(layers).layers["clay"].sd == published_errors()["sand"].sd


def test_class_codes_and_kinds_without_a_figure_are_not_known():
    codes = only({"curve": {"shape": "table", "of": {1: 1.0}}}, {"file": "x.tif", "kind": "classes"})
    assert dict(codes.unknown_errors) == {"one": "class codes have no standard deviation"}
    depth = small({"soil_ph": PH, "soil_depth": {"file": "d.tif", "unit": "cm"}})
    assert set(depth.unknown_errors) == {"soil_depth"}
    assert published_errors()["soil_depth"].no_error in depth.unknown_errors["soil_depth"]
    assert not depth.is_doubt_switched_off


def test_a_layer_without_weight_is_not_among_the_unknown():
    depth = {"soil_ph": PH, "soil_depth": {"file": "d.tif", "unit": "cm"}}
    assert dict(small(depth, criteria={"soil_depth": {"weight": 0}}).unknown_errors) == {}


def test_assume_none_switches_assumed_errors_off_and_says_of_which_layers():
    off = {"uncertainty": {"assume": "none"}}
    plan = small(**off)
    assert dict(plan.assumed_errors) == {}
    assert [layer.sd for layer in plan.layers.values()] == [None, None]
    assert set(plan.unknown_errors) == {"soil_ph", "clay"}
    assert plan.is_doubt_switched_off
    one_stated = {"soil_ph": {**PH, "sd": 0.4}, "clay": {"file": "clay.tif", "unit": "g/kg"}}
    assert small(one_stated, **off).is_doubt_switched_off
    both = {"soil_ph": {**PH, "sd": 0.4}, "clay": {"file": "clay.tif", "unit": "g/kg", "sd": "80 g/kg"}}
    assert not small(both, **off).is_doubt_switched_off  # nothing was left out


def test_other_purposes_draw_and_assume_only_with_uncertainty():
    silent = small(purpose="region")
    assert (silent.uncertainty, dict(silent.assumed_errors), dict(silent.unknown_errors)) == (None, {}, {})
    assert not silent.is_doubt_switched_off
    assert set(small(purpose="region", uncertainty={"draws": 16}).assumed_errors) == {"soil_ph", "clay"}


def test_a_rule_may_ask_about_a_layer_whose_error_is_assumed():
    rule = {"name": "sour", "layer": "soil_ph", "at_most": 6.9}
    assert "soil_ph" in small(uncertainty={"ask": [rule]}).assumed_errors


def test_scenarios_and_species_assume_the_same():
    plan = small(species=["tuber_melanosporum", "tuber_aestivum"],
                 scenarios=[{"name": "hot", "replace": {"soil_ph": "later.tif"}}])  # fmt: skip
    assert len(plan.cases) == 4
    assert [case.layers["soil_ph"].sd for case in plan.cases] == [published_errors()["soil_ph"].sd] * 4


def test_the_canonical_form_holds_the_numbers_and_loads_as_the_same_plan(monkeypatch):
    plan = small()
    assert plan.canonical()["layers"]["clay"]["sd"] == published_errors()["clay"].sd
    again = load_plan(plan.canonical())
    assert (again.hash, again.layers, again.criteria) == (plan.hash, plan.layers, plan.criteria)
    changed = {**published_errors()}
    changed["clay"] = changed["clay"].model_copy(update={"sd": "141 g/kg"})
    for module in ("profiles.published_errors", "checks.assumed_errors"):
        monkeypatch.setattr(f"underoak.plan.{module}.published_errors", lambda: changed)
    assert small().hash != plan.hash


@given(st.sampled_from(["soil_ph", "clay"]), st.sampled_from(["buy", "orchard"]))
def test_writing_a_published_error_out_changes_no_number(name, purpose):
    layers = {"soil_ph": PH, "clay": {"file": "clay.tif", "unit": "g/kg"}}
    error = published_errors()[name]
    stated = {**layers, name: {**layers[name], "sd": error.sd, "grain": error.grain}}
    assumed, written = small(layers, purpose=purpose), small(stated, purpose=purpose)
    assert (written.layers, written.hash) == (assumed.layers, assumed.hash)
    assert set(written.assumed_errors) == {"soil_ph", "clay"} - {name}


def test_a_kind_that_is_not_known_or_does_not_fit_is_refused_at_its_place(tmp_path):
    slip = spoiled(("unit: g/kg, resample: mean}", "unit: g/kg, resample: mean, kind_of: claay}"))
    (fault,) = faults(slip, tmp_path)
    assert (fault.code, fault.fix) == ("E304", 'did you mean "clay"?')
    assert f":{place(slip, 'claay')} (" in fault.where
    wrong = spoiled(("unit: g/kg, resample: mean}", "unit: g/kg, resample: mean, kind_of: elevation}"))
    (fault,) = faults(wrong, tmp_path)
    assert (fault.code, "a map of height above sea level is not" in fault.what) == ("E341", True)
    assert f":{place(wrong, 'elevation}')} (" in fault.where


def test_a_kind_without_a_published_error_has_a_unit_too(tmp_path):
    wrong = spoiled(("unit: g/kg, resample: mean}", "unit: g/kg, resample: mean, kind_of: stand_age}"))
    (fault,) = faults(wrong, tmp_path)
    assert (fault.code, fault.what) == ("E341", "the layer is in percent, and a map of age of the trees is not")
    with pytest.raises(UnderoakError, match="E341"):
        only({}, {"file": "x.tif", "unit": "degree", "kind_of": "soil_depth"})
    depth = only({}, {"file": "x.tif", "unit": "mm", "kind_of": "soil_depth"})
    assert published_errors()["soil_depth"].no_error in depth.unknown_errors["one"]


def test_the_schema_knows_the_keys():
    from jsonschema import Draft202012Validator

    from underoak.plan import plan_schema
    from underoak.plan.reading.yaml import parse

    text = GOOD.replace("unit: g/kg, resample: mean}", "unit: g/kg, kind_of: clay, sd: {30 m: 80 g/kg, 90 m: 90 g/kg}}")
    text = text.replace("combine:", "uncertainty: {assume: none}\ncombine:")
    validator = Draft202012Validator(plan_schema())
    assert [error.message for error in validator.iter_errors(parse(text, "p").value)] == []
    for slip in (
        ("assume: none", "assume: some"),
        ("30 m: 80 g/kg", "30 m: -80 g/kg"),
        ("kind_of: clay", "kind_of: 5"),
    ):
        assert list(validator.iter_errors(parse(text.replace(*slip), "p").value)), slip


@pytest.mark.parametrize(
    ("written", "code"),
    [("{}", "E304"), ("{30: 1 g/kg}", "E342"), ("{0 m: 1 g/kg}", "E304"), ("{30 m: 1 mm}", "E341")],
)
def test_errors_by_cell_size_are_checked(written, code, tmp_path):
    text = spoiled(("unit: g/kg, resample: mean}", f"unit: g/kg, resample: mean, sd: {written}}}"))
    assert [fault.code for fault in faults(text, tmp_path)] == [code]


def test_errors_by_cell_size_load(tmp_path):
    text = spoiled(("unit: g/kg, resample: mean}", "unit: g/kg, resample: mean, sd: {25 m: 3 g/kg, 250 m: 80 g/kg}}"))
    plan = loaded(text, tmp_path)
    assert deviation_at(plan.layers["clay"].sd, 200.0) == "80 g/kg"
    assert load_plan(plan.canonical(), base=tmp_path).hash == plan.hash
