"""Indicators in a plan: several inputs by name, settings beside `derive`, distances to classes and shapes."""

from __future__ import annotations

import json

import jsonschema
import pytest
import yaml

from underoak.plan.schema import plan_schema

from plan_texts import faults, loaded, place, spoiled

SLOPE = "slope: {from: elevation, derive: slope}"


def with_layer(text: str) -> str:
    return spoiled((SLOPE, f"{SLOPE}\n  {text}"))


def test_settings_stand_beside_the_indicator_and_are_kept_as_written(tmp_path):
    plan = loaded(with_layer("tpi: {from: elevation, derive: topographic_position, radius: 0.3 km}"), tmp_path)
    layer = plan.layers["tpi"]
    assert layer.settings == {"radius": "0.3 km"}
    assert plan.canonical()["layers"]["tpi"]["radius"] == "0.3 km"
    assert loaded(json.dumps(plan.canonical()), tmp_path).canonical() == plan.canonical()
    other = loaded(with_layer("tpi: {from: elevation, derive: topographic_position, radius: 300 m}"), tmp_path)
    assert other.hash != plan.hash


def test_several_inputs_are_named_and_come_in_the_indicators_order(tmp_path):
    text = with_layer(
        "tx: {file: tx.nc, unit: K}\n  tn: {file: tn.nc, unit: K, source: there}\n"
        "  et0: {from: {tmax: tx, tmin: tn}, derive: hargreaves_year}"
    )
    plan = loaded(text, tmp_path)
    assert plan.layers["et0"].origins == {"tmin": "tn", "tmax": "tx"}
    assert plan.origins("et0") == ("tn", "tx")
    assert plan.files_of("et0") == "tn.nc, tx.nc"
    assert plan.sources_of("et0") == "there"
    assert plan.canonical()["layers"]["et0"]["from"] == {"tmax": "tx", "tmin": "tn"}


def test_a_method_is_the_indicators_beside_derive_and_the_soils_elsewhere(tmp_path):
    plan = loaded(with_layer("rough: {from: elevation, derive: ruggedness, method: mean}"), tmp_path)
    assert plan.layers["rough"].settings == {"method": "mean"}
    (fault,) = faults(spoiled(("method: water", "method: watr")), tmp_path)
    assert (fault.code, fault.fix) == ("E304", 'did you mean "water"?')


def test_a_layer_of_distances_holds_no_codes(tmp_path):
    plan = loaded(with_layer("far: {from: rock, derive: distance, codes: [3], within: 500 m}"), tmp_path)
    assert not plan.layers["far"].holds_codes
    assert plan.layers["far"].resampling == "bilinear"
    plan = loaded(with_layer("road: {file: roads.gpkg, features: main, derive: distance, within: 500 m}"), tmp_path)
    assert plan.layers["road"].is_shapes
    assert plan.layers["road"].resampling == "nearest"


BAD = [
    ("tpi: {from: elevation, derive: topographic_position}", "E353", "{from: elevation, der", '"radius"', "300 m"),
    ("tpi: {from: elevation, derive: topographic_position, radus: 300 m}", "E303", "radus", '"radus"', '"radius"'),
    ("tpi: {from: elevation, derive: topographic_position, radius: 300}", "E342", "300}", "number and a unit", ""),
    ("tpi: {from: elevation, derive: topographic_position, radius: 3 K}", "E341", "3 K", "different things", ""),
    ("tpi: {from: elevation, derive: topographic_position, radius: 300 m, inner: 300 m}", "E353", "300 m}", "less", ""),
    ("flat: {from: elevation, derive: northness, radius: 300 m}", "E303", "radius", '"radius"', "known here"),
    ("flat: {file: x.tif, unit: m, radius: 300 m}", "E303", "radius", '"radius"', "known here"),
    ("sun: {from: elevation, derive: heat_load, equation: 3}", "E353", "3}", 'cannot be "3"', "2, 1"),
    ("far: {from: rock, derive: distance, codes: [3]}", "E353", "{from: rock, derive: dist", '"within"', "300 m"),
    ("far: {from: rock, derive: distance, within: 5 km}", "E353", "{from: rock, derive: dist", '"codes"', "[1, 2]"),
    ("far: {from: rock, derive: distance, codes: [oak], within: 5 km}", "E353", "[oak]", "class codes", "[10, 20]"),
    ("far: {from: elevation, derive: distance, codes: [3], within: 5 km}", "E352", "elevation, derive: dist",
     "class codes", "kind: classes"),
    ("steep: {from: rock, derive: slope}", "E352", "rock, derive: slope", "values", "layer of values"),
    ("road: {file: roads.gpkg}", "E304", "roads.gpkg}", "distance", "derive: distance"),
    ("road: {file: roads.gpkg, derive: slope}", "E304", "roads.gpkg, der", "distance", "derive: distance"),
    ("road: {file: roads.gpkg, derive: distance, within: 5 km, codes: [1]}", "E353", "[1]}", '"codes"', ""),
    ("road: {file: roads.gpkg, derive: distance, within: 5 km, unit: m}", "E304", "m}", "`unit` is for rasters", ""),
    ("road: {file: roads.tif, kind: classes, derive: distance, codes: [1], within: 5 km, features: a}",
     "E304", "a}", "`features`", "remove it"),
    ("et0: {from: elevation, derive: hargreaves_year}", "E352", "elevation, derive: harg", "tmin, tmax", "tmin: ..."),
    ("et0: {file: x.nc, unit: K, derive: hargreaves_year}", "E352", "x.nc", "several layers", "tmin: ..."),
    ("et0: {from: {tmin: elevation}, derive: hargreaves_year}", "E352", "{tmin: elev", "also needs tmax", "tmax: ..."),
    ("et0: {from: {tmin: elevation, tmax: elevation, rain: rain}, derive: hargreaves_year}",
     "E352", "rain}, der", 'has no input "rain"', ""),
    ("et0: {from: {tmin: elevation, tmax: nowhere}, derive: hargreaves_year}", "E331", "nowhere", '"nowhere"', ""),
    ("et0: {from: {tmin: slope, tmax: elevation}, derive: hargreaves_year}", "E335", "slope, tmax", "derived", ""),
    ("et0: {from: {}, derive: hargreaves_year}", "E304", "{}", "at least 1", ""),
]  # fmt: skip


@pytest.mark.parametrize(("layer", "code", "mark", "what", "fix"), BAD, ids=[bad[0][:60] for bad in BAD])
def test_a_faulty_derivation_is_reported_at_its_place_with_a_fix(layer, code, mark, what, fix, tmp_path):
    mark = "[1]}" if mark == "[1]}" else mark
    text = with_layer(layer)
    found = faults(text, tmp_path)
    assert [fault.code for fault in found] == [code], found
    assert what in found[0].what
    assert fix in found[0].fix
    line, column = place(text, layer).split(":")
    at = layer.rindex(mark)
    assert f":{line}:{int(column) + at}" in found[0].where


def test_an_origin_that_is_a_file_of_shapes_is_refused(tmp_path):
    text = with_layer(
        "road: {file: roads.gpkg, derive: distance, within: 5 km}\n"
        "  far: {from: road, derive: distance, codes: [1], within: 1 m}"
    )
    (fault,) = faults(text, tmp_path)
    assert fault.code == "E335"


def test_the_schema_knows_settings_and_refuses_others():
    def errors(layer):
        plan = yaml.safe_load(spoiled())
        plan["layers"]["new"] = layer
        plan["trust"]["max_cells"] = 10**9
        return list(jsonschema.Draft202012Validator(plan_schema()).iter_errors(plan))

    assert errors({"from": "elevation", "derive": "topographic_position", "radius": "300 m"}) == []
    assert errors({"from": {"tmax": "a", "tmin": "b"}, "derive": "hargreaves_year"}) == []
    assert errors({"file": "roads.gpkg", "features": "x", "derive": "distance", "within": "1 km"}) == []
    assert errors({"from": "elevation", "derive": "topographic_position", "radus": "300 m"}) != []


def test_a_scenario_cannot_replace_what_is_derived_from_several_layers(tmp_path):
    text = with_layer(
        "tx: {file: tx.nc, unit: K}\n  et0: {from: {tmin: tx, tmax: tx}, derive: hargreaves_year}"
    ) + "scenarios: [{name: m1, replace: {et0: later.nc}}]\n"  # fmt: skip
    found = faults(text, tmp_path)
    assert [fault.code for fault in found] == ["E330"]
    assert '"tx"' in found[0].what


ROADS = "roads: {file: roads.gpkg, derive: distance, within: 100 m}"


def asked(constraint: str) -> str:
    return spoiled(
        (SLOPE, f"{SLOPE}\n  {ROADS}"),
        ("constraints:\n", f"constraints:\n  - {{name: road, layer: roads, exclude: {json.dumps(constraint)}}}\n"),
    )


@pytest.mark.parametrize("constraint", ["< 30 m", "< 0.1 km", ">= 100 m", "> 99"])
def test_distances_within_reach_may_be_asked_about(tmp_path, constraint):
    assert {"roads"} <= loaded(asked(constraint), tmp_path).layers.keys()


@pytest.mark.parametrize("constraint", ["< 101 m", "<= 100 m", "> 0.2 km"])
def test_distances_beyond_reach_are_refused_instead_of_answered_wrongly(tmp_path, constraint):
    (fault,) = faults(asked(constraint), tmp_path)
    assert fault.code == "E357"
    assert "measures distances up to 100 m only" in fault.what
    assert fault.fix == "write a larger `within` under layers.roads"
