"""The section of the report on single years and water held."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from underoak.base.number_words import NO_VALUE, figure
from underoak.engine.storage.records.year_records import Event, YearsAtPlace, YearsRecord
from underoak.places.answers.needs import WaterNeed
from underoak.report.text.decision.water_words import WATER_HELD, WATER_LIMITS, held_lines
from underoak.report.text.decision.years_words import PAST, YEARS, dry_words, limit_sources, place_lines, source_words
from underoak.report.text.findings import Findings

_MOST_ROWS = 500
_HEADS = {
    Event.RAIN_ENOUGH: "years in which rain was enough",
    Event.FROST: "winters with hard frost",
    Event.WET_AUTUMN: "years with a wet autumn",
}


@dataclass(frozen=True, slots=True)
class YearsSection:
    """The section, in words; `rows` only where the parcels do not all have the same years."""

    title: str
    intro: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]
    sources: tuple[str, ...]
    water: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]


def years_section(findings: Findings) -> YearsSection | None:
    """Return the section; None without `years`, and in a scenario."""
    record = findings.years
    if record is None:
        return None
    is_one = len(record.places) == 1 and not record.no_series
    lines = place_lines(record, record.places[0]) if is_one else []
    rows = [] if is_one else [(str(id), *_cells(record, record.of(str(id)))) for id in findings.ranked["id"]]
    events = [limit.event for limit in record.limits]
    head = ("parcel", *(_HEADS[event] for event in events), "lacked, mean [mm]", "driest of five", "driest of ten")
    water = [held_lines(source) for source in findings.water_held]
    return YearsSection(
        YEARS, source_words(record), head, tuple(rows[:_MOST_ROWS]), tuple(lines), tuple(limit_sources(record)),
        tuple((f"{WATER_HELD}: {first}", *rest) for first, *rest in water), (PAST, *((WATER_LIMITS,) if water else ())),
    )  # fmt: skip


def _cells(record: YearsRecord, place: YearsAtPlace | None) -> list[str]:
    counts = {count.event: count for count in (place.events if place is not None else ())}
    cells = []
    for limit in record.limits:
        count = counts.get(limit.event)
        cells.append(NO_VALUE if count is None else f"{len(count.years)} of {count.counted}")
    dry = None if place is None else place.dry
    figures = (None, None, None) if dry is None else (dry.mean, dry.one_in_5, dry.one_in_10)
    return [*cells, *(NO_VALUE if value is None else figure(value) for value in figures)]


def in_single_years(findings: Findings, row: Mapping[str, Any]) -> list[str]:
    """Return what rain lacked in single years, beside the water of the mean year; nothing where none is needed."""
    if findings.years is None or not any(isinstance(need, WaterNeed) for need in row["remedies"] or ()):
        return []
    place = findings.years.of(str(row["id"]))
    lines = [] if place is None or place.dry is None else [f"water in single years: {dry_words(place.dry)}"]
    chance = row.get("p_water_held")
    return lines + ([f"with the water held, P {float(chance):.2f}"] if chance is not None and chance >= 0.0 else [])
