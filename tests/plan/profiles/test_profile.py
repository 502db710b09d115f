from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import yaml

from underoak.base import units
from underoak.base.errors import UnderoakError
from underoak.indicators import REGISTRY
from underoak.overlay import membership
from underoak.plan import load_profile, profile_names, shipped
from underoak.plan.profiles.hosts import load_trees
from underoak.plan.profiles.profile import read_profile

NAMES = profile_names()
ACID = ("tuber_gibbosum", "tuber_oregonense")
# a name with a year, a kind of page, or that nobody says so
KNOWN_GROUND = re.compile(
    r"from memory|unsourced|common practice, no source|in print|[12]\d{3}|upper end of the best range|placed"
)


# what a unit alone does not say
QUANTITY = {
    "water_balance": "water_balance",
    "rival_distance": "distance",
    "soil_depth": "depth",
    "wetness_depth": "depth",
}


def raw(name: str) -> dict[str, Any]:
    """The file by the plain YAML loader: a second reading beside our own."""
    return yaml.safe_load(shipped("configs", "species", f"{name}.yaml").read_text(encoding="utf-8"))


def sourced_parts(node: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Ways to all keys that say who says so."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key in {"source", "weight_reason", "confidence"}:
                yield (*way, key)
            yield from sourced_parts(value, (*way, key))
    elif isinstance(node, list):
        for n, value in enumerate(node):
            yield from sourced_parts(value, (*way, n))


def test_eight_profiles_come_with_the_package() -> None:
    kinds = "aestivum borchii brumale gibbosum lyonii magnatum melanosporum oregonense"
    assert tuple(f"tuber_{kind}" for kind in kinds.split()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_weights_add_up_to_one_and_each_has_a_reason(name: str) -> None:
    criteria = load_profile(name).criteria.values()
    assert math.fsum(c.weight for c in criteria) == pytest.approx(1.0, abs=1e-12)
    assert all(len(c.weight_reason) > 20 for c in criteria)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_number_without_its_source_is_refused(tmp_path, name: str) -> None:
    whole = raw(name)
    ways = list(sourced_parts(whole))
    assert len(ways) > 40
    path = tmp_path / f"{name}.yaml"
    for way in ways:
        text = copy.deepcopy(whole)
        holder = text
        for step in way[:-1]:
            holder = holder[step]
        del holder[way[-1]]
        path.write_text(yaml.safe_dump(text, sort_keys=False, allow_unicode=True), encoding="utf-8")
        with pytest.raises(UnderoakError, match=f'the key "{way[-1]}" is missing'):
            read_profile(path)


@pytest.mark.parametrize("name", NAMES)
def test_every_source_says_who_or_that_nobody_does(name: str) -> None:
    whole = raw(name)
    for way in sourced_parts(whole):
        value: Any = whole
        for step in way:
            value = value[step]
        if way[-1] == "source":
            assert KNOWN_GROUND.search(value), (way, value)


@pytest.mark.parametrize("name", NAMES)
def test_a_remedy_says_where_its_numbers_come_from_and_lime_stops_at_its_ceiling(name: str) -> None:
    remedied = {key: c for key, c in load_profile(name).criteria.items() if c.remedy is not None}
    wanted = set() if name in ACID else {("ph", "lime"), ("water", "irrigation")}
    assert {(key, c.remedy.by) for key, c in remedied.items() if c.remedy} == wanted
    for criterion in remedied.values():
        assert criterion.remedy is not None
        assert criterion.remedy_source
        limit = criterion.remedy.limit_in(criterion.unit)
        assert limit is not None
        assert limit <= (8.3 if criterion.remedy.by == "lime" else math.inf)
        assert membership(limit, criterion.curve.curve()) == 1.0


@pytest.mark.parametrize("name", ACID)
def test_the_alkaline_rule_does_not_leak_to_truffles_of_acid_ground(name: str) -> None:
    ph = load_profile(name).criteria["ph"]
    scores = membership(np.linspace(7.5, 11, 36), ph.curve.curve())
    assert scores.max() == 0.0
    assert membership(5.8, ph.curve.curve()) == 1.0
    assert ph.remedy is None
    text = shipped("configs", "species", f"{name}.yaml").read_text(encoding="utf-8")
    assert "by: lime" not in text


@pytest.mark.parametrize("name", sorted(set(NAMES) - set(ACID)))
def test_truffles_of_alkaline_and_neutral_ground_score_full_at_seven_and_a_half(name: str) -> None:
    assert membership(7.5, load_profile(name).criteria["ph"].curve.curve()) == 1.0


def test_a_remedy_without_its_source_is_refused(tmp_path) -> None:
    text = raw("tuber_aestivum")
    del text["criteria"]["ph"]["remedy_source"]
    path = tmp_path / "tuber_aestivum.yaml"
    path.write_text(yaml.safe_dump(text, sort_keys=False), encoding="utf-8")
    with pytest.raises(UnderoakError, match="remedy_source"):
        read_profile(path)


@pytest.mark.parametrize("name", NAMES)
def test_curves_without_a_source_are_marked_so(name: str) -> None:
    for criterion in load_profile(name).criteria.values():
        if criterion.source.startswith("unsourced"):
            assert criterion.source == "unsourced estimate, grade C"
            assert criterion.confidence == "C"


@pytest.mark.parametrize("name", NAMES)
def test_no_profile_speaks_of_memory_in_line_after_line(name: str) -> None:
    text = shipped("configs", "species", f"{name}.yaml").read_text(encoding="utf-8")
    assert "from memory" not in text.partition("\nhosts:")[0]


# What nothing can make good: warmth and winter, and drainage where print agrees that it decides. Rows without a source
# hold no class.
ESSENTIAL = {
    "tuber_melanosporum": {"wetness_depth", "summer_heat", "winter_cold"},
    "tuber_aestivum": {"summer_heat"},
    "tuber_magnatum": {"summer_heat", "winter_cold"},
    "tuber_borchii": {"summer_heat"},
    "tuber_brumale": set(),
    "tuber_lyonii": {"summer_heat", "winter_cold"},
    "tuber_oregonense": {"summer_heat"},
    "tuber_gibbosum": {"summer_heat"},
}


@pytest.mark.parametrize("name", NAMES)
def test_essential_rows_are_what_cannot_be_made_good_and_have_a_source(name: str) -> None:
    essential = {key: c for key, c in load_profile(name).criteria.items() if c.essential}
    assert set(essential) == ESSENTIAL[name]
    for criterion in essential.values():
        assert criterion.remedy is None
        assert criterion.confidence in ("A", "B")
        assert re.search(r"in print|ERA5|[12]\d{3}", criterion.essential_source or "")


@pytest.mark.parametrize("name", NAMES)
def test_no_profile_drains(name: str) -> None:
    assert all(c.remedy is None or c.remedy.by != "drainage" for c in load_profile(name).criteria.values())


@pytest.mark.parametrize("name", NAMES)
def test_units_are_known_and_curves_lie_in_what_can_be_true(name: str) -> None:
    for key, criterion in load_profile(name).criteria.items():
        quantity = units.QUANTITIES[
            QUANTITY.get(criterion.layer) or units.quantity_of(criterion.unit, criterion.quantity)
        ]
        if key in REGISTRY:
            indicator = REGISTRY[key]
            low, high = indicator.low, indicator.high
        else:
            low, high = quantity.low, quantity.high
        assert all(low <= x <= high for x in criterion.curve.curve().x), key


@pytest.mark.parametrize("name", NAMES)
def test_hosts_are_named_once_and_both_strengths_are_there(name: str) -> None:
    hosts = load_profile(name).hosts
    assert len({host.name for host in hosts}) == len(hosts)
    assert {host.strength for host in hosts} == {"primary", "secondary"}


def test_hazel_and_downy_oak_are_primary_hosts_of_the_black_truffles() -> None:
    for name in ("tuber_melanosporum", "tuber_aestivum", "tuber_brumale"):
        strength = {host.name: host.strength for host in load_profile(name).hosts}
        assert (strength["corylus_avellana"], strength["quercus_pubescens"]) == ("primary", "primary")


def test_every_host_has_a_tree_and_every_tree_is_a_host() -> None:
    named = {host.name for name in NAMES for host in load_profile(name).hosts}
    assert named == set(load_trees())
    assert all(tree.native and tree.source for tree in load_trees().values())


def test_primary_hosts_count_more_than_secondary_ones() -> None:
    factors = {host.strength: host.factor for host in load_profile("tuber_borchii").hosts}
    assert factors == {"primary": 1.0, "secondary": 0.8}


@pytest.mark.parametrize(
    ("name", "host", "introduced"),
    [
        ("tuber_borchii", "pinus_radiata", True),
        ("tuber_lyonii", "corylus_avellana", True),
        ("tuber_magnatum", "populus_deltoides", True),
        ("tuber_melanosporum", "corylus_avellana", False),
        ("tuber_gibbosum", "pseudotsuga_menziesii", False),
    ],
)
def test_pairings_across_continents_are_marked(name: str, host: str, introduced: bool) -> None:
    assert {h.name: h.introduced for h in load_profile(name).hosts}[host] is introduced


def test_a_host_that_no_tree_stands_for_is_refused(tmp_path) -> None:
    text = raw("tuber_aestivum")
    text["hosts"][0]["name"] = "quercus_robor"
    path = tmp_path / "tuber_aestivum.yaml"
    path.write_text(yaml.safe_dump(text, sort_keys=False), encoding="utf-8")
    with pytest.raises(UnderoakError, match=r'E332 .*did you mean "quercus_robur"'):
        read_profile(path)


def test_one_set_of_layers_serves_every_species() -> None:
    seen: dict[str, tuple[str, str]] = {}
    for name in NAMES:
        for key, criterion in load_profile(name).criteria.items():
            assert seen.setdefault(key, (criterion.layer, criterion.unit)) == (criterion.layer, criterion.unit), key
    assert len({layer for layer, _ in seen.values()}) == len(seen)


@pytest.mark.parametrize("name", NAMES)
def test_heights_above_the_sea_weigh_nothing_where_temperatures_are_judged(name: str) -> None:
    criteria = load_profile(name).criteria
    assert criteria["elevation"].weight == 0.0
    assert "stands in for warmth" in criteria["elevation"].weight_reason
    assert criteria["summer_heat"].weight > 0.0


# Corners may be off by so much; the table is common practice without a source.
@pytest.mark.parametrize(
    ("name", "criterion", "width"),
    [
        ("tuber_melanosporum", "ph", (0.15, False)),
        ("tuber_aestivum", "ph", (0.25, False)),
        ("tuber_lyonii", "ph", (0.40, False)),
        ("tuber_melanosporum", "carbonate", (0.40, True)),
        ("tuber_brumale", "clay", (12.0, False)),
        ("tuber_melanosporum", "annual_rain", (0.10, True)),
        ("tuber_brumale", "summer_heat", (2.0, False)),
        ("tuber_gibbosum", "summer_heat", (1.2, False)),
        ("tuber_melanosporum", "water_balance", (40.0, False)),
        ("tuber_magnatum", "elevation", (75.0, False)),
        ("tuber_magnatum", "slope", None),
    ],
)
def test_corners_may_be_off_by_kind_and_confidence(name: str, criterion: str, width: tuple | None) -> None:
    assert load_profile(name).criteria[criterion].half_width == width


KINDS = {"ph": "ph", "temperature": "degC", "rain": "mm", "water_balance": "mm", "texture": "percent",
         "chemistry": "percent", "elevation": "m"}  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_kind_of_doubt_fits_the_unit_and_no_criterion_of_that_kind_goes_without(name: str) -> None:
    for key, criterion in load_profile(name).criteria.items():
        if criterion.uncertainty_kind is not None:
            assert KINDS[criterion.uncertainty_kind].casefold() == criterion.unit.casefold(), key
        elif criterion.unit in ("pH", "degC", "mm"):
            raise AssertionError(key)


def test_a_species_that_is_not_there_is_told_with_the_nearest() -> None:
    with pytest.raises(UnderoakError, match=r'E332 .*did you mean "tuber_aestivum"'):
        load_profile("tuber_aestivm")


@pytest.mark.parametrize("name", ["../../pyproject", "/etc/passwd", "tuber_aestivum.yaml", ""])
def test_a_species_name_is_never_a_path(name: str) -> None:
    with pytest.raises(UnderoakError, match="E332"):
        load_profile(name)


def test_a_profile_is_told_by_line_and_must_be_named_as_its_file(tmp_path) -> None:
    text = shipped("configs", "species", "tuber_aestivum.yaml").read_text(encoding="utf-8")
    other = tmp_path / "tuber_other.yaml"
    other.write_text(text, encoding="utf-8")
    with pytest.raises(UnderoakError, match=r"E304 .*is named \"tuber_aestivum\""):
        read_profile(other)
    same = tmp_path / "tuber_aestivum.yaml"
    same.write_text(
        text.replace("confidence: A", "confidence: D").replace("at: [6.2, 7.2", "at: [7.3, 7.2"), encoding="utf-8"
    )
    line = text[: text.index("at: [6.2")].count("\n") + 1
    with pytest.raises(UnderoakError, match=rf"E320 .*tuber_aestivum.yaml:{line}:"):
        read_profile(same)
