"""Seasons of single years: sums over months in a row, nights of frost, and what rain lacked."""

from __future__ import annotations

import calendar
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Years = npt.NDArray[np.int64]


def season_months_by_year(months: Doubles, season: Sequence[int]) -> Doubles:
    """Return the months of a season for each year it may begin in, (years, months of the season), NaN missing.

    `months` (years, 12), January first, of years in a row. A season that crosses the turn of the year takes its last
    months from the next year; the last of those seasons is then missing.

    >>> rain = np.arange(24.0).reshape(2, 12)
    >>> season_months_by_year(rain, (12, 1)).tolist()
    [[11.0, 12.0], [23.0, nan]]
    """
    flat = months.reshape(-1)
    first = np.arange(len(months)) * 12 + season[0] - 1
    out = np.full((len(months), len(season)), np.nan)
    for k in range(len(season)):
        at = first + k
        inside = at < len(flat)
        out[inside, k] = flat[at[inside]]
    return out


def complete(season: Doubles) -> npt.NDArray[np.bool_]:
    """Return which seasons miss no month, (years,)."""
    return np.asarray(~np.isnan(season).any(axis=1))


def in_order(parts: Doubles) -> Doubles:
    """Return the sums over the last axis, added one after the other, so that their bits never change."""
    total = np.zeros(parts.shape[:-1])
    for k in range(parts.shape[-1]):
        total = total + parts[..., k]
    return total


def lacked(season: Doubles, enough: float) -> Doubles:
    """Return what the rain of each month lacked [mm], (years, months); their sum is what the season lacked.

    `season` (years, months) [mm], `enough` [mm] for the season as one. Where the season has enough, no month lacks
    anything. Else what it lacks is spread over its months as each falls short of an even share. So a wet August helps a
    dry June, as in a sum over the season; how far the soil carries it, no series can tell.

    >>> lacked(np.array([[20.0, 50.0, 40.0], [0.0, 0.0, 160.0]]), 150.0).tolist()
    [[30.0, 0.0, 10.0], [0.0, 0.0, 0.0]]
    """
    need = np.maximum(enough - in_order(season), 0.0)
    short = np.maximum(enough / season.shape[1] - season, 0.0)
    total = in_order(short)
    share = np.divide(short, total[:, None], out=np.zeros_like(short), where=(total > 0.0)[:, None])
    return np.asarray(share * need[:, None])


def season_days(months: Sequence[int]) -> Doubles:
    """Return the days of calendar months, of a year that is no leap year.

    >>> season_days((6, 7, 8)).tolist()
    [30.0, 31.0, 31.0]
    """
    return np.array([calendar.monthrange(2001, month)[1] for month in months], np.float64)


def month_length(year: int, month: int) -> int:
    """Return the days of a month.

    >>> month_length(2000, 2), month_length(2001, 2)
    (29, 28)
    """
    return calendar.monthrange(year, month)[1]


def longest_cold_run(nights: Doubles, limit: float) -> int:
    """Return the most nights in a row at or below a temperature; a missing one ends a run.

    >>> longest_cold_run(np.array([-8.0, -7.0, 1.0, -9.0, np.nan, -9.0]), -7.0)
    2
    """
    longest = run = 0
    for is_cold in (nights <= limit).tolist():
        run = run + 1 if is_cold else 0
        longest = max(longest, run)
    return longest


def longest_run(years: Sequence[int], holds: Sequence[bool]) -> int:
    """Return the most years in a row in which something holds; a year that is not there ends a run.

    >>> longest_run([2001, 2002, 2004, 2005], [True, True, True, False])
    2
    """
    longest = run = 0
    before = None
    for year, is_so in zip(years, holds, strict=True):
        run = (run if before == year - 1 else 0) + 1 if is_so else 0
        longest, before = max(longest, run), year
    return longest
