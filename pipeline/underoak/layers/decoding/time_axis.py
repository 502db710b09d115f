"""The time axis of a monthly file: which calendar month each step is, and how long it truly lasts."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems, count_of

_SECONDS = 86400.0
# A month of no particular year: the lengths of the Gregorian calendar's 400 years, on average.
_MEAN_DAYS = (31.0, 28.2425, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0)
_SINCE = re.compile(
    r"^\s*(months?|mons?|days?|d|hours?|hrs?|h|minutes?|mins?|seconds?|secs?|s)\s+since\s+(.+?)\s*$", re.I
)
_MOST_NAMED = 12


@dataclass(frozen=True, slots=True)
class TimeStep:
    """One step of the time axis."""

    year: int  # 0 for a month of no particular year
    month: int  # 1..12
    days: float
    year_days: float

    def times(self, per: str) -> float:
        """What a rate for such a span is multiplied by to give the month's depth.

        >>> TimeStep(2001, 2, 28.0, 365.0).times("s"), TimeStep(2001, 2, 28.0, 365.0).times("month")
        (2419200.0, 1.0)
        """
        return {"s": self.days * _SECONDS, "year": self.days / self.year_days}.get(per, 1.0)

    def __str__(self) -> str:
        return f"{self.year:04d}-{self.month:02d}" if self.year else f"month {self.month}"


def mean_month(month: int) -> TimeStep:
    """A calendar month of no particular year."""
    return TimeStep(0, month, _MEAN_DAYS[month - 1], 365.2425)


def read_steps(
    values: npt.NDArray[Any], bounds: npt.NDArray[Any] | None, about: Mapping[str, Any], where: str, problems: Problems
) -> tuple[TimeStep, ...]:
    """Every step of a time axis; empty after a fault E225 (steps out of order, twice, or left out).

    `about` is the axis' own attributes (`units`, `calendar`). `bounds` (steps, 2), when given, say which span a step
    is for; its middle decides the month, since a time stamp may stand at either end.
    """
    steps = _steps(values, bounds, about)
    if not steps:
        what = f'time in "{about.get("units", "")}" cannot be read'
        problems.add("E225", what, where, 'give time as "days since 2001-01-01", with its calendar')
        return ()
    return steps if _in_order(steps, where, problems) else ()


def _steps(values: npt.NDArray[Any], bounds: npt.NDArray[Any] | None, about: Mapping[str, Any]) -> tuple[TimeStep, ...]:
    units = str(about.get("units", "")).strip()
    if not units or units.lower() in {"1", "month", "months"}:
        whole = np.asarray(values, np.float64)
        if not whole.size or np.any(whole != np.round(whole)) or whole.min() < 1 or whole.max() > 12:
            return ()
        return tuple(mean_month(int(month)) for month in whole)
    match = _SINCE.match(units)
    if not match:
        return ()
    middle = np.asarray(values, np.float64)
    if bounds is not None and bounds.shape == (middle.size, 2):
        middle = np.asarray(bounds, np.float64).mean(axis=1)
    calendar = str(about.get("calendar", "standard")).lower()
    if not np.isfinite(middle).all():
        return ()
    return _dated(middle, match[1].lower(), units, match[2], calendar)


def _dated(values: npt.NDArray[np.float64], word: str, units: str, origin: str, calendar: str) -> tuple[TimeStep, ...]:
    import cftime

    try:
        if word.startswith("mon") and calendar != "360_day":
            start = cftime.num2date(0, f"days since {origin}", calendar, only_use_cftime_datetimes=True)
            counted = [start.year * 12 + start.month - 1 + int(np.floor(v)) for v in values]
            dates = [cftime.datetime(n // 12, n % 12 + 1, 1, calendar=calendar) for n in counted]
        else:
            dates = cftime.num2date(values, units, calendar, only_use_cftime_datetimes=True)
    except (ValueError, OverflowError, TypeError):
        return ()
    return tuple(TimeStep(d.year, d.month, float(d.daysinmonth), _year_days(d)) for d in np.atleast_1d(dates))


def _year_days(date: Any) -> float:
    last = date.replace(month=12, day=1)
    return float(last.dayofyr + last.daysinmonth - 1)


def _in_order(steps: Sequence[TimeStep], where: str, problems: Problems) -> bool:
    months = [step.year * 12 + step.month - 1 for step in steps]
    named = dict(zip(months, steps, strict=True))
    twice = [m for m, n in Counter(months).items() if n > 1]
    if twice:
        come = count_of(len(twice), "month comes", "months come")
        what = f"{come} more than once in the file: {_list(str(named[m]) for m in twice)}"
        fix = "give one step for each month; make monthly means or sums of finer steps first"
        problems.add("E225", what, where, fix)
        return False
    if months != sorted(months):
        back = [str(steps[i]) for i in range(1, len(months)) if months[i] < months[i - 1]]
        problems.add("E225", f"time runs backwards at {_list(back)}", where, "sort the file along time")
        return False
    gone = sorted(set(range(months[0], months[-1] + 1)) - set(months))
    if gone:
        names = (str(TimeStep(m // 12, m % 12 + 1, 0.0, 0.0)) for m in gone)
        problems.add("E225", f"months are left out: {_list(names)}", where, "give every month from first to last")
        return False
    return True


def _list(names: Any) -> str:
    held = list(names)
    return ", ".join(held[:_MOST_NAMED]) + (f" and {len(held) - _MOST_NAMED} more" if len(held) > _MOST_NAMED else "")
