"""Where a parcel stands on a criterion, in words: its value, what is wanted, and what can be done about it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from underoak.places.parcels.ranking import HIGH, LOW, columns_of
from underoak.report.text.findings import CriterionWords

_UNITS = {"pH": "", "1": "", "dimensionless": "", "percent": " %", "%": " %", "degree": "°", "degC": " °C",
          "delta_degC": " °C"}  # fmt: skip


def measure(value: float, unit: str) -> str:
    """A value with its unit, as people write it.

    >>> measure(6.84, "pH"), measure(112.4, "mm"), measure(17.56, "percent"), measure(-0.25, "1")
    ('6.8', '112 mm', '17.6 %', '-0.25')
    """
    if not math.isfinite(value):
        return "–"
    digits = 0 if abs(value) >= 50 else 1 if abs(value) >= 1 else 2
    return f"{value:.{digits}f}{_UNITS.get(unit, f' {unit}' if unit else '')}"


def wants(criterion: CriterionWords) -> str:
    """The values of full membership, in words; "" for class codes.

    >>> from underoak.report.text.findings import CriterionWords
    >>> ph = CriterionWords("ph", "soil pH", 1.0, "soil_ph", "", "", True, "", "pH", 7.5, 8.3)
    >>> wants(ph)
    'wants 7.5 to 8.3'
    """
    low, high, unit = criterion.low, criterion.high, _UNITS.get(criterion.unit, f" {criterion.unit}".rstrip())
    if low is not None and high is not None:
        return f"wants about {low:g}{unit}" if low == high else f"wants {low:g} to {high:g}{unit}"
    if low is not None:
        return f"wants at least {low:g}{unit}"
    return f"wants at most {high:g}{unit}" if high is not None else ""


def column_names(criteria: Sequence[CriterionWords]) -> dict[str, str]:
    """What follows `membership_` and the like in the names of columns, by criterion."""
    return _stems(tuple(criterion.name for criterion in criteria))


@lru_cache(maxsize=64)
def _stems(names: tuple[str, ...]) -> dict[str, str]:
    return dict(zip(names, columns_of(names), strict=True))


def value_of(criterion: CriterionWords, stem: str, row: Mapping[str, Any]) -> float:
    """A parcel's mean value; NaN for class codes and for runs that did not keep it."""
    found = row.get(f"value_{stem}")
    return math.nan if found is None else float(found)


def side_of(stem: str, row: Mapping[str, Any]) -> str:
    """`low`, `high`, or nothing."""
    found = row.get(f"side_{stem}")
    return found if isinstance(found, str) else ""


def value_and_best_range(criterion: CriterionWords, stem: str, row: Mapping[str, Any], is_short: bool = False) -> str:
    """Value and wish: `112 mm, wants 145 to 220 mm`, the unit once when short; "" when there is no value to tell."""
    value = value_of(criterion, stem, row)
    if not math.isfinite(value):
        return ""
    side, low, high = side_of(stem, row), criterion.low, criterion.high
    wish = wants(criterion)
    text = ", ".join(filter(None, (measure(value, "" if is_short and wish else criterion.unit), wish)))
    within = (low is None or value >= low) and (high is None or value <= high)
    return f"{text}; too {side} in part" if within and side else text


def limiting(
    criteria: Sequence[CriterionWords],
    row: Mapping[str, Any],
    column: str = "limiting",
    is_short: bool = False,
    has_unit_once: bool = False,
) -> str:
    """The limiting factors of a parcel with value and wish: `soil pH 6.8, wants 7.5 to 8.3`; by name when short."""
    names = row[column]
    if not isinstance(names, str):
        return "–"
    known, own = {criterion.name: criterion for criterion in criteria}, column_names(criteria)
    told = []
    for name in names.split("; "):
        if name not in known:
            told.append(name)
            continue
        called = name.replace("_", " ") if is_short else known[name].label
        told.append(f"{called} {value_and_best_range(known[name], own[name], row, is_short or has_unit_once)}".strip())
    return "; ".join(told)


def fix(criterion: CriterionWords, side: str, is_wild: bool) -> str:
    """What can be done about a criterion that loses on a side, in a few words."""
    if is_wild:
        return "wild ground is not limed or watered" if criterion.by else "cannot be changed"
    match criterion.by, side:
        case "lime", str(where) if where != HIGH:
            return "lime can raise it"
        case "irrigation", str(where) if where != HIGH:
            return "water can make it good"
        case "drainage", str(where) if where != LOW:
            return "drainage may help"
        case _:
            return "cannot be changed"


def lost(
    criteria: Sequence[CriterionWords], row: Mapping[str, Any], least: float = 0.005
) -> Iterator[tuple[CriterionWords, str]]:
    """The criteria that lack membership, the worst first, each with the side on which it is lost."""
    own = column_names(criteria)
    short = [(float(row[f"membership_{own[c.name]}"]), c) for c in criteria]
    for membership, criterion in sorted((pair for pair in short if pair[0] < 1.0 - least), key=lambda pair: pair[0]):
        if math.isfinite(membership):
            yield criterion, side_of(own[criterion.name], row)
