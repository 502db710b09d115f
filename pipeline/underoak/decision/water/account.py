"""A monthly account of water held: how much land a right, a pump and a pond carry through a season.

A hectare takes what its months lack. In each month the pump gives water, up to its rate, and to the right in all;
water that is not used may be stored in the pond, as far as that has room, for later months; other water may run into
the pond. The most land is the least, over all sets of months, of the water that can reach that set, divided by what a
hectare lacks in it: no month outside a set can take from it, and no allotment in time does better (the cuts of a flow
through time; Ford and Fulkerson 1956, from memory). So more of anything never waters less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
M3_PER_MM_HA = 10.0  # a millimetre on a hectare
MOST_POND_M3 = 10_000_000


@dataclass(frozen=True, slots=True)
class Supply:
    """Water held, for the months of one season in their order."""

    right: float  # in all [m3]; infinite where there is no limit
    pumped: tuple[float, ...]  # the most that the pump gives in each month [m3]
    pond: float = 0.0  # what the pond holds [m3]; it is full when the season begins
    refill: float = 0.0  # other water that runs into it in each month [m3]
    is_pond_in_right: bool = True  # what fills the pond before the season counts against the right

    def reach(self, months: Sequence[int]) -> float:
        """Return the most water that can reach some months together [m3]; their places in the season, in order.

        >>> Supply(1000.0, (200.0, 200.0, 0.0), pond=150.0).reach((2,))
        150.0
        >>> Supply(1000.0, (200.0, 200.0, 0.0), pond=150.0).reach((0, 1, 2))
        550.0
        """
        wanted = set(months)
        other = self._stored(wanted, 0.0 if self.is_pond_in_right else self.pond, is_pumped=False)
        return min(self.right + other, self._stored(wanted, self.pond, is_pumped=True))

    def _stored(self, months: set[int], level: float, is_pumped: bool) -> float:
        """Return what reaches some months when each takes all there is."""
        total = 0.0
        for month, pumped in enumerate(self.pumped):
            there = level + self.refill + (pumped if is_pumped else 0.0)
            if month in months:
                total, level = total + there, 0.0
            else:
                level = min(self.pond, there)
        return total

    def hectares(self, lacked: Sequence[float] | Doubles) -> float:
        """Return the most land that gets all it lacks [ha]; infinite where nothing is lacked.

        `lacked`: by month of the season [mm].

        >>> Supply(7000.0, (math.inf,) * 3).hectares([11.0, 11.0, 11.0])  # the right alone: 7000 / 330
        21.21212121212121
        """
        thirst = [float(mm) * M3_PER_MM_HA for mm in lacked]
        best = math.inf
        for months in _subsets(len(thirst)):
            need = sum(thirst[month] for month in months)
            if need > 0.0:
                best = min(best, self.reach(months) / need)
        return best


def _subsets(count: int) -> list[tuple[int, ...]]:
    return [months for size in range(1, count + 1) for months in combinations(range(count), size)]


def pumped_by_month(
    rate: float, hours: float, days: Sequence[float] | Doubles, season: Sequence[int], allowed: Sequence[int] | None
) -> tuple[float, ...]:
    """Return the most that a pump gives in each month of a season [m3].

    `rate` [m3/h], `hours` a day, `days` of each month; 0 in a calendar month of the season that is not `allowed`.

    >>> pumped_by_month(2.0, 10.0, [30.0, 31.0], (6, 7), (6,))
    (600.0, 0.0)
    """
    is_free = [allowed is None or month in allowed for month in season]
    return tuple(rate * hours * float(day) if free else 0.0 for day, free in zip(days, is_free, strict=True))


def pond_that_closes(supply: Supply, lacked: Doubles, ha: float) -> tuple[float | None, float]:
    """Return the smallest pond [whole m3] that waters so much land in every season, and what the right lacks.

    `lacked` (seasons, months) [mm]. The pond is None where none does: the right itself is then too small, by the second
    figure [m3] in the worst season. Else that figure is 0.

    >>> short = np.array([[0.0, 30.0, 0.0]])
    >>> pond_that_closes(Supply(1000.0, (200.0, 200.0, 200.0)), short, 1.0)
    (100.0, 0.0)
    >>> pond_that_closes(Supply(250.0, (200.0, 200.0, 200.0)), short, 1.0)
    (None, 50.0)
    """

    def holds(pond: int) -> bool:
        wider = replace(supply, pond=float(pond))
        return all(wider.hectares(season) >= ha for season in lacked)

    if not holds(MOST_POND_M3):
        every = tuple(range(len(supply.pumped)))
        widest = replace(supply, pond=float(MOST_POND_M3))
        needs = [ha * sum(map(float, season)) * M3_PER_MM_HA for season in lacked]
        return None, max(0.0, *(need - widest.reach(every) for need in needs))
    low, high = -1, MOST_POND_M3
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return float(high), 0.0
