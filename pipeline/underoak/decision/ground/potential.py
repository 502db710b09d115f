"""The potential of a parcel by remedy: as it is, after lime alone, after water alone, after both; and what is bought.

Lime needs money, water a right. So water counts only where the plan names a source of it for the parcel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from underoak.base.codes import CLASS_NAMES
from underoak.plan.keys.plan_keys import PlanSpec

_RISE = 0.005  # of suitability; less does not show in two figures


class Lift(StrEnum):
    """What lifts the class of a parcel."""

    NOTHING = "nothing"
    LIME = "lime"
    WATER = "water"
    EITHER = "either"  # lime alone does, and so does water
    TOGETHER = "together"  # only both together do


class Standing(NamedTuple):
    """Class, suitability and P(S2 or better) of a parcel after some remedies."""

    class_name: str
    suitability: float
    p: float | None  # None where nothing was drawn


@dataclass(frozen=True, slots=True)
class PotentialSplit:
    """The standing of a judged parcel as it is and after remedies; None where the plan has no such remedy."""

    now: Standing
    with_lime: Standing | None
    with_water: Standing | None
    with_both: Standing
    is_water_named: bool  # the plan names a source of water for the parcel

    @property
    def counted(self) -> Standing:
        """The standing after the remedies that count."""
        if self.with_water is None or self.is_water_named:
            return self.with_both
        return self.now if self.with_lime is None else self.with_lime

    @property
    def has_uncounted(self) -> bool:
        """Whether water would raise the suitability further, and does not count."""
        return self.with_both.suitability - self.counted.suitability > _RISE

    @property
    def has_gain(self) -> bool:
        """Whether any remedy raises the suitability, counted or not."""
        return self.with_both.suitability - self.now.suitability > _RISE

    @property
    def lift(self) -> Lift:
        """What lifts the class."""
        lime, water, both = (_is_better(each, self.now) for each in (self.with_lime, self.with_water, self.with_both))
        if lime and water:
            return Lift.EITHER
        if lime or water:
            return Lift.LIME if lime else Lift.WATER
        return Lift.TOGETHER if both and self.with_lime and self.with_water else Lift.NOTHING


def _is_better(one: Standing | None, other: Standing) -> bool:
    names = list(CLASS_NAMES.values())
    return one is not None and names.index(one.class_name) < names.index(other.class_name)


def split_of(row: Mapping[str, Any], plan: PlanSpec) -> PotentialSplit:
    """Return the split of a judged parcel of the table."""
    now = _standing(row, "class", "suitability", "p_s2")
    lime, water = (
        _standing(row, f"with_{by}_class", f"with_{by}", f"p_with_{by}") if f"with_{by}" in row else None
        for by in ("lime", "water")
    )
    chance = "p_with_both" if lime and water else "p_with_lime" if lime else "p_with_water" if water else "p_s2"
    both = _standing(row, "potential_class", "potential", chance)
    return PotentialSplit(now, lime, water, both, names_water(plan, str(row["id"])))


def _standing(row: Mapping[str, Any], class_name: str, suitability: str, chance: str) -> Standing:
    p = row.get(chance)
    return Standing(row[class_name], float(row[suitability]), None if p is None or math.isnan(p) else float(p))


def names_water(plan: PlanSpec, parcel: str) -> bool:
    """Return whether the plan names a source of water for a parcel."""
    supplies = plan.water_supply or {}
    return any(supply.parcels is None or parcel in supply.parcels for supply in supplies.values())
