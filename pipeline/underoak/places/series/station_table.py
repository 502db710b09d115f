"""Tables of single years: year, month and a value, with a day or a parcel where there is one."""

from __future__ import annotations

import calendar
import csv
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from underoak.base import units
from underoak.base.errors import Problems, did_you_mean
from underoak.places.series.values import SeriesOfParcels
from underoak.places.tables.fields import TableFields
from underoak.places.tables.text_table import TableColumns, read_rows, read_text
from underoak.plan.keys.decision.years import SERIES_UNITS, SeriesSpec
from underoak.plan.keys.quantities import is_rate_of_water

# Values that can be true, in mm a month and degC; common practice, no source.
POSSIBLE = {
    "rain": (0.0, 5000.0), "evapotranspiration": (0.0, 500.0), "temperature": (-60.0, 50.0), "minimum": (-90.0, 45.0),
}  # fmt: skip


def read_station(
    quantity: str, spec: SeriesSpec, base: Path, ids: Sequence[str], id_field: str, problems: Problems
) -> SeriesOfParcels | None:
    """Return a quantity from a CSV file; None when a fault was added to `problems`.

    Columns: `year`, `month`, the value's (`spec.name`, else the quantity's name), and if wanted `day`, for minima, and
    `parcel` (or the plan's name for it). Other columns are not looked at. An empty field is a missing value.

    Faults: E410 to E413 as for any table, E450 a month or day that is there twice, or a file without a value.
    """
    where = f"years.{quantity} ({spec.file})"
    text = read_text(base / spec.file, f"years.{quantity}.file", where, problems)
    if text is None:
        return None
    n_before, name = len(problems.faults), (spec.name or quantity).strip().lower()
    head = _head(text, id_field)
    if {"year", "month"} <= set(head) and name not in head and not did_you_mean(name, head):
        problems.add("E411", f'there is no column "{name}"', where, f"write as `name` one of: {', '.join(head)}")
        return None
    columns = TableColumns(f"years.{quantity}.file", ("year", "month", name), _others(head, name), (name,))
    rows = read_rows(text, columns, id_field, where, problems)
    if quantity != "minimum" and any("day" in row for _, row in rows):
        fix = f"sum {name} by month" if SERIES_UNITS[quantity] == "mm" else f"take the mean of {name} by month"
        problems.add("E411", "has days, and this quantity is read by month", where, fix)
        return None
    reader = _Reader(quantity, spec, name, set(ids), TableFields(where, problems))
    for line, row in rows:
        reader.read(line, row)
    if len(problems.faults) > n_before:
        return None
    if not reader.values:
        problems.add("E450", "holds no value", where, f"give year, month and {name} in each row")
        return None
    return _arranged(reader.values, ids)


def _head(text: str, id_field: str) -> list[str]:
    """Return the columns that the first line names."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    row = next(csv.reader([first], delimiter=";" if first.count(";") > first.count(",") else ","), [])
    return ["parcel" if cell.strip() == id_field else cell.strip().lower() for cell in row]


def _others(head: Sequence[str], name: str) -> tuple[str, ...]:
    """Return the columns of a table beside the needed ones: those of a downloaded series are no slips."""
    needed = ("year", "month", name)
    others = [cell for cell in dict.fromkeys(head) if cell and cell not in needed]
    if set(needed) <= set(head):
        return tuple(others)
    return tuple(cell for cell in others if cell in ("day", "parcel") or not did_you_mean(cell, needed))


_PARTS = (("year", 1000, 3000), ("month", 1, 12))


class _Reader:
    """Rows into values by parcel ("" for every one), year, month and day (0 for a month)."""

    def __init__(self, quantity: str, spec: SeriesSpec, name: str, ids: set[str], fields: TableFields) -> None:
        self.quantity, self.name, self.ids, self.fields = quantity, name, ids, fields
        self.is_rate = SERIES_UNITS[quantity] == "mm" and is_rate_of_water(spec.unit)
        to = "mm/day" if self.is_rate else SERIES_UNITS[quantity]
        self.convert: Callable[[float], float] = units.conversion(spec.unit, to)
        self.values: dict[tuple[str, int, int, int], float] = {}
        self.lines: dict[tuple[str, int, int, int], int] = {}

    def read(self, line: int, row: Mapping[str, str]) -> None:
        year, month = (self._whole(line, name, row[name], low, high) for name, low, high in _PARTS)
        day = 0
        if "day" in row and year is not None and month is not None:
            most = calendar.monthrange(year, month)[1]
            day = self._whole(line, "day", row["day"], 1, most) or 0
        parcel = row.get("parcel", "")
        if "parcel" in row:
            what = f'there is no parcel "{parcel}" in the plan\'s file'
            fix = did_you_mean(parcel, self.ids, "write it as the shapes of the plan's `parcels` name it")
            self.fields.check(parcel in self.ids, line, what, fix, "E413")
        text = row[self.name]
        if year is None or month is None:
            return
        key = (parcel, year, month, day)
        first = self.lines.setdefault(key, line)
        if not self.fields.check(first == line, line, f"repeats line {first}", "keep one of the two", "E450"):
            return
        number = self.fields.number(line, self.name, text) if text else None
        if number is not None:
            value = self.convert(number) * (calendar.monthrange(year, month)[1] if self.is_rate else 1)
            low, high = POSSIBLE[self.quantity]
            what = f"{self.name} {text} cannot be: it would be {value:g} {SERIES_UNITS[self.quantity]}"
            if self.fields.check(low <= value <= high, line, what, "correct the unit; leave missing values empty"):
                self.values[key] = value

    def _whole(self, line: int, name: str, text: str, low: int, high: int) -> int | None:
        fine = bool(re.fullmatch(r"\d{1,4}(\.0*)?", text)) and low <= float(text) <= high
        what = f'{name} "{text}" is none'
        return int(float(text)) if self.fields.check(fine, line, what, f"write a number from {low} to {high}") else None


def _arranged(values: Mapping[tuple[str, int, int, int], float], ids: Sequence[str]) -> SeriesOfParcels:
    years = [year for _, year, _, _ in values]
    first, last = min(years), max(years)
    names = sorted({parcel for parcel, _, _, _ in values})
    place = {name: i for i, name in enumerate(names)}
    is_daily = any(day for _, _, _, day in values)
    out = np.full((len(names), last - first + 1, 12, *((31,) if is_daily else ())), np.nan)
    for (parcel, year, month, day), value in values.items():
        at: tuple[int, ...] = (place[parcel], year - first, month - 1)
        out[(*at, day - 1) if is_daily else at] = value
    series_of = np.array([place.get(id, place.get("", -1)) for id in ids], np.int64)
    return SeriesOfParcels(first, out, series_of)
