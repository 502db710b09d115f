"""Water held, against the seasons of a file: how much land it carried, how long it fell short, what pond would do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.decision.water.account import Supply, pond_that_closes, pumped_by_month
from underoak.decision.water.plotting_positions import exceeded_in_one_of
from underoak.decision.water.seasons import complete, in_order, lacked, longest_run, season_days, season_months_by_year
from underoak.engine.storage.records.year_records import Dose, Event, EventLimit, WateredYear, WaterHeld
from underoak.places.series.values import SeriesOfParcels

if TYPE_CHECKING:
    from underoak.plan.keys.decision.water_supply import WaterSupplySpec
    from underoak.plan.plan import Plan
    from underoak.plan.profiles.practice import Irrigation

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """What a hectare of the parcels that share a source lacks, season by season."""

    years: tuple[int, ...]  # complete ones
    lacked: Doubles  # (years, months of the season) [mm]
    left_out: tuple[int, ...]


def demand_of(rain: SeriesOfParcels, limit: EventLimit, areas: Sequence[float]) -> Demand | None:
    """Return what an average hectare lacks; `areas` [ha] are those of the parcels, 0 for one that does not share.

    Parcels that no series covers are left out of the average. None where no season is complete in all series.
    """
    weights = np.zeros(len(rain.values))
    for area, series in zip(areas, rain.series_of.tolist(), strict=True):
        if series >= 0:
            weights[series] += area
    used = np.flatnonzero(weights > 0.0)
    if not len(used):
        return None
    seasons = [season_months_by_year(rain.values[i], limit.months) for i in used.tolist()]
    is_known = np.all([complete(season) for season in seasons], axis=0)
    if not is_known.any():
        return None
    total, share = np.zeros((int(is_known.sum()), len(limit.months))), float(weights[used].sum())
    for i, season in zip(used.tolist(), seasons, strict=True):
        total = total + lacked(season[is_known], limit.limit) * (weights[i] / share)
    years = np.arange(rain.first, rain.last + 1)
    last = -1 if limit.months[-1] < limit.months[0] else len(years)
    left_out = years[:last][~is_known[:last]]
    return Demand(tuple(years[is_known].tolist()), total, tuple(left_out.tolist()))


def water_held(
    name: str, spec: WaterSupplySpec, demand: Demand, limit: EventLimit, area_ha: float,
    irrigation: Irrigation | None = None,
) -> WaterHeld:  # fmt: skip
    """Return how much land a source carried in each season, of `area_ha` that there is to water."""
    days = season_days(limit.months)
    pumped = pumped_by_month(spec.rate_m3_h, spec.hours, days, limit.months, spec.months)
    supply = Supply(spec.right_m3, pumped, spec.pond_m3, spec.refill_m3, spec.pond_from == "right")
    most = min(area_ha, spec.right_ha)
    carried = [min(supply.hectares(season), most) for season in demand.lacked]
    seasons = tuple(
        WateredYear(year, float(short), ha)
        for year, short, ha in zip(demand.years, in_order(demand.lacked), carried, strict=True)
    )
    least = exceeded_in_one_of(5, [-ha for ha in carried])
    pond, right_short = (None, 0.0) if spec.right_ha < area_ha else pond_that_closes(supply, demand.lacked, area_ha)
    doses: tuple[Dose, ...] = ()
    if irrigation is not None and (range_mm := irrigation.season_doses(float(days.sum()))) is not None:
        intervals = (irrigation.longest_interval or 0.0, irrigation.best_interval or 0.0)
        doses = tuple(
            Dose(mm, min(supply.hectares(mm * days / days.sum()), spec.right_ha), each)
            for mm, each in zip(range_mm, intervals, strict=True)
        )
    return WaterHeld(
        name, spec.source, tuple(spec.parcels or ()), area_ha, limit.months, seasons, demand.left_out,
        longest_run(demand.years, [ha < area_ha for ha in carried]), None if least is None else -least,
        pond, spec.pond_from, right_short, spec.right_ha < area_ha, spec.rate is not None or spec.right is None,
        tuple(dose for dose in doses if math.isfinite(dose.ha)),
    )  # fmt: skip


def water_of(
    plan: Plan, rain: SeriesOfParcels | None, limits: Sequence[EventLimit], usable_ha: Mapping[str, float],
    ids: Sequence[str],
) -> tuple[WaterHeld, ...]:  # fmt: skip
    """Return every source of a plan held against its years; none on wild ground, or without rain and its limit.

    `usable_ha` is the usable land of the parcels that are judged, `ids` are those of all, in the order of `rain`.
    """
    limit = next((each for each in limits if each.event is Event.RAIN_ENOUGH), None)
    if plan.purpose == "restore" or rain is None or limit is None:
        return ()
    sources = []
    for name, spec in (plan.spec.water_supply or {}).items():
        sharing = set(ids if spec.parcels is None else spec.parcels)
        areas = [usable_ha.get(id, 0.0) if id in sharing else 0.0 for id in ids]
        demand = demand_of(rain, limit, areas)
        area_ha = spec.area_ha if spec.area_ha is not None else float(in_order(np.array([areas]))[0])
        if demand is not None and area_ha > 0.0:
            irrigation = plan.profile.practice.irrigation if plan.profile is not None else None
            sources.append(water_held(name, spec, demand, limit, area_ha, irrigation))
    return tuple(sources)
