"""What single years brought to each parcel: rain that was enough, frost, wet autumns, and what a dry year lacked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.crs import transformer
from underoak.decision.water.plotting_positions import exceeded_in_one_of
from underoak.decision.water.seasons import (
    complete,
    in_order,
    lacked,
    longest_cold_run,
    month_length,
    season_months_by_year,
)
from underoak.engine.storage.records.year_records import (
    BalanceYears,
    DryYears,
    Event,
    EventCount,
    EventLimit,
    NoDryYear,
    YearsAtPlace,
    YearsRecord,
)
from underoak.indicators.climate.evapotranspiration import thornthwaite_months
from underoak.indicators.climate.water_balance import MAY_TO_AUGUST
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.series.values import YearsOfParcels
from underoak.plan.profiles.season import opposite_season_month

if TYPE_CHECKING:
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]


def event_limits(plan: Plan, is_south: bool) -> tuple[EventLimit, ...]:
    """Return the limits of the plan's species for one year; none without a profile, or where it has none."""
    limits = plan.profile.single_years if plan.profile is not None else None
    if limits is None:
        return ()
    by_event = []
    for event, rain in ((Event.RAIN_ENOUGH, limits.rain_enough), (Event.WET_AUTUMN, limits.wet_autumn)):
        if rain is not None:
            by_event.append(EventLimit(event, rain.calendar_months(is_south), rain.mm, rain.source, rain.grade))
    frost = limits.frost
    if frost is not None:
        months = frost.calendar_months(is_south)
        limit = EventLimit(Event.FROST, months, frost.degrees, frost.source, frost.grade, frost.nights)
        by_event.insert(1, limit)
    return tuple(by_event)


def years_record(plan: Plan, years: YearsOfParcels, parcels: Parcels, region_latitude: float) -> YearsRecord:
    """Return what the years brought to each parcel; parcels with the same series share an entry.

    `region_latitude` [degree] decides the half of the year, and stands for a parcel without a shape.
    """
    assert plan.spec.years is not None
    is_south = region_latitude < 0.0
    limits = event_limits(plan, is_south)
    keys = list(zip(*(series.series_of.tolist() for series in years.series.values()), strict=True))
    places: dict[tuple[int, ...], int] = {}
    places_by_series, place_of, without = [], {}, []
    for id, shape, key in zip(parcels.ids, parcels.shapes, keys, strict=True):
        if max(key) < 0:
            without.append(id)
            continue
        if key not in places:
            places[key] = len(places)
            series = {name: each.values[i] for (name, each), i in zip(years.series.items(), key, strict=True) if i >= 0}
            latitude = region_latitude if shape is None else _latitude(shape, parcels.crs)
            places_by_series.append(_at_place(series, years, limits, latitude, is_south, plan.purpose == "restore"))
        place_of[id] = places[key]
    grains = dict.fromkeys(each.grain for each in years.series.values() if each.grain)
    return YearsRecord(
        plan.spec.years.source, limits, tuple(places_by_series), place_of if len(places) > 1 else {}, tuple(without),
        "; ".join(grains),
    )  # fmt: skip


def _latitude(shape: Any, crs: str) -> float:
    middle = shape.centroid
    _, latitude = transformer(crs, "EPSG:4326").transform(middle.x, middle.y)
    return float(latitude)


def _at_place(
    series: dict[str, Doubles], years: YearsOfParcels, limits: Sequence[EventLimit], latitude: float, is_south: bool,
    is_wild: bool,
) -> YearsAtPlace:  # fmt: skip
    events, dry = [], None
    for limit in limits:
        if limit.event is Event.FROST:
            if "minimum" in series:
                events.append(_frosts(series["minimum"], limit, years))
        elif "rain" in series:
            season = season_months_by_year(series["rain"], limit.months)
            events.append(_rains(season, limit, years))
            if limit.event is Event.RAIN_ENOUGH and not is_wild:
                dry = dry_years(series["rain"], limit, years.first, years.last)
    return YearsAtPlace(tuple(events), dry, _balance(series, latitude, is_south))


def _rains(season: Doubles, limit: EventLimit, years: YearsOfParcels) -> EventCount:
    is_known, total = complete(season), in_order(season)
    return _counted(limit.event, is_known, total >= limit.limit, years, crossing=_crosses(limit.months))


def _frosts(minimum: Doubles, limit: EventLimit, years: YearsOfParcels) -> EventCount:
    """Count seasons with enough nights of frost in a row; by monthly minima, those with one such night at least."""
    is_by_month = minimum.ndim == 2
    if is_by_month:
        season = season_months_by_year(minimum, limit.months)
        struck, is_known = (
            np.nanmin(np.where(np.isnan(season), np.inf, season), axis=1) <= limit.limit,
            complete(season),
        )
    else:
        by_season = [season_nights(minimum, year, limit.months, years.first) for year in range(len(minimum))]
        is_known = np.array([nights is not None for nights in by_season])
        struck = np.array(
            [nights is not None and longest_cold_run(nights, limit.limit) >= limit.nights for nights in by_season]
        )
    return _counted(limit.event, is_known, struck, years, is_by_month, _crosses(limit.months))


def season_nights(minimum: Doubles, year: int, months: Sequence[int], first: int) -> Doubles | None:
    """Return the nights of a season, in order; None where one is missing. `minimum` (years, 12, 31), `year` a place."""
    parts = []
    for k in range(len(months)):
        at = year * 12 + months[0] - 1 + k
        if at >= len(minimum) * 12:
            return None
        days = month_length(first + at // 12, at % 12 + 1)
        parts.append(minimum[at // 12, at % 12, :days])
    nights = np.concatenate(parts)
    return None if np.isnan(nights).any() else nights


def _crosses(months: Sequence[int]) -> bool:
    return months[-1] < months[0]


def _counted(
    event: Event, is_known: npt.NDArray[np.bool_], holds: npt.NDArray[np.bool_], years: YearsOfParcels,
    is_by_month: bool = False, crossing: bool = False,
) -> EventCount:  # fmt: skip
    names = np.arange(years.first, years.last + 1)
    if crossing:  # the season that begins in the last year ends after it: it is no gap
        names, is_known, holds = names[:-1], is_known[:-1], holds[:-1]
    came = tuple(names[is_known & holds].tolist())
    return EventCount(
        event, came, int(is_known.sum()), tuple(names[~is_known].tolist()), years.first, years.last, is_by_month
    )


def dry_years(rain: Doubles, limit: EventLimit, first: int, last: int) -> DryYears | None:
    """Return what rain lacked in single years [mm]; None where no season is complete. `rain` (years, 12) [mm]."""
    season = season_months_by_year(rain, limit.months)
    season = season[:-1] if _crosses(limit.months) else season  # the last ends after the file: it is no gap
    is_known = complete(season)
    count = int(is_known.sum())
    if not count:
        return None
    needs = in_order(lacked(season[is_known], limit.limit))
    mean = float(in_order(needs[None, :])[0]) / count
    left_out = tuple((np.flatnonzero(~is_known) + first).tolist())
    five, ten = exceeded_in_one_of(5, needs), exceeded_in_one_of(10, needs)
    why = NoDryYear.TEN_YEARS if five is None else NoDryYear.TWENTY_YEARS if ten is None else None
    rain_mean = float(in_order(in_order(season[is_known])[None, :])[0]) / count
    return DryYears(mean, five, ten, count, first, last, left_out, why, rain_mean)


def _balance(series: dict[str, Doubles], latitude: float, is_south: bool) -> BalanceYears | None:
    """Return rain less evapotranspiration of the warm season, by the plan's figures or after Thornthwaite."""
    rain = series.get("rain")
    thirst, is_thornthwaite = series.get("evapotranspiration"), False
    if thirst is None and "temperature" in series:
        months, is_thornthwaite = series["temperature"], True
        thirst = thornthwaite_months(months.T[:, :, None].astype(np.float32), latitude)[:, :, 0].T.astype(np.float64)
    if rain is None or thirst is None:
        return None
    season = tuple(opposite_season_month(month) if is_south else month for month in MAY_TO_AUGUST)
    parts = season_months_by_year(rain, season) - season_months_by_year(thirst, season)
    balances = in_order(parts[complete(parts)])
    if not len(balances):
        return None
    driest = exceeded_in_one_of(5, -balances)
    mean = float(in_order(balances[None, :])[0]) / len(balances)
    return BalanceYears(mean, None if driest is None else -driest, len(balances), is_thornthwaite)
