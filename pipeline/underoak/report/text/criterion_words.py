"""The state of a parcel on a criterion, in words: its value, the best range, and what can be done about it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from underoak.base.number_words import TIE, beside
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.limits import Change, NoLimit, Side
from underoak.places.parcels.ranking import columns_of

_UNITS = {"pH": "", "1": "", "dimensionless": "", "percent": " %", "%": " %", "degree": "°", "degC": " °C",
          "delta_degC": " °C"}  # fmt: skip
CHANGES = {
    Change.LIME: "lime can raise it",
    Change.WATER: "water can raise it",
    Change.DRAINAGE: "drainage may help",
    Change.NONE: "cannot be changed",
    Change.WILD: "wild ground is not limed or watered",
}
NOTHING_LIMITS = "nothing limits"


# Layers whose numbers say nothing to a reader: below 0, above 0; the best range where it ends there; too low, too high.
_DIRECTIONS = {
    "northness": (
        "faces south", "faces north", "facing south", "facing north", "faces too far south", "faces too far north",
    ),
    "topographic_position": (
        "in a hollow", "raised", "in a hollow", "not in a hollow", "lies in a hollow", "lies too high",
    ),
}  # fmt: skip


def measure(value: float, unit: str, limits: Iterable[float] = ()) -> str:
    """Return a value with its unit, as people write it, with as many digits as show its side of each limit.

    >>> measure(6.84, "pH"), measure(112.4, "mm"), measure(17.56, "percent"), measure(-0.25, "1")
    ('6.8', '112 mm', '17.6 %', '-0.25')
    >>> measure(7.4698, "pH", (7.5, 8.3)), measure(12.04, "degC", (7.5, 12.0))
    ('7.47', '12.04 °C')
    """
    if not math.isfinite(value):
        return "–"
    digits = 0 if abs(value) >= 50 else 1 if abs(value) >= 1 else 2
    return f"{beside(value, limits, digits)}{_UNITS.get(unit, f' {unit}' if unit else '')}"


def measure_beside_range(value: float, criterion: CriterionWords, has_unit: bool = True) -> str:
    """Return a value of a criterion with as many digits as show its side of the ends of the best range."""
    ends = [end for end in (criterion.low, criterion.high) if end is not None]
    return measure(value, criterion.unit if has_unit else "", ends)


def best_range(criterion: CriterionWords) -> str:
    """Return the best range in words; "" for class codes.

    >>> from underoak.engine.storage.manifest import CriterionWords
    >>> ph = CriterionWords("ph", "soil pH", 1.0, "soil_ph", "", "", True, "", "pH", 7.5, 8.3)
    >>> best_range(ph)
    '7.5 to 8.3'
    """
    direction = _DIRECTIONS.get(criterion.layer)
    if direction is not None and (criterion.low is None) != (criterion.high is None):
        return direction[2] if criterion.low is None else direction[3]
    low, high, unit = criterion.low, criterion.high, _UNITS.get(criterion.unit, f" {criterion.unit}".rstrip())
    if low is not None and high is not None:
        return f"about {low:g}{unit}" if low == high else f"{low:g} to {high:g}{unit}"
    if low is not None:
        return f"from {low:g}{unit}"
    return f"up to {high:g}{unit}" if high is not None else ""


def state_words(criterion: CriterionWords, side: Side | None) -> str:
    """Return on which side of the best range land is: `is too low`, `faces too far north`; "" without a side.

    >>> from underoak.engine.storage.manifest import CriterionWords
    >>> north = CriterionWords("northness", "northness", 1.0, "northness", "", "", False, "", "1", None, -1.0)
    >>> state_words(north, Side.HIGH), best_range(north)
    ('faces too far north', 'facing south')
    """
    if side is None:
        return ""
    direction = _DIRECTIONS.get(criterion.layer)
    return f"is too {side}" if direction is None else direction[4 if side is Side.LOW else 5]


def column_names(criteria: Sequence[CriterionWords]) -> dict[str, str]:
    """Return what follows `membership_` and the like in the names of columns, by criterion."""
    return _stems(tuple(criterion.name for criterion in criteria))


@lru_cache(maxsize=64)
def _stems(names: tuple[str, ...]) -> dict[str, str]:
    return dict(zip(names, columns_of(names), strict=True))


def value_of(stem: str, row: Mapping[str, Any]) -> float:
    """Return a parcel's mean value; NaN for class codes and for runs without it."""
    value = row.get(f"value_{stem}")
    return math.nan if value is None else float(value)


def side_of(stem: str, row: Mapping[str, Any]) -> Side | None:
    """Return the side on which a parcel loses most membership; None where it loses none."""
    side = row.get(f"side_{stem}")
    return side if isinstance(side, Side) else None


def value_and_best_range(criterion: CriterionWords, stem: str, row: Mapping[str, Any], is_short: bool = False) -> str:
    """Return value and best range: `112 mm, best 145 to 220 mm`, the unit once when short; "" without a value."""
    value = value_of(stem, row)
    if not math.isfinite(value):
        return ""
    side, low, high = side_of(stem, row), criterion.low, criterion.high
    best = best_range(criterion)
    direction = _DIRECTIONS.get(criterion.layer)
    if direction is not None and not is_short:
        sense = "" if abs(value) < TIE else f", {direction[0] if value < 0.0 else direction[1]}"
        return f"{measure_beside_range(value, criterion)}{sense}; best {best}"
    text = measure_beside_range(value, criterion, not (is_short and best)) + (f", best {best}" if best else "")
    is_within = (low is None or value >= low - TIE) and (high is None or value <= high + TIE)
    return f"{text}; too {side} in part" if is_within and side else text


def labels(criteria: Iterable[CriterionWords], names: tuple[str, ...] | None) -> str:
    """Return the labels of criteria of a table's cell; a dash for none."""
    if not isinstance(names, tuple):
        return "–"
    by_name = {criterion.name: criterion.label for criterion in criteria}
    return ", ".join(NOTHING_LIMITS if name is NoLimit.NOTHING else by_name.get(name, name) for name in names)


def limiting(
    criteria: Sequence[CriterionWords],
    row: Mapping[str, Any],
    column: str = "limiting",
    is_short: bool = False,
    has_unit_once: bool = False,
) -> str:
    """Return the limiting factors with value and best range: `soil pH 6.8, best 7.5 to 8.3`; by name when short."""
    names = row[column]
    if not isinstance(names, tuple):
        return "–"
    by_name, stems = {criterion.name: criterion for criterion in criteria}, column_names(criteria)
    parts = []
    for name in names:
        if name is NoLimit.NOTHING or name not in by_name:
            parts.append(labels((), (name,)))
            continue
        criterion = by_name[name]
        label = name.replace("_", " ") if is_short else criterion.label
        parts.append(f"{label} {value_and_best_range(criterion, stems[name], row, is_short or has_unit_once)}".strip())
    return "; ".join(parts)


def lost(
    criteria: Sequence[CriterionWords], row: Mapping[str, Any], least: float = 0.005
) -> Iterator[tuple[CriterionWords, Side | None]]:
    """Yield the criteria that lack membership, the lowest first, each with the side on which it is lost."""
    stems = column_names(criteria)
    pairs = [(float(row[f"membership_{stems[c.name]}"]), c) for c in criteria]
    for membership, criterion in sorted((pair for pair in pairs if pair[0] < 1.0 - least), key=lambda pair: pair[0]):
        if math.isfinite(membership):
            yield criterion, side_of(stems[criterion.name], row)
