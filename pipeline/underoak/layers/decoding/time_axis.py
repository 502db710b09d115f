"""The time axis of a monthly file: the calendar month of each step, and its length in the file's calendar."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems, count_of

_SECONDS = 86400.0
# A month of no particular year: the lengths of the Gregorian calendar's 400 years, on average.
_MEAN_DAYS = (31.0, 28.2425, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0)
MONTH_NAMES = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
_SINCE = re.compile(
    r"^\s*(months?|mons?|days?|d|hours?|hrs?|h|minutes?|mins?|seconds?|secs?|s)\s+since\s+(.+?)\s*$", re.I
)
_MAX_LISTED = 12


@dataclass(frozen=True, slots=True)
class TimeStep:
    """A step of the time axis."""

    year: int  # 0 for a month of no particular year
    month: int  # 1..12
    days: float
    year_days: float

    def times(self, per: str) -> float:
        """Return the factor from a rate per `per` (s, month, year) to the month's depth.

        >>> TimeStep(2001, 2, 28.0, 365.0).times("s"), TimeStep(2001, 2, 28.0, 365.0).times("month")
        (2419200.0, 1.0)
        """
        return {"s": self.days * _SECONDS, "year": self.days / self.year_days}.get(per, 1.0)

    def __str__(self) -> str:
        return f"{self.year:04d}-{self.month:02d}" if self.year else f"month {self.month}"


def mean_month(month: int) -> TimeStep:
    """Return a calendar month of no particular year, of average length."""
    return TimeStep(0, month, _MEAN_DAYS[month - 1], 365.2425)


def read_steps(
    values: npt.NDArray[Any],
    bounds: npt.NDArray[Any] | None,
    attributes: Mapping[str, Any],
    where: str,
    problems: Problems,
) -> tuple[TimeStep, ...]:
    """Return every step of a time axis; empty after a fault E225 (steps out of order, repeated or missing).

    Args:
        values: coordinates of the axis, (steps,).
        bounds: start and end of each step, (steps, 2), or None. The middle decides the month, since a time stamp may
            stand at either end.
        attributes: those of the axis (`units`, `calendar`).
        where: the layer as messages name it.
        problems: where the fault goes.
    """
    steps = _parse_steps(values, bounds, attributes)
    if not steps:
        what = f'time in "{attributes.get("units", "")}" cannot be read'
        problems.add("E225", what, where, 'give time as "days since 2001-01-01", with its calendar')
        return ()
    return steps if _check_order(steps, where, problems) else ()


def _parse_steps(
    values: npt.NDArray[Any], bounds: npt.NDArray[Any] | None, attributes: Mapping[str, Any]
) -> tuple[TimeStep, ...]:
    units = str(attributes.get("units", "")).strip()
    if not units or units.lower() in {"1", "month", "months"}:
        months = np.asarray(values, np.float64)
        if not months.size or np.any(months != np.round(months)) or months.min() < 1 or months.max() > 12:
            return ()
        return tuple(mean_month(int(month)) for month in months)
    match = _SINCE.match(units)
    if not match:
        return ()
    positions = np.asarray(values, np.float64)
    if bounds is not None and bounds.shape == (positions.size, 2):
        positions = np.asarray(bounds, np.float64).mean(axis=1)
    calendar = str(attributes.get("calendar", "standard")).lower()
    if not np.isfinite(positions).all():
        return ()
    return _dated_steps(positions, match[1].lower(), units, match[2], calendar)


def _dated_steps(
    values: npt.NDArray[np.float64], time_unit: str, units: str, origin: str, calendar: str
) -> tuple[TimeStep, ...]:
    import cftime

    try:
        if time_unit.startswith("mon") and calendar != "360_day":
            start = cftime.num2date(0, f"days since {origin}", calendar, only_use_cftime_datetimes=True)
            month_numbers = [start.year * 12 + start.month - 1 + int(np.floor(v)) for v in values]
            dates = [cftime.datetime(n // 12, n % 12 + 1, 1, calendar=calendar) for n in month_numbers]
        else:
            dates = cftime.num2date(values, units, calendar, only_use_cftime_datetimes=True)
    except (ValueError, OverflowError, TypeError):
        return ()
    return tuple(TimeStep(d.year, d.month, float(d.daysinmonth), _year_days(d)) for d in np.atleast_1d(dates))


def _year_days(date: Any) -> float:
    last = date.replace(month=12, day=1)
    return float(last.dayofyr + last.daysinmonth - 1)


def _check_order(steps: Sequence[TimeStep], where: str, problems: Problems) -> bool:
    months = [step.year * 12 + step.month - 1 for step in steps]
    step_of_month = dict(zip(months, steps, strict=True))
    repeated = [m for m, n in Counter(months).items() if n > 1]
    if repeated:
        come = count_of(len(repeated), "month comes", "months come")
        what = f"{come} more than once: {_list_names(str(step_of_month[m]) for m in repeated)}"
        fix = "give one step for each month; make monthly means or sums of finer steps first"
        problems.add("E225", what, where, fix)
        return False
    if months != sorted(months):
        backward = [str(steps[i]) for i in range(1, len(months)) if months[i] < months[i - 1]]
        problems.add("E225", f"time runs backwards at {_list_names(backward)}", where, "sort the file along time")
        return False
    missing = sorted(set(range(months[0], months[-1] + 1)) - set(months))
    if missing:
        names = (str(TimeStep(m // 12, m % 12 + 1, 0.0, 0.0)) for m in missing)
        problems.add("E225", f"months are missing: {_list_names(names)}", where, "give every month from first to last")
        return False
    return True


def _list_names(names: Iterable[str]) -> str:
    listed = list(names)
    more = f" and {len(listed) - _MAX_LISTED} more" if len(listed) > _MAX_LISTED else ""
    return ", ".join(listed[:_MAX_LISTED]) + more
