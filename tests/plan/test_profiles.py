from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterator
from typing import Any

import pytest
import yaml

from underoak import units
from underoak.errors import UnderoakError
from underoak.indicators import REGISTRY
from underoak.plan import load_profile, profile_names, shipped
from underoak.plan.profile import read_profile

NAMES = profile_names()
# a name with a year, a kind of page, or that nobody says so
KNOWN_GROUND = re.compile(
    r"from memory|common practice, no source|in print|[12]\d{3}|upper end of the full score|placed"
)


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


def test_two_profiles_come_with_the_package() -> None:
    assert NAMES == ("tuber_aestivum", "tuber_melanosporum")


@pytest.mark.parametrize("name", NAMES)
def test_weights_add_up_to_one_and_each_has_a_reason(name: str) -> None:
    criteria = load_profile(name).criteria.values()
    assert math.fsum(c.weight for c in criteria) == pytest.approx(1.0, abs=1e-12)
    assert all(len(c.weight_reason) > 20 for c in criteria)


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
def test_a_remedy_says_where_its_numbers_come_from(name: str) -> None:
    remedied = [c for c in load_profile(name).criteria.values() if c.remedy is not None]
    assert {c.remedy.by for c in remedied if c.remedy} == {"lime", "irrigation"}
    assert all(c.remedy_source for c in remedied)
    assert all(c.remedy.limit_in(c.unit) is not None for c in remedied if c.remedy)


def test_a_remedy_without_its_source_is_refused(tmp_path) -> None:
    text = raw("tuber_aestivum")
    del text["criteria"]["ph"]["remedy_source"]
    path = tmp_path / "tuber_aestivum.yaml"
    path.write_text(yaml.safe_dump(text, sort_keys=False), encoding="utf-8")
    with pytest.raises(UnderoakError, match="remedy_source"):
        read_profile(path)


@pytest.mark.parametrize("name", NAMES)
def test_curves_that_rest_on_memory_alone_are_marked_so(name: str) -> None:
    for criterion in load_profile(name).criteria.values():
        if criterion.source.startswith("from memory"):
            assert criterion.confidence == "C"


@pytest.mark.parametrize("name", NAMES)
def test_units_are_known_and_curves_lie_in_what_can_be_true(name: str) -> None:
    for key, criterion in load_profile(name).criteria.items():
        quantity = units.QUANTITIES[units.quantity_of(criterion.unit)]
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


def test_hazel_and_downy_oak_are_primary_hosts_of_both() -> None:
    for name in NAMES:
        strength = {host.name: host.strength for host in load_profile(name).hosts}
        assert (strength["corylus_avellana"], strength["quercus_pubescens"]) == ("primary", "primary")


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
    with pytest.raises(UnderoakError, match=r"E304 .*calls itself"):
        read_profile(other)
    same = tmp_path / "tuber_aestivum.yaml"
    same.write_text(
        text.replace("confidence: A", "confidence: D").replace("at: [6.2, 7.0", "at: [7.2, 7.0"), encoding="utf-8"
    )
    line = text[: text.index("at: [6.2")].count("\n") + 1
    with pytest.raises(UnderoakError, match=rf"E320 .*tuber_aestivum.yaml:{line}:"):
        read_profile(same)
