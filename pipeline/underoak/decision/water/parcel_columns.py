"""The columns of parcels on single years and on water held."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from underoak.engine.storage.records.year_records import Event, WaterHeld, YearsAtPlace, YearsRecord
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS

if TYPE_CHECKING:
    import pandas as pd

_COUNTS = {
    Event.RAIN_ENOUGH: "years_rain_enough",
    Event.FROST: "years_frost",
    Event.WET_AUTUMN: "years_wet_autumn",
}
_LACKED = {"water_years_mm": "mean", "water_dry_5_mm": "one_in_5", "water_dry_10_mm": "one_in_10"}


def with_years(table: pd.DataFrame, record: YearsRecord, water: Sequence[WaterHeld]) -> pd.DataFrame:
    """Return the table of parcels with the columns on single years; with several sources, those of the best one."""
    import pandas as pd

    places = [record.of(id) for id in table["id"]]
    columns: dict[str, Any] = {"years": _whole([_years(place) for place in places])}
    for event, name in _COUNTS.items():
        if any(limit.event is event for limit in record.limits):
            columns[name] = _whole([_count(place, event) for place in places])
    if any(place is not None and place.dry is not None for place in places):
        dry = [None if place is None else place.dry for place in places]
        for name, part in _LACKED.items():
            columns[name] = pd.Series([None if each is None else getattr(each, part) for each in dry], dtype="float64")
    if water:
        best = [best_source(water, id) for id in table["id"]]
        columns["water_held_ha"] = pd.Series(
            [None if each is None else each.in_4_of_5_ha for each in best], dtype="float64"
        )
        columns["water_held_full"] = _whole([None if each is None else each.full for each in best])
    return arrange(table.assign(**{name: list(values) for name, values in columns.items()}), PARCELS)


def with_chance_held(table: pd.DataFrame, water: Sequence[WaterHeld]) -> pd.DataFrame:
    """Return the table with `p_water_held`: P after water where the water held is enough. The verdict stays."""
    if not water or "p_with_water" not in table:
        return table
    chances = [
        float(chance) if (best := best_source(water, id)) is not None and best.is_enough else float("nan")
        for id, chance in zip(table["id"], table["p_with_water"], strict=True)
    ]
    return arrange(table.assign(p_water_held=chances), PARCELS)


def best_source(water: Sequence[WaterHeld], parcel: str) -> WaterHeld | None:
    """Return the source that waters all of its land most often, of those that a parcel shares; the first of equals."""
    mine = [each for each in water if not each.parcels or parcel in each.parcels]
    return max(mine, key=lambda each: each.full, default=None)


def _years(place: YearsAtPlace | None) -> int | None:
    if place is None:
        return None
    counts = [count.counted for count in place.events if count.event is not Event.FROST] or [
        count.counted for count in place.events
    ]
    return counts[0] if counts else None


def _count(place: YearsAtPlace | None, event: Event) -> int | None:
    if place is None:
        return None
    return next((len(count.years) for count in place.events if count.event is event), None)


def _whole(values: Sequence[int | None]) -> Any:
    import pandas as pd

    return pd.array(list(values), dtype="Int64")
