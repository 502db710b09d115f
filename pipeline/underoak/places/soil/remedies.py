"""What lime and water could make of a parcel: its potential suitability, and what it would take.

Current and potential suitability are words of the FAO framework (1976, from memory). A remedy raises a value to where
its curve is best, no further than the remedy's limit and never down; all amounts are lower bounds for screening. What
drainage does, no map can foretell: it is named, and adds nothing to the potential.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base import units
from underoak.base.arrays import FloatArray
from underoak.indicators.soil.lime_and_water import (
    FARM_TABLE_ENDS,
    HIGHEST_PH,
    LIME_FACTORS,
    lime_need,
    lime_need_by_texture,
    water_deficit,
)
from underoak.indicators.soil.texture import TEXTURES, texture_class
from underoak.overlay import Curve, combine, membership
from underoak.places.parcels.cell_sample import SampledCells

if TYPE_CHECKING:
    from underoak.overlay import Rules
    from underoak.plan.plan import Criterion, Plan

Doubles = npt.NDArray[np.float64]
LIME_DEPTH_CM = 30.0  # where the plan says none: as deep as a plough goes; common practice, no source
WORTH_NAMING = 0.005  # of mean suitability, lost without the remedy; less does not show in two figures
_WET = 0.05  # mean membership that must be lacking before drainage is named


@dataclass(frozen=True, slots=True)
class Remedy:
    """What can be done about one criterion, in plain numbers."""

    index: int  # of the criterion
    by: str  # lime | irrigation | drainage
    curve: Curve
    reach: float  # the highest value it brings the ground to
    depth_cm: float = LIME_DEPTH_CM
    mm: float = 1.0  # millimetres in the criterion's unit
    price: float | None = None  # of a tonne of lime or a cubic metre of water
    when: str = ""  # when the water is wanted

    def lifted(self, values: npt.ArrayLike) -> Doubles:
        """Each value brought to where the curve is best, at or above it and within reach; the least such value.

        >>> Remedy(0, "lime", Curve.hump(7.0, 7.5, 8.3, 8.8), 8.3).lifted([6.0, 7.4, 8.0, 8.6]).tolist()
        [7.5, 7.5, 8.0, 8.6]
        """
        given = np.asarray(values, np.float64)
        made, best = given.copy(), membership(given, self.curve).astype(np.float64)
        if self.by == "drainage":
            return made
        for place in sorted(place for place in {*self.curve.x, self.reach} if place <= self.reach and place < np.inf):
            there = float(membership(place, self.curve))
            better = (place > given) & (there > best)
            made[better], best[better] = place, there
        return made


def remedies_of(plan: Plan) -> tuple[Remedy, ...]:
    """The remedies a plan allows, in its order of criteria: none on wild ground, which is never limed or watered."""
    if plan.purpose == "restore":
        return ()
    return tuple(_of(i, criterion, plan) for i, criterion in enumerate(plan.criteria) if criterion.remedy is not None)


def _of(index: int, criterion: Criterion, plan: Plan) -> Remedy:
    spec = criterion.remedy
    assert spec is not None
    reach = np.inf if criterion.remedy_limit is None else criterion.remedy_limit
    price = {"lime": plan.prices.lime_t, "irrigation": plan.prices.water_m3}.get(spec.by)
    made = Remedy(index, spec.by, criterion.curve, reach, price=price if spec.cost is None else spec.cost)
    if spec.by == "lime":
        return replace(made, reach=min(reach, HIGHEST_PH), depth_cm=spec.depth_cm or LIME_DEPTH_CM)
    if spec.by == "irrigation":
        season = plan.layers[criterion.layer].season
        mm = units.conversion(criterion.unit, "mm").scale if criterion.unit else 1.0
        return replace(made, mm=mm, when={None: "", "year": "a year"}.get(season, f"in {season}"))
    return made


@dataclass(frozen=True, slots=True, eq=False)
class RemedyAmount:
    """What one remedy takes on every parcel, (parcels,)."""

    remedy: Remedy
    amount: Doubles  # lime [t/ha] or water [mm], mean of the ground that needs it; 0 where it helps nothing
    share: Doubles  # of the judged ground that needs it; for drainage 1 where it is to be named, and 0
    goal: Doubles  # mean value that it brings that ground to
    farm: Doubles  # lime [t/ha] by farm tables, as far as they go; NaN where sand or clay is not known


@dataclass(frozen=True, slots=True, eq=False)
class Remedied:
    """What all remedies do to every parcel."""

    gain: Doubles  # of mean suitability, never below 0, (parcels,)
    memberships: Doubles  # gain of each criterion's mean membership, (parcels, criteria)
    doses: tuple[RemedyAmount, ...]


def with_remedies(
    cells: SampledCells, remedies: Sequence[Remedy], rules: Rules, texture: tuple[int, int] | None = None
) -> Remedied:
    """What the remedies do on the sampled cells of every parcel; `texture`: the criteria of sand and clay [percent]."""
    parcels, criteria = len(cells.offsets) - 1, len(rules.weights)
    if not len(cells):
        return Remedied(np.zeros(parcels), np.zeros((parcels, criteria)), ())
    better = potential_memberships(cells, remedies)
    best = potential_suitability(cells, better, rules)
    rise = np.zeros((parcels, criteria))
    for i in {remedy.index for remedy in remedies}:
        rise[:, i] = _mean(cells, better[:, i].astype(np.float64) - cells.memberships[:, i])
    doses = []
    for remedy in remedies:
        if remedy.by == "drainage":
            doses.append(_drained(cells, remedy))
        else:
            rest = potential_memberships(cells, [other for other in remedies if other is not remedy])
            helps = _mean(cells, best - potential_suitability(cells, rest, rules)) >= WORTH_NAMING
            doses.append(_dose(cells, remedy, helps, texture))
    return Remedied(_mean(cells, best - cells.suitability), rise, tuple(doses))


def potential_memberships(cells: SampledCells, remedies: Sequence[Remedy]) -> FloatArray:
    """Memberships of every cell after all remedies, none below what it was, (cells, criteria)."""
    better = cells.memberships.copy()
    for remedy in remedies:
        lifted = membership(remedy.lifted(cells.values[:, remedy.index]), remedy.curve)
        better[:, remedy.index] = np.maximum(better[:, remedy.index], lifted)
    return better


def potential_suitability(cells: SampledCells, memberships: FloatArray, rules: Rules) -> Doubles:
    """Suitability of every cell with memberships that are as good or better, never below what it was, (cells,)."""
    made = combine(memberships.T, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    moved = (memberships > cells.memberships).any(axis=1)
    now = cells.suitability.astype(np.float64)
    return np.where(moved, np.maximum(made, now), now)


def texture_of(criteria: Sequence[Criterion]) -> tuple[int, int] | None:
    """Which criteria hold sand and clay in percent, when both are judged."""
    at = {criterion.layer: i for i, criterion in enumerate(criteria) if criterion.unit in ("percent", "%")}
    return (at["sand"], at["clay"]) if {"sand", "clay"} <= at.keys() else None


def fence_m(shape: Any, crs: str) -> float:
    """Length of a fence round a parcel [m]: the outlines of its parts, holes left out.

    >>> from shapely import box
    >>> fence_m(box(0, 0, 100, 50), "EPSG:25831")
    300.0
    """
    parts = getattr(shape, "geoms", [shape]) if shape is not None else []
    return float(sum(part.exterior.length for part in parts) * _crs.unit_m(crs))


def _dose(
    cells: SampledCells, remedy: Remedy, helps: npt.NDArray[np.bool_], texture: tuple[int, int] | None
) -> RemedyAmount:
    values = cells.values[:, remedy.index].astype(np.float64)
    goal = remedy.lifted(values)
    needs = goal > values
    share = _mean(cells, np.where(np.isnan(values), np.nan, needs)) * helps
    farm = np.full(len(helps), np.nan)
    if remedy.by == "lime":
        each = lime_need(values, goal, remedy.depth_cm)
        farm = _by_farm_tables(cells, values, np.where(needs, goal, np.nan), texture)
    else:
        each = water_deficit(values, goal) * remedy.mm
    amount = _mean(cells, np.where(needs, each, np.nan)) * helps
    return RemedyAmount(remedy, amount, share, cells.means(np.where(needs, goal, np.nan)), farm)


def _drained(cells: SampledCells, remedy: Remedy) -> RemedyAmount:
    """Named where ground is too wet for the curve: above its best values, or in a poor class."""
    values, kept = cells.values[:, remedy.index], cells.means(cells.memberships[:, remedy.index])
    wet = np.ones(len(kept), bool)
    if remedy.curve.kind != "table":
        wet = _mean(cells, np.where(np.isnan(values), np.nan, values > remedy.curve.full[1])) > 0.0
    named = (wet & (1.0 - kept > _WET)).astype(np.float64)
    blank = np.full(len(named), np.nan)
    return RemedyAmount(remedy, np.zeros(len(named)), named, blank, blank)


def _by_farm_tables(cells: SampledCells, values: Doubles, goal: Doubles, texture: tuple[int, int] | None) -> Doubles:
    """Lime [t/ha] of the farm tables for the first part of the way, by the parcel's mean texture."""
    if texture is None:
        return np.full(len(cells.offsets) - 1, np.nan)
    sand, clay = (cells.means(cells.values[:, i]) for i in texture)
    codes = texture_class(sand, 100.0 - sand - clay, clay)
    factors = [LIME_FACTORS[TEXTURES[int(code) - 1]] if code == code else np.nan for code in codes]
    light = cells.means(lime_need_by_texture(values, np.minimum(goal, FARM_TABLE_ENDS), "sand"))
    made: Doubles = light * np.array(factors) / LIME_FACTORS["sand"]
    return made


def _mean(cells: SampledCells, figures: npt.ArrayLike) -> Doubles:
    """The mean of each parcel, 0 where nothing is known."""
    made: Doubles = np.nan_to_num(cells.means(figures))
    return made
