"""Water held against dry years, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from underoak.base.errors import count_of
from underoak.base.number_words import figure, hectares
from underoak.engine.storage.records.year_records import WaterHeld
from underoak.plan.profiles.season import month_names
from underoak.report.text.decision.years_words import season_name

WATER_HELD = "Water held"
WATER_LIMITS = (
    "What rain lacks is the least that the trees want. The account knows months and not weeks; it knows no loss in "
    "pipes, no water for young plants and no failing well, and it allots nothing among parcels. A pond counts as full "
    "when the season begins. The water authority decides what the right allows: ask before you rely on it."
)
_MOST_NAMED = 8  # parcels named in one line
_SUMMERS = ((6, 7, 8), (12, 1, 2))


def held_lines(water: WaterHeld) -> list[str]:
    """Return the sentences on one source of water."""
    season = _season(water)
    land, count = hectares(water.area_ha), len(water.seasons)
    crosses = water.months[0] > water.months[-1]
    span = "–".join(season_name(water.seasons[at].year, crosses) for at in (0, -1))
    more = f" and {len(water.parcels) - _MOST_NAMED} more" if len(water.parcels) > _MOST_NAMED else ""
    shared = f"parcels {', '.join(water.parcels[:_MOST_NAMED])}{more}" if water.parcels else "all parcels"
    if len(water.parcels) == 1:
        shared = f"parcel {water.parcels[0]}"
    together = "" if len(water.parcels) == 1 else " together"
    lines = [f"{water.name} ({water.source}), for {land} of {shared}{together}."]
    line = f"It watered all {land} in {water.full} of {count} {season}s of the file ({span})"
    if water.in_4_of_5_ha is not None and water.full < count:
        line += f", and {_carried(water.in_4_of_5_ha)} in all in four of five"
    lines.append(f"{line}.")
    if water.in_4_of_5_ha is None:
        lines.append(
            f"How much it waters in four {season}s of five is not given: that takes ten, and there are {count}."
        )
    if water.longest_short:
        run = count_of(water.longest_short, season)
        lines.append(f"Longest run in which it fell short: {run}. {_pond(water, season)}")
    if water.doses:
        least, most = water.doses
        amounts = f"{figure(least.mm)} to {figure(most.mm)} mm, {month_names(water.months)}"
        lines.append(
            f"Growers give more than rain lacks: {amounts} (a dose every {least.days:g} to every {most.days:g} days). "
            f"At that it carries {_carried(least.ha)} to {_carried(most.ha)}."
        )
    if not water.is_rate_known:
        lines.append("No rate of the pump is given: the account supposes that it is enough, which is not known.")
    if water.left_out:
        lines.append(f"Left out as incomplete: {', '.join(map(str, water.left_out))}.")
    return lines


def chance_held(row: Mapping[str, Any], water: WaterHeld) -> str:
    """Return P with the water held beside the verdict's, or why there is none; "" where nothing was drawn."""
    now, watered = row.get("p_s2"), row.get("p_with_water")
    if now is None or watered is None or not (now >= 0.0 and watered >= 0.0):
        return ""
    if not water.is_enough:
        return (
            "With the water held: no P is given, because the water did not carry all of the land in four "
            f"{_season(water)}s of five. The verdict is that of unwatered ground."
        )
    return (
        f"With the water held: P(S2 or better) {float(watered):.2f}, unwatered {float(now):.2f}. The verdict is that "
        "of unwatered ground: years to come may be drier, and a right can end."
    )


def _season(water: WaterHeld) -> str:
    return "summer" if water.months in _SUMMERS else "season"


def _carried(ha: float) -> str:
    return "0 ha" if ha == 0.0 else hectares(ha)


def _pond(water: WaterHeld, season: str) -> str:
    if water.is_area_limited:
        return "The right is registered for less land than there is to water, and no pond changes that."
    fills = "under the right" if water.pond_from == "right" else "with other water"
    if water.pond_m3 is not None:
        size = figure(water.pond_m3)
        return f"A pond of {size} m3 in all, filled {fills} before each {season}, would have closed the gap."
    return (
        f"No pond filled {fills} closes the gap: the right itself lacks {figure(water.right_short_m3)} m3 in the worst "
        f"{season}."
    )
