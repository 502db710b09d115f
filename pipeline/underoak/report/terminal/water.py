"""Single years and water held, as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from underoak.engine.storage.records.year_records import WaterHeld, YearsRecord
from underoak.report.text.decision.water_words import WATER_HELD, WATER_LIMITS, chance_held, held_lines
from underoak.report.text.decision.years_words import PAST, YEARS, limit_sources, place_lines, source_words
from underoak.report.text.lines import wrapped


def years_lines(record: YearsRecord | None, water: Sequence[WaterHeld], row: Mapping[str, Any]) -> list[str]:
    """Return what single years brought to a parcel, and the water that it shares; nothing without `years`."""
    if record is None:
        return []
    lines, parcel = ["", f"{YEARS}.", *wrapped(source_words(record))], str(row["id"])
    for line in place_lines(record, record.of(parcel)):
        lines += wrapped(f"- {line}", "  ")
    lines += wrapped(PAST)
    for line in limit_sources(record):
        lines += wrapped(f"  {line}", "    ")
    mine = [source for source in water if not source.parcels or parcel in source.parcels]
    for source in mine:
        first, *rest = held_lines(source)
        lines += ["", *wrapped(f"{WATER_HELD}: {first}")]
        for line in (*rest, chance_held(row, source)):
            lines += wrapped(f"- {line}", "  ") if line else []
    return lines + (wrapped(WATER_LIMITS) if mine else [])
