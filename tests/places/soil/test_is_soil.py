"""Which layers describe the soil: what is declared decides, in its order; a guess only where nothing is."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import underoak as uo
from underoak.indicators import REGISTRY
from underoak.indicators.soil.entries import ENTRIES as SOIL
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.soil.soil_units import is_soil, soil_criteria
from underoak.places.verdicts.verdicts import layers_to_test
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.profiles.profile import load_profile, profile_names

FILE = {"file": "a.tif"}
TOP = {"from": {"cm_0_5": "a", "cm_5_15": "b", "cm_15_30": "c"}, "derive": "mean_0_30cm"}
SLOPE = {"from": "dem", "derive": "slope"}


@pytest.mark.parametrize(
    ("layer", "unit", "soil"),
    [
        (FILE, "pH", True),
        ({"file": "a.tif", "kind": "classes"}, "", True),
        (FILE, "m", False),
        (FILE, "degC", False),
        ({"file": "a.tif", "season": "summer", "reduce": "sum"}, "pH", False),
        (TOP, "pH", True),
        (TOP, "percent", True),
        ({"file": "a.tif", "unit": "g/kg", "derive": "organic_matter"}, "percent", True),
        (SLOPE, "degree", False),
        ({"from": "months", "derive": "annual_sum"}, "mm", False),
        ({"file": "roads.gpkg", "derive": "distance", "within": "1 km"}, "m", False),
    ],
)
def test_without_key_and_profile_the_indicator_says_so_and_units_are_a_guess_for_files_only(layer, unit, soil):
    assert is_soil(LayerSpec.model_validate(layer), unit) is soil


@pytest.mark.parametrize("layer", [FILE, TOP, SLOPE])
def test_the_layers_key_wins_over_the_profile_and_the_profile_over_the_rest(layer):
    for key, by_profile in product((None, True, False), repeat=2):
        spec = LayerSpec.model_validate(layer | ({} if key is None else {"is_soil": key}))
        for unit in ("pH", "m"):
            declared = [each for each in (key, by_profile) if each is not None]
            expected = declared[0] if declared else is_soil(LayerSpec.model_validate(layer), unit)
            assert is_soil(spec, unit, by_profile) is expected


def test_every_soil_indicator_and_no_other_is_declared_as_soil():
    assert {name for name, indicator in REGISTRY.items() if indicator.is_soil} == {each.id for each in SOIL}


def test_profiles_declare_what_a_spade_or_a_laboratory_can_test():
    by_layer: dict[str, set[bool]] = {}
    for name in profile_names():
        for criterion in load_profile(name).criteria.values():
            by_layer.setdefault(criterion.layer, set()).add(criterion.is_soil)
    assert all(len(values) == 1 for values in by_layer.values())  # one answer for a layer in all profiles
    soil = {layer for layer, values in by_layer.items() if values == {True}}
    assert {"soil_ph", "carbonate", "active_carbonate", "clay", "sand", "organic_matter", "soil_depth"} <= soil
    assert not soil & {"slope", "elevation", "rain_annual", "rain_summer", "temp_annual", "topographic_position"}


def plan_of(layers, **more):
    layers = {name: {"file": f"{name}.tif", "unit": "pH"} for name in "abc"} | layers
    return uo.load_plan(
        {
            "format": 1, "title": "Hill", "purpose": "buy", "species": ["tuber_melanosporum"],
            "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
            "layers": layers, "uncertainty": {"draws": 8}, "parcels": {"file": "p.gpkg", "id": "id"},
        } | more,
        base=".",
    )  # fmt: skip


def drawn(plan):
    """Draws in which every layer is uncertain."""
    n = len(plan.criteria)
    return ParcelDraws(
        ("a",), np.zeros((1, 4)), tuple(range(n)), np.zeros((1, n, 4)), np.zeros((1, n)), tuple(range(n)),
        np.zeros((1, n, 4)),
    )  # fmt: skip


def test_a_mean_over_depth_is_tested_as_the_file_it_stands_for_is():
    rain = {"file": "r.tif", "unit": "mm", "sd": "15 %"}
    derived = plan_of({"soil_ph": TOP | {"sd": 0.35}, "rain_annual": rain})
    plain = plan_of({"soil_ph": {"file": "ph.tif", "unit": "pH", "sd": 0.35}, "rain_annual": rain})
    units = {"soil_ph": "pH", "rain_annual": "mm"}
    assert soil_criteria(derived, units) == soil_criteria(plain, units)
    assert list(layers_to_test(derived, units, drawn(derived))) == ["soil_ph"]
    off = plan_of({"soil_ph": TOP | {"sd": 0.35, "is_soil": False}, "rain_annual": rain})
    assert layers_to_test(off, units, drawn(off)) == {}


def test_another_name_for_the_layer_does_not_change_what_the_profile_declares():
    plan = plan_of(
        {"thickness": {"file": "t.tif", "unit": "m", "sd": 0.1}}, criteria={"soil_depth": {"layer": "thickness"}}
    )
    assert soil_criteria(plan, {"thickness": "cm"}) == [0]
