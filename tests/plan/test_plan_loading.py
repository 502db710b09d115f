from __future__ import annotations

import json
import math
import pickle
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.overlay import Curve
from underoak.plan import Plan, load_plan, load_profile
from underoak.plan.reading.yaml import parse

from plan_texts import GOOD, loaded, spoiled

DESIGN = """\
format: 1
title: Limestone hills, black truffle
purpose: buy
species: [tuber_melanosporum]
hosts: [quercus_ilex, corylus_avellana]
region: {area: data/region.gpkg, features: outline, crs: EPSG:25831, cell: 30 m, snap: [0, 0]}
trust: {roots: [data], max_cells: 2e9, vrt: simple}
layers:
  soil_ph:   {file: data/ph_q50.vrt, unit: pH*10, method: water, valid: [2, 11], resample: nearest, grain: 250 m}
  clay:      {file: data/clay.tif, unit: g/kg, resample: mean}
  rock:      {file: data/geology.tif, kind: classes}
  elevation: {file: data/dem.tif, unit: m, nodata: -32768}
  slope:     {from: elevation, derive: slope}
  rain:      {file: data/pr.nc, variable: pr, unit: kg m-2 s-1, season: summer, reduce: sum, to: mm}
  warmest:   {file: data/tas.zarr, variable: tas, unit: K, derive: warmest_month_mean, to: degC}
criteria:
  ph:
    layer: soil_ph
    curve: {shape: hump, at: [7.0, 7.5, 8.5, 8.9]}
    remedy: {by: lime, limit: 8.3, depth: 30 cm}
    source: profile
  rock:  {layer: rock, curve: {shape: table, of: {1: 1.0, 2: 0.6, 3: 0.0}}, remedy: none, source: survey legend}
  slope: {layer: slope, curve: {shape: ramp_down, at: [12, 25]}, remedy: none, source: profile}
  water:
    layer: rain
    curve: {shape: hump, at: [50, 150, 300, 700]}
    remedy: {by: irrigation, limit: 150 mm}
    source: profile
constraints:
  - {name: built, file: data/built.gpkg, exclude: inside, grow: 20 m}
  - {name: steep, layer: slope, exclude: "> 30 degree"}
weights:
  pairwise: [[ph, water, 2], [ph, rock, 2], [ph, slope, 4]]
  max_inconsistency: 0.10
combine: {rule: geometric, missing: stop}
classes: {S1: 0.75, S2: 0.50, S3: 0.25, cap: weakest}
parcels: {file: data/fields.gpkg, id: field_id}
zones: {at_least: S2, min_area: 2 ha, connect: 8}
outputs: {folder: out, dtype: uint16}
"""

REGION = {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"}


def small(**parts: object) -> Plan:
    """A plan with two criteria of its own."""
    ramp = {"shape": "ramp_up", "at": [0, 1]}
    return load_plan({
        "format": 1, "title": "t", "purpose": "region", "region": REGION,
        "layers": {"a": {"file": "a.tif", "unit": "m"}, "b": {"file": "b.tif", "unit": "m"}},
        "criteria": {n: {"layer": n, "curve": ramp, "source": "ours"} for n in ("a", "b")},
        **parts,
    })  # fmt: skip


def with_profile(*layers: str, **parts: object) -> Plan:
    units = {
        "soil_ph": "pH",
        "slope": "degree",
        "northness": "1",
        "elevation": "m",
        "rain_summer": "mm",
        "clay": "g/kg",
    }
    return load_plan({
        "format": 1, "title": "t", "purpose": "region", "region": REGION, "species": ["tuber_melanosporum"],
        "layers": {name: {"file": f"{name}.tif", "unit": units[name]} for name in layers}, **parts,
    })  # fmt: skip


def test_the_example_plan_loads_and_its_pairs_are_weighed(tmp_path) -> None:
    plan = loaded(DESIGN, tmp_path)
    assert [c.name for c in plan.criteria] == ["ph", "rock", "slope", "water"]
    # three ratios against ph fix the weights: 1, 1/2, 1/4, 1/2 over 9/4
    assert plan.weights == pytest.approx((4 / 9, 2 / 9, 1 / 9, 2 / 9), abs=1e-12)
    assert plan.pairwise is not None
    assert plan.weighting["solved_by"] == "log least squares"
    assert plan.weighting["method"] == "pairwise"
    assert "pairwise" in plan.weighting_words
    assert plan.warnings == ()


def test_a_plan_gives_all_that_the_house_asks_of_it(tmp_path) -> None:
    plan = loaded(DESIGN, tmp_path)
    ph, rock, _, water = plan.criteria
    assert (plan.title, plan.purpose, plan.species) == ("Limestone hills, black truffle", "buy", "tuber_melanosporum")
    assert [host.latin for host in plan.hosts] == ["Quercus ilex", "Corylus avellana"]
    assert ph.curve == Curve.hump(7.0, 7.5, 8.5, 8.9)
    assert (ph.label, ph.unit, ph.layer, ph.remedy_limit) == ("soil pH in water", "pH", "soil_ph", 8.3)
    assert ph.remedy is not None
    assert ph.remedy.depth_cm == 30.0
    assert ph.source == load_profile("tuber_melanosporum").criteria["ph"].source
    assert (rock.label, rock.remedy, rock.source, rock.in_words) == (
        "rock", None, "survey legend", "1 for class 1, 0.6 for class 2, 0 for class 3, others missing")  # fmt: skip
    assert water.remedy_limit == 150.0
    assert plan.region.cell_m == 30.0
    assert plan.constraints[0].grow_m == 20.0
    assert plan.constraints[1].comparison.holds(31.0)
    assert plan.zones is not None
    assert plan.zones.min_area_m2 == 20000.0
    assert plan.trust.max_cells == 2_000_000_000
    assert type(plan.trust.max_cells) is int
    assert plan.rules.rule == "geometric"
    assert plan.rules.cuts == (0.75, 0.5, 0.25)
    assert plan.layers["soil_ph"].grain_m == 250.0
    assert plan.layers["soil_ph"].resampling == "nearest"
    assert (plan.layers["rock"].resampling, plan.layers["elevation"].resampling) == ("nearest", "bilinear")
    assert plan.base == tmp_path
    assert plan.file("data/dem.tif") == tmp_path / "data" / "dem.tif"
    assert plan.outputs.folder == "out"


def test_what_the_profile_has_and_the_plan_does_not_judge_is_listed_with_its_reason(tmp_path) -> None:
    reasons = dict(loaded(DESIGN, tmp_path).not_judged)
    assert reasons["carbonate"] == 'the plan has no layer "carbonate"'
    assert reasons["clay"] == "the plan's weights do not name it"
    assert set(reasons) | {"ph", "slope", "water"} == set(load_profile("tuber_melanosporum").criteria)


def test_the_canonical_form_loads_to_the_same_plan(tmp_path) -> None:
    for text in (GOOD, DESIGN):
        plan = loaded(text, tmp_path)
        once = plan.canonical()
        assert json.loads(json.dumps(once)) == once
        again = load_plan(once, base=tmp_path)
        assert again.canonical() == once
        assert again.hash == plan.hash
        assert (again.criteria, again.rules, again.layers) == (plan.criteria, plan.rules, plan.layers)
        written = loaded(yaml.safe_dump(once, sort_keys=False), tmp_path)
        assert written.hash == plan.hash


def test_the_hash_depends_on_meaning_and_not_on_spelling(tmp_path) -> None:
    plain = loaded(GOOD, tmp_path).hash
    assert loaded(GOOD + "\n# a remark\n", tmp_path).hash == plain
    assert loaded(spoiled(("connect: 8", "connect:   8")), tmp_path).hash == plain
    assert loaded(spoiled((", vrt: simple", "")), tmp_path).hash == plain  # a default
    assert loaded(spoiled(("cell: 30 m", "cell: 30m")), tmp_path).hash == plain
    assert loaded(spoiled(("data/dem.tif", "data//dem.tif")), tmp_path).hash != plain  # paths as written
    assert loaded(spoiled(("weight: 0.1", "weight: 0.2")), tmp_path).hash != plain
    swapped = GOOD.replace("  rock: {layer", "  xx: {layer").replace("  water: {layer: rain, source: profile}\n", "")
    swapped = swapped.replace("criteria:\n", "criteria:\n  water: {layer: rain, source: profile}\n").replace(
        "  xx:", "  rock:"
    )
    assert loaded(swapped, tmp_path).hash != plain  # the order of criteria is the order of the codes


def test_the_canonical_form_and_so_the_hash_has_the_numbers_of_the_profile() -> None:
    plan = with_profile("soil_ph", "slope")
    canonical = plan.canonical()
    ph, profile_ph = canonical["criteria"]["ph"], load_profile("tuber_melanosporum").criteria["ph"]
    assert (ph["weight"], ph["source"]) == (profile_ph.weight, profile_ph.source)
    assert ph["curve"] == profile_ph.curve.model_dump(mode="json")
    ph["weight"] = 0.17
    assert load_plan(canonical).hash != plan.hash


def test_a_plan_can_be_sent_to_a_worker(tmp_path) -> None:
    plan = loaded(DESIGN, tmp_path)
    twin = pickle.loads(pickle.dumps(plan))
    assert twin.hash == plan.hash
    assert twin.criteria == plan.criteria


def test_a_parcel_field_called_no_stays_text(tmp_path) -> None:
    plan = loaded(spoiled(("id: field_id", "id: no")), tmp_path)
    assert plan.parcels is not None
    assert plan.parcels.id == "no"


def test_the_profile_is_in_use_where_its_layers_are() -> None:
    plan = with_profile("soil_ph", "slope", "northness")
    profile = load_profile("tuber_melanosporum").criteria
    assert [c.name for c in plan.criteria] == ["ph", "slope", "northness"]
    total = sum(profile[name].weight for name in ("ph", "slope", "northness"))
    assert plan.weights == pytest.approx([profile[c.name].weight / total for c in plan.criteria])
    assert plan.weighting["method"] == "profile"
    assert plan.warnings == ()


def test_the_plan_overrides_key_by_key() -> None:
    own = {"shape": "ramp_up", "at": [5, 6]}
    plan = with_profile(
        "soil_ph", "slope", "rain_summer",
        criteria={"slope": {"weight": 0.5}, "ph": {"curve": own, "source": "our survey"}, "water": {"remedy": "none"}},
    )  # fmt: skip
    slope, ph, water = plan.criteria  # the plan's order
    profile = load_profile("tuber_melanosporum").criteria
    assert (slope.name, slope.source, slope.spec) == ("slope", profile["slope"].source, profile["slope"].curve)
    assert (ph.source, ph.curve, ph.label, ph.remedy) == (
        "our survey",
        Curve.ramp_up(5, 6),
        profile["ph"].label,
        profile["ph"].remedy,
    )
    assert (water.remedy, water.curve) == (None, profile["water"].curve.curve())
    ours = (0.5, profile["ph"].weight, profile["water"].weight)
    assert plan.weights == pytest.approx([w / sum(ours) for w in ours])


@pytest.mark.parametrize("off", [None, "off"])
def test_a_criterion_of_the_profile_can_be_switched_off(off: str | None) -> None:
    plan = with_profile("soil_ph", "slope", criteria={"slope": off})
    assert [c.name for c in plan.criteria] == ["ph"]
    assert dict(plan.not_judged)["slope"] == "switched off in the plan"
    assert load_plan(plan.canonical()).hash == plan.hash


def test_elevation_weighs_nothing_unless_the_plan_says_so() -> None:
    plan = with_profile("soil_ph", "elevation")
    assert [c.name for c in plan.criteria] == ["ph"]
    assert "stands in for warmth" in dict(plan.not_judged)["elevation"]
    given = with_profile(
        "soil_ph",
        "elevation",
        criteria={"elevation": {"weight": load_profile("tuber_melanosporum").criteria["ph"].weight}},
    )
    assert {c.name: c.weight for c in given.criteria} == {"elevation": 0.5, "ph": 0.5}


def test_the_profiles_unit_is_the_one_its_layer_is_used_in() -> None:
    plan = with_profile("clay", "soil_ph")
    assert plan.layers["clay"].to == "percent"
    assert plan.spec.layers["clay"].to is None  # as written
    assert plan.criteria[1].unit == "percent"


def test_without_profile_and_weights_all_criteria_weigh_the_same() -> None:
    plan = small()
    assert plan.weights == (0.5, 0.5)
    assert plan.weighting["method"] == "equal"
    assert plan.profile is None
    assert plan.hosts == ()


def test_ranked_weights_are_rank_order_centroids() -> None:
    assert small(weights={"ranked": ["b", "a"]}).weights == pytest.approx((0.25, 0.75))


def test_ordered_combination_comes_through() -> None:
    plan = small(combine={"rule": "ordered", "order_weights": [3, 1]})
    assert plan.rules.order_weights == (0.75, 0.25)
    assert [w.code for w in plan.warnings] == ["W311"]
    assert small(combine={"rule": "ordered", "alpha": 2}).rules.alpha == 2.0


@given(st.dictionaries(st.sampled_from("ab"), st.floats(0, 1e300), min_size=2).filter(lambda d: any(d.values())))
def test_any_direct_weights_come_to_a_sum_of_one(weights: dict[str, float]) -> None:
    found = small(weights={"direct": weights}).weights
    assert math.fsum(found) == pytest.approx(1.0, abs=1e-12)
    assert found[0] * weights["b"] == pytest.approx(found[1] * weights["a"], rel=1e-9)


def test_a_mapping_is_told_by_its_keys_and_starts_at_base() -> None:
    with pytest.raises(UnderoakError) as caught:
        small(purpose="by")
    assert [f.where for f in caught.value.faults] == ["plan (purpose)"]
    assert load_plan(small().canonical(), base="here").file("x") == Path("here/x")


def test_a_file_that_is_not_there_is_told(tmp_path) -> None:
    with pytest.raises(UnderoakError, match="E305") as caught:
        load_plan(tmp_path / "none.yaml")
    assert caught.value.exit_code == 3


def test_no_data_file_is_opened(tmp_path) -> None:
    plan = loaded(GOOD, tmp_path)
    assert not any(plan.file(layer.file).exists() for layer in plan.layers.values() if layer.file)


PIECES = ["", " ", "\n", "  ", ":", "- ", "[", "]", "{", "}", ",", "#", "'", '"', "\t", "&a ", "*a", "!!x ", "~",
          "null", ".nan", "1e999", "-1", "true", "off", "\\", "%", "?", "|", ">", "x" * 300, "é", "\u2028", "<<: ", "0",
          "K", "1"]  # fmt: skip


def mutated(text: str, rng: random.Random) -> str:
    for _ in range(rng.randint(1, 3)):
        at, length = rng.randrange(len(text)), rng.choice([0, 0, 1, 1, 3, 12])
        piece = rng.choice([*PIECES, text[(p := rng.randrange(len(text))) : p + rng.randint(1, 25)]])
        text = text[:at] + piece + text[at + length :]
    return text


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**32))
def test_a_spoiled_plan_loads_or_is_refused_in_our_words(tmp_path, seed: int) -> None:
    text = mutated(DESIGN, random.Random(seed))
    try:
        plan, told = loaded(text, tmp_path), ""
    except UnderoakError as error:
        plan, told = None, str(error)
    assert "pydantic" not in told
    assert (plan is None) == bool(told)
    assert plan is None or load_plan(plan.canonical(), base=tmp_path).hash == plan.hash


VALUES = [None, True, 0, -1, 2.5, 1e300, "", "x", "profile", "off", "30 m", "3 K", "> 3", "slope", "1", [], [1], [2, 1],
          [[1, 2]], {}, {"a": 1}, {"shape": "bell", "at": 1, "width": 2}, ["ph"], 10**400, "EPSG:4326", "\n", [None],
          {1: 0.5}, float("nan"), math.inf]  # fmt: skip


def ways(value: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in pairs:
        yield (*way, key)
        yield from ways(item, (*way, key))


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(VALUES))
def test_any_value_in_the_place_of_another_loads_or_is_refused_in_our_words(seed: int, value: Any) -> None:
    plan: Any = parse(DESIGN, "p").value
    way = random.Random(seed).choice(list(ways(plan)))
    holder = plan
    for step in way[:-1]:
        holder = holder[step]
    holder[way[-1]] = value
    told = ""
    try:
        assert load_plan(load_plan(plan).canonical()).criteria
    except UnderoakError as error:
        told = str(error)
        assert error.faults[0].code.startswith("E")  # noqa: PT017
    assert "pydantic" not in told


def test_a_plan_spoiled_on_purpose_is_refused_soon(tmp_path) -> None:
    began = time.process_time()
    with pytest.raises(UnderoakError) as caught:
        loaded(GOOD + "".join(f"z{n}: 1\n" for n in range(19_800)), tmp_path)
    assert len(caught.value.faults) == 51
    assert time.process_time() - began < 15


def test_importing_the_room_stays_light() -> None:
    code = "import sys, underoak.plan; print(*{'numpy', 'numba', 'pint', 'pyproj', 'rasterio'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
