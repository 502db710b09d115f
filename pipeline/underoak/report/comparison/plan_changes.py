"""The differences between the plans of two runs, key by key, and what each can change."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from underoak.engine.storage.manifest import CriterionWords, Manifest

Touches = Literal["cells", "parcels", "zones", "doubt", "words"]

# These keys change words or paths of files, and no number. Files are compared by their content.
_WORDS = {"title", "trust", "outputs.folder", "region.area", "parcels.file", "checks", "signing", "cohorts"}
_WORD_KEYS = {"source", "file"}
_PARCELS, _PARCEL_KEYS = (
    {"parcels", "hosts", "lab", "deal", "rules"},
    {"remedy"},
)  # pairs, lab results, deals, potentials
_DOUBT, _DOUBT_KEYS = {"uncertainty", "verdict", "prices"}, {"sd", "quantiles", "correlation_range", "grain"}
_MOST = 70  # characters of a value that are shown

_ABSENT = object()


@dataclass(frozen=True, slots=True)
class PlanChange:
    """One key of the plan that differs."""

    key: str  # such as criteria.ph.curve
    words: str
    touches: Touches  # what it can change; "words" changes no number


class PlanOfCase(NamedTuple):
    """The plan of a run of one case, as plain values, and its criteria."""

    plan: Mapping[str, Any]
    criteria: Sequence[CriterionWords]
    further_layers: frozenset[str] = frozenset()  # layers that only further cases of the run use

    @classmethod
    def of(cls, manifest: Manifest) -> PlanOfCase:
        """Return the plan of a manifest, with the criteria of its first case."""
        first, *others = manifest.cases
        return cls(manifest.plan, first.criteria, frozenset(c.layer for case in others for c in case.criteria))


def plan_changes(first: PlanOfCase, second: PlanOfCase) -> list[PlanChange]:
    """Return the differences between the plans of two cases, in the order of the first plan.

    >>> plan = {"title": "a", "combine": {"rule": "linear"}, "layers": {}, "criteria": {}}
    >>> other = {**plan, "combine": {"rule": "geometric"}}
    >>> [change.words for change in plan_changes(PlanOfCase(plan, ()), PlanOfCase(other, ()))]
    ['combine.rule: linear -> geometric']
    """
    idle = _idle(first) & _idle(second)
    changes = _weights(first, second)
    for path, old, new in _leaves((), named_parts(first.plan), named_parts(second.plan)):
        if path[0] == "weights" or (path[0] == "criteria" and path[-1] == "weight"):
            continue  # compared by the weights that result
        key = ".".join(path)
        changes.append(PlanChange(key, f"{key}: {_change(path, old, new, first, second)}", _touches(path, idle)))
    return changes


def used_layers(case: PlanOfCase) -> set[str]:
    """Return the layers that a criterion or a constraint uses, and those they are derived from."""
    used = {criterion.layer for criterion in case.criteria} | case.further_layers
    used |= {constraint["layer"] for constraint in case.plan.get("constraints", ()) if "layer" in constraint}
    return used | {origin for name in used for origin in _origins(case.plan["layers"].get(name, {}))}


def _origins(layer: Mapping[str, Any]) -> tuple[str, ...]:
    sources = layer.get("from") or {}
    return (sources,) if isinstance(sources, str) else tuple(sources.values())


def _idle(case: PlanOfCase) -> set[str]:
    return set(case.plan["layers"]) - used_layers(case)


def named_parts(plan: Mapping[str, Any]) -> dict[str, Any]:
    """Return the plan with lists of named parts as mappings: their order changes no number.

    >>> named_parts({"constraints": [{"name": "steep", "exclude": "> 30 degree"}]})["constraints"]["steep"]["exclude"]
    '> 30 degree'
    """
    return {
        key: {item["name"]: item for item in value} if key in ("constraints", "scenarios") else value
        for key, value in plan.items()
    }


def part_at(parts: Mapping[str, Any], path: Sequence[str]) -> Any:
    """Return the value at a path of mappings; None where there is none.

    >>> part_at({"region": {"cell": "30 m"}}, ["region", "cell"]), part_at({}, ["region", "cell"])
    ('30 m', None)
    """
    value: Any = parts
    for key in path:
        value = value.get(key) if isinstance(value, Mapping) else None
    return value


def _leaves(path: tuple[str, ...], old: Any, new: Any) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    """Return (path, old, new) where two values differ, as deep as both are mappings; a curve is one value."""
    if old == new:
        return
    if isinstance(old, Mapping) and isinstance(new, Mapping) and path[-1:] != ("curve",):
        for key in [*old, *(key for key in new if key not in old)]:
            yield from _leaves((*path, key), old.get(key, _ABSENT), new.get(key, _ABSENT))
    elif not (_is_nothing(old) and _is_nothing(new)):
        yield path, old, new


def _is_nothing(value: Any) -> bool:
    return value is _ABSENT or value in ([], {})


def _touches(path: tuple[str, ...], idle: set[str]) -> Touches:
    if {path[0], ".".join(path)} & _WORDS or {*path[2:]} & _WORD_KEYS:
        return "words"
    if path[0] in _PARCELS or {*path[2:]} & _PARCEL_KEYS:
        return "parcels"
    if path[0] == "zones":
        return "zones"
    if path[0] in _DOUBT or {*path[2:]} & _DOUBT_KEYS:
        return "doubt"
    return "words" if path[0] == "layers" and path[1:2] and path[1] in idle else "cells"


def _change(path: tuple[str, ...], old: Any, new: Any, first: PlanOfCase, second: PlanOfCase) -> str:
    if path[0] == "criteria" and path[-1] == "curve":
        return " -> ".join(_curve(case, path[1], curve) for case, curve in ((first, old), (second, new)))
    if old is _ABSENT:
        return f"added ({shown(new)})"
    if new is _ABSENT:
        return f"removed ({shown(old)})"
    return f"{shown(old)} -> {shown(new)}"


def _curve(case: PlanOfCase, name: str, curve: Any) -> str:
    """Return a criterion's curve in words."""
    for criterion in case.criteria:
        if criterion.name == name:
            return criterion.curve
    return shown(curve)


def shown(value: Any) -> str:
    """Return a value of a plan on one short line.

    >>> shown("30 m"), shown([1, 2]), shown({"rule": "linear"})
    ('30 m', '[1, 2]', 'rule: linear')
    """
    if isinstance(value, Mapping):
        text = ", ".join(f"{key}: {shown(inner)}" for key, inner in value.items())
    else:
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _MOST else text[: _MOST - 1] + "…"


def _weights(first: PlanOfCase, second: PlanOfCase) -> list[PlanChange]:
    """Return the changed weights of criteria that both plans have, whichever way the weights are given."""
    one, other = _by_name(first.criteria), _by_name(second.criteria)
    changes = []
    for name in [name for name in one if name in other]:
        before, after = one[name], other[name]
        if abs(before - after) > 1e-9:
            digits = 3 if abs(before - after) >= 5e-4 else 9
            words = f"weight of {name}: {before:.{digits}f} -> {after:.{digits}f}"
            changes.append(PlanChange(f"weights.{name}", words, "cells"))
    ways = [next(iter(case.plan.get("weights") or {"profile or equal": None})) for case in (first, second)]
    if ways[0] != ways[1]:
        touches: Touches = "words"  # the weights that result are compared above
        changes.append(PlanChange("weights", f"weights: given as {ways[0]} -> given as {ways[1]}", touches))
    return changes


def _by_name(criteria: Sequence[CriterionWords]) -> dict[str, float]:
    return {criterion.name: float(criterion.weight) for criterion in criteria}
