"""Fruiting seasons, north and south of the equator."""

from __future__ import annotations

import calendar
from collections.abc import Iterable
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from underoak.plan.keys.quantities import Text, Whole
from underoak.plan.reading.spec import Spec

Month = Annotated[Whole, Field(ge=1, le=12)]


def opposite_season_month(month: int) -> int:
    """Return the calendar month of the same season on the other side of the equator.

    >>> opposite_season_month(6), opposite_season_month(7), opposite_season_month(12)
    (12, 1, 6)
    """
    return (month + 5) % 12 + 1


class Span(Spec):
    """A span of months, both ends included; it may cross the end of the year."""

    first: Month
    """First month, north of the equator."""
    last: Month
    """Last month."""
    form: Text | None = None
    """Form of the species, if their seasons differ."""

    def months(self, is_south: bool = False) -> tuple[int, ...]:
        """Return the calendar months of the span.

        >>> Span(first=11, last=2).months(), Span(first=11, last=2).months(is_south=True)
        ((11, 12, 1, 2), (5, 6, 7, 8))
        """
        north = [(self.first - 1 + n) % 12 + 1 for n in range((self.last - self.first) % 12 + 1)]
        return tuple(opposite_season_month(month) if is_south else month for month in north)

    def in_words(self, is_south: bool = False) -> str:
        """Return the span in words."""
        months = self.months(is_south)
        words = calendar.month_name[months[0]]
        if len(months) > 1:
            words += f" to {calendar.month_name[months[-1]]}"
        return f"{words} ({self.form})" if self.form else words


class Season(Spec):
    """A fruiting season, with its citation."""

    spans: Annotated[tuple[Span, ...], Field(min_length=1)]
    """Spans of months, north of the equator."""
    source: Text
    """Citation."""

    def in_words(self, is_south: bool = False) -> str:
        """Return the season in words; it is six months later south of the equator.

        >>> season = Season.model_validate({"spans": [{"first": 11, "last": 3}], "source": "from memory"})
        >>> season.in_words(), season.in_words(is_south=True)
        ('November to March', 'May to September')
        """
        return " and ".join(span.in_words(is_south) for span in self.spans)

    def holds(self, month: int, is_south: bool = False) -> bool:
        """Return True if the species fruits in that calendar month."""
        return any(month in span.months(is_south) for span in self.spans)


def month_names(months: Iterable[int]) -> str:
    """Return calendar months in a few words.

    >>> month_names((6, 7, 8)), month_names((12, 1, 2)), month_names((3, 7)), month_names(range(1, 13))
    ('June to August', 'December to February', 'March, July', 'all months')
    """
    numbers = list(months)
    if len(set(numbers)) == 12:
        return "all months"
    is_run = all(after == before % 12 + 1 for before, after in pairwise(numbers))
    if is_run and len(numbers) > 2:
        return f"{calendar.month_name[numbers[0]]} to {calendar.month_name[numbers[-1]]}"
    return ", ".join(calendar.month_name[month] for month in numbers)
