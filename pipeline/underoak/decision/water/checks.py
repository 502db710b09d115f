"""Checks of `years` and `water_supply` against the parcels and the species."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from underoak.base.errors import Problems, count_of, did_you_mean
from underoak.decision.water.single_years import event_limits
from underoak.engine.storage.records.year_records import Event
from underoak.places.series.values import YearsOfParcels

if TYPE_CHECKING:
    from underoak.plan.plan import Plan

_NEEDS = {Event.RAIN_ENOUGH: "rain", Event.WET_AUTUMN: "rain", Event.FROST: "minimum"}


def check_water_supply(plan: Plan, ids: Sequence[str], problems: Problems) -> None:
    """Refuse sources of water for parcels that the plan does not have (E453); warn where no years stand beside them.

    W453: without a series of rain, or a limit of rain for the species, no source can be held against dry years.
    """
    if plan.purpose == "restore":  # wild ground is not watered, and a plan may change its purpose
        return
    sources, known = plan.spec.water_supply or {}, set(ids)
    for name, spec in sources.items():
        for id in spec.parcels or ():
            if id not in known:
                fix = did_you_mean(id, ids, "write it as the shapes of the plan's `parcels` name it")
                problems.add("E453", f'there is no parcel "{id}" in the plan\'s file', f"water_supply.{name}", fix)
    if not sources:
        return
    if plan.spec.years is None or plan.spec.years.rain is None:
        what = "is held against no dry year, because `years` gives no rain"
        problems.add("W453", what, "water_supply", "add `years` with a series of rain")
    elif not any(limit.event is Event.RAIN_ENOUGH for each in plan.cases for limit in event_limits(each, False)):
        what = "is held against no dry year: no source says how much rain of one year is enough for the species"
        problems.add("W453", what, "water_supply", "ask growers near you what they give in a dry summer")


def check_years(plan: Plan, years: YearsOfParcels, ids: Sequence[str], problems: Problems) -> None:
    """Warn of series that no limit of the species uses (W454), and of parcels that no series covers (W455)."""
    events = {limit.event for each in plan.cases for limit in event_limits(each, False)}
    used = {_NEEDS[event] for event in events} | {"evapotranspiration", "temperature"}
    idle = [name for name in years.series if name not in used]
    if idle:
        counts = "counts" if len(idle) == 1 else "count"
        what = f"{' and '.join(idle)} {counts} nothing: no limit for single years is known for the species"
        problems.add("W454", what, "years", "remove it, or choose a species whose profile has `single_years`")
    for name, series in years.series.items():
        missing = [id for id, i in zip(ids, series.series_of.tolist(), strict=True) if i < 0]
        if missing:
            some = ", ".join(missing[:5]) + (", ..." if len(missing) > 5 else "")
            what = f"no series for {count_of(len(missing), 'parcel')} ({some}): nothing is counted there"
            problems.add("W455", what, f"years.{name}", "give rows or cells for them")
