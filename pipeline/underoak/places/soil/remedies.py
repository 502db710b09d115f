"""The potential suitability of parcels after lime and water, and the amounts it takes.

Current and potential suitability are terms of the FAO framework (1976, from memory). A remedy raises a value to its
best range, no further than the remedy's limit and never down; all amounts are lower bounds for screening. No map can
predict what drainage does: it is named, and adds nothing to the potential.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
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
Flags = npt.NDArray[np.bool_]
LIME_DEPTH_CM = 30.0  # where the plan says none: as deep as a plough goes; common practice, no source
WORTH_NAMING = 0.005  # of mean suitability, lost without the remedy; less does not show in two figures
KINDS = ("lime", "irrigation")  # remedies that raise a value; what drainage does, no map can tell
_TIE_T_HA = 1e-9
_WET = 0.05  # mean membership that must be lacking before drainage is named


@dataclass(frozen=True, slots=True)
class Remedy:
    """What can be done about one criterion, in plain numbers."""

    index: int  # of the criterion
    by: str  # lime | irrigation | drainage
    curve: Curve
    reach: float  # the highest value it raises the land to
    depth_cm: float = LIME_DEPTH_CM
    mm: float = 1.0  # millimetres in the criterion's unit
    price: float | None = None  # of a tonne of lime or a cubic metre of water
    season: str = ""  # of the water; "year", or "" where the layer has none
    most_t_ha: float = np.inf  # lime that counts, by the lower bound: land that takes more stays as it is
    per_tenth: float = 1.0  # lime for a tenth of pH in 10 cm [t/ha], at least
    plan_per_tenth: float = 2.0  # the same to plan with

    def lifted(self, values: npt.ArrayLike) -> Doubles:
        """Return each value raised to where the curve is best within reach: the least such value.

        A value that takes more lime than counts stays as it is.

        >>> lime = Remedy(0, "lime", Curve.hump(7.0, 7.5, 8.3, 8.8), 8.3, most_t_ha=40.0)
        >>> lime.lifted([6.0, 6.4, 7.4, 8.0, 8.6]).tolist()
        [6.0, 7.5, 7.5, 8.0, 8.6]
        """
        given = np.asarray(values, np.float64)
        raised = self.raised(given)
        return np.where(self.is_beyond(given, raised), given, raised)

    def is_beyond(self, given: Doubles, raised: Doubles) -> npt.NDArray[np.bool_]:
        """Return where it takes more lime than counts."""
        if self.by != "lime":
            return np.zeros(given.shape, np.bool_)
        beyond: npt.NDArray[np.bool_] = (
            lime_need(given, raised, self.depth_cm, self.per_tenth) > self.most_t_ha + _TIE_T_HA
        )
        return beyond

    def raised(self, values: npt.ArrayLike) -> Doubles:
        """Return each value raised to where the curve is best within reach, whatever it takes."""
        given = np.asarray(values, np.float64)
        raised, best = given.copy(), membership(given, self.curve).astype(np.float64)
        if self.by == "drainage":
            return raised
        for goal in sorted(goal for goal in {*self.curve.x, self.reach} if goal <= self.reach and goal < np.inf):
            gained = float(membership(goal, self.curve))
            better = (goal > given) & (gained > best)
            raised[better], best[better] = goal, gained
        return raised


def remedies_of(plan: Plan) -> tuple[Remedy, ...]:
    """Return the remedies a plan allows, in its order of criteria: none on wild ground, which is never limed."""
    if plan.purpose == "restore":
        return ()
    return tuple(_of(i, criterion, plan) for i, criterion in enumerate(plan.criteria) if criterion.remedy is not None)


def _of(index: int, criterion: Criterion, plan: Plan) -> Remedy:
    spec = criterion.remedy
    assert spec is not None
    reach = np.inf if criterion.remedy_limit is None else criterion.remedy_limit
    price = {"lime": plan.prices.lime_t, "irrigation": plan.prices.water_m3}.get(spec.by)
    remedy = Remedy(index, spec.by, criterion.curve, reach, price=price if spec.cost is None else spec.cost)
    if spec.by == "lime":
        depth_cm = spec.depth_cm or LIME_DEPTH_CM
        rule = plan.lime_rule
        return replace(
            remedy, reach=min(reach, HIGHEST_PH), depth_cm=depth_cm, most_t_ha=plan.most_lime_t_ha,
            per_tenth=rule.least, plan_per_tenth=rule.plan_with,
        )  # fmt: skip
    if spec.by == "irrigation":
        season = plan.layers[criterion.layer].season
        mm = units.conversion(criterion.unit, "mm").scale if criterion.unit else 1.0
        return replace(remedy, mm=mm, season=season or "")
    return remedy


@dataclass(frozen=True, slots=True, eq=False)
class RemedyAmount:
    """The amount of one remedy on every parcel, (parcels,)."""

    remedy: Remedy
    amount: Doubles  # lime [t/ha], at least, or water [mm], mean of the land that needs it; 0 where it does not help
    share: Doubles  # of the judged land that needs it; for drainage 1 where it is to be named, and 0
    goal: Doubles  # mean value that it raises that land to
    farm: Doubles  # lime [t/ha] by farm tables, as far as they go; NaN where sand or clay is not known
    beyond: Doubles  # share of the judged land that takes more lime than counts; 0 where it would not help
    beyond_t_ha: Doubles  # mean lime that it takes there [t/ha]; NaN where there is none
    is_idle: Flags  # where it would raise its criterion, and the suitability by less than is worth naming
    at_zero: Flags  # criteria that keep the suitability of such land at 0 after all remedies, (parcels, criteria)

    @property
    def planned(self) -> Doubles:
        """The amount to plan with: of lime the upper end of the rule [t/ha], (parcels,)."""
        factor = self.remedy.plan_per_tenth / self.remedy.per_tenth if self.remedy.by == "lime" else 1.0
        return self.amount * factor


@dataclass(frozen=True, slots=True, eq=False)
class RemedyEffect:
    """The effect of some remedies on every parcel."""

    gain: Doubles  # of mean suitability, never below 0, (parcels,)
    memberships: Doubles  # gain of each criterion's mean membership, (parcels, criteria)


@dataclass(frozen=True, slots=True, eq=False)
class Remedied(RemedyEffect):
    """The effect of all remedies on every parcel, and of each kind alone."""

    amounts: tuple[RemedyAmount, ...]
    alone: Mapping[str, RemedyEffect] = field(default_factory=dict)  # by `lime` and `irrigation`, where allowed


def with_remedies(
    cells: SampledCells, remedies: Sequence[Remedy], rules: Rules, texture: tuple[int, int] | None = None
) -> Remedied:
    """Return the effect of the remedies on the sampled cells of every parcel.

    `texture` holds the indices of the criteria of sand and clay [percent].
    """
    parcels, criteria = len(cells.offsets) - 1, len(rules.weights)
    if not len(cells):
        nothing = RemedyEffect(np.zeros(parcels), np.zeros((parcels, criteria)))
        none_alone = dict.fromkeys(_alone(remedies), nothing)
        return Remedied(nothing.gain, nothing.memberships, (), none_alone)
    better = potential_memberships(cells, remedies)
    best = potential_suitability(cells, better, rules)
    every = _effect(cells, remedies, better, best)
    alone = {}
    for by, some in _alone(remedies).items():
        raised = potential_memberships(cells, some)
        alone[by] = _effect(cells, some, raised, potential_suitability(cells, raised, rules))
    amounts = []
    for remedy in remedies:
        if remedy.by == "drainage":
            amounts.append(_drained(cells, remedy))
        else:
            rest = potential_memberships(cells, [other for other in remedies if other is not remedy])
            helps = _mean(cells, best - potential_suitability(cells, rest, rules)) >= WORTH_NAMING
            amount = _amount(cells, remedy, helps, texture)
            amounts.append(_with_idle(amount, cells, ~helps, better, best))
    return Remedied(every.gain, every.memberships, tuple(amounts), alone)


def _alone(remedies: Sequence[Remedy]) -> dict[str, tuple[Remedy, ...]]:
    """Return the remedies that raise a value, by kind, in the order of `KINDS`."""
    by_kind = {by: tuple(remedy for remedy in remedies if remedy.by == by) for by in KINDS}
    return {by: some for by, some in by_kind.items() if some}


def _effect(cells: SampledCells, remedies: Sequence[Remedy], better: FloatArray, best: Doubles) -> RemedyEffect:
    """Return the effect of remedies that lead to memberships `better` and suitability `best` of the cells."""
    rise = np.zeros((len(cells.offsets) - 1, better.shape[1]))
    for i in {remedy.index for remedy in remedies}:
        rise[:, i] = _mean(cells, better[:, i].astype(np.float64) - cells.memberships[:, i])
    return RemedyEffect(_mean(cells, best - cells.suitability), rise)


def potential_memberships(cells: SampledCells, remedies: Sequence[Remedy]) -> FloatArray:
    """Return the memberships of every cell after all remedies, none below its own before, (cells, criteria)."""
    better = cells.memberships.copy()
    for remedy in remedies:
        lifted = membership(remedy.lifted(cells.values[:, remedy.index]), remedy.curve)
        better[:, remedy.index] = np.maximum(better[:, remedy.index], lifted)
    return better


def potential_suitability(cells: SampledCells, memberships: FloatArray, rules: Rules) -> Doubles:
    """Return the suitability of every cell for memberships that are as good or better, never below before, (cells,)."""
    potential = combine(memberships.T, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    moved = (memberships > cells.memberships).any(axis=1)
    now = cells.suitability.astype(np.float64)
    return np.where(moved, np.maximum(potential, now), now)


def texture_of(criteria: Sequence[Criterion]) -> tuple[int, int] | None:
    """Return the indices of the criteria of sand and clay in percent; None unless both are judged."""
    indices = {criterion.layer: i for i, criterion in enumerate(criteria) if criterion.unit in ("percent", "%")}
    return (indices["sand"], indices["clay"]) if {"sand", "clay"} <= indices.keys() else None


def fence_m(shape: Any, crs: str) -> float:
    """Return the length of a fence round a parcel [m]: the outlines of its parts, without holes.

    >>> from shapely import box
    >>> fence_m(box(0, 0, 100, 50), "EPSG:25831")
    300.0
    """
    parts = getattr(shape, "geoms", [shape]) if shape is not None else []
    return float(sum(part.exterior.length for part in parts) * _crs.unit_m(crs))


def _amount(
    cells: SampledCells, remedy: Remedy, helps: npt.NDArray[np.bool_], texture: tuple[int, int] | None
) -> RemedyAmount:
    values = cells.values[:, remedy.index].astype(np.float64)
    goal = remedy.lifted(values)
    needs = goal > values
    share = _mean(cells, np.where(np.isnan(values), np.nan, needs)) * helps
    farm = np.full(len(helps), np.nan)
    if remedy.by == "lime":
        each = lime_need(values, goal, remedy.depth_cm, remedy.per_tenth)
        farm = _by_farm_tables(cells, values, np.where(needs, goal, np.nan), texture)
    else:
        each = water_deficit(values, goal) * remedy.mm
    amount = _mean(cells, np.where(needs, each, np.nan)) * helps
    beyond, beyond_t_ha = _beyond(cells, remedy, values)
    reached = cells.means(np.where(needs, goal, np.nan))
    none = np.zeros((len(helps), cells.memberships.shape[1]), np.bool_)
    return RemedyAmount(remedy, amount, share, reached, farm, beyond, beyond_t_ha, np.zeros(len(helps), np.bool_), none)


def _with_idle(
    amount: RemedyAmount, cells: SampledCells, helps_not: Flags, better: FloatArray, best: Doubles
) -> RemedyAmount:
    """Return an amount with the parcels that the remedy would not help, and the criteria that stand in its way.

    `better` and `best` are memberships and suitability after all remedies.
    """
    remedy = amount.remedy
    values = cells.values[:, remedy.index].astype(np.float64)
    goal = remedy.lifted(values)
    needs = goal > values
    rise = membership(goal, remedy.curve).astype(np.float64) - membership(values, remedy.curve)
    is_idle = helps_not & (_mean(cells, np.where(np.isnan(values), np.nan, rise)) >= WORTH_NAMING)
    stays_at_zero = is_idle & (cells.means(np.where(needs, best, np.nan)) < WORTH_NAMING)
    at_zero = np.zeros((len(is_idle), better.shape[1]), np.bool_)
    for k in range(better.shape[1]) if stays_at_zero.any() else ():
        at_zero[:, k] = stays_at_zero & (cells.means(np.where(needs, better[:, k], np.nan)) < WORTH_NAMING)
    return replace(amount, is_idle=is_idle, at_zero=at_zero)


def _beyond(cells: SampledCells, remedy: Remedy, values: Doubles) -> tuple[Doubles, Doubles]:
    """Return the share of each parcel that takes more lime than counts, and how much it takes there [t/ha]."""
    raised = remedy.raised(values)
    is_beyond = remedy.is_beyond(values, raised)
    rise = membership(raised, remedy.curve).astype(np.float64) - membership(values, remedy.curve)
    would_help = _mean(cells, np.where(np.isnan(values), np.nan, np.where(is_beyond, rise, 0.0))) >= WORTH_NAMING
    share = _mean(cells, np.where(np.isnan(values), np.nan, is_beyond)) * would_help
    need = np.where(is_beyond, lime_need(values, raised, remedy.depth_cm, remedy.per_tenth), np.nan)
    return share, np.where(share > 0.0, cells.means(need), np.nan)


def _drained(cells: SampledCells, remedy: Remedy) -> RemedyAmount:
    """Name drainage where land is too wet for the curve: above its best range, or in a poor class."""
    values, mean = cells.values[:, remedy.index], cells.means(cells.memberships[:, remedy.index])
    wet = np.ones(len(mean), bool)
    if remedy.curve.kind != "table":
        wet = _mean(cells, np.where(np.isnan(values), np.nan, values > remedy.curve.full[1])) > 0.0
    named = (wet & (1.0 - mean > _WET)).astype(np.float64)
    blank = np.full(len(named), np.nan)
    none = np.zeros((len(named), cells.memberships.shape[1]), np.bool_)
    return RemedyAmount(
        remedy,
        np.zeros(len(named)),
        named,
        blank,
        blank,
        np.zeros(len(named)),
        blank,
        np.zeros(len(named), np.bool_),
        none,
    )


def _by_farm_tables(cells: SampledCells, values: Doubles, goal: Doubles, texture: tuple[int, int] | None) -> Doubles:
    """Return the lime [t/ha] of farm tables for the first part of the rise, by mean texture, (parcels,)."""
    if texture is None:
        return np.full(len(cells.offsets) - 1, np.nan)
    sand, clay = (cells.means(cells.values[:, i]) for i in texture)
    codes = texture_class(sand, 100.0 - sand - clay, clay)
    factors = [LIME_FACTORS[TEXTURES[int(code) - 1]] if code == code else np.nan for code in codes]
    light = cells.means(lime_need_by_texture(values, np.minimum(goal, FARM_TABLE_ENDS), "sand"))
    lime: Doubles = light * np.array(factors) / LIME_FACTORS["sand"]
    return lime


def _mean(cells: SampledCells, figures: npt.ArrayLike) -> Doubles:
    """Return the mean of each parcel, 0 where nothing is known, (parcels,)."""
    means: Doubles = np.nan_to_num(cells.means(figures))
    return means
