"""When a truffle fruits, told for either side of the equator."""

from __future__ import annotations

import calendar
from itertools import pairwise
from typing import Annotated, Any

from pydantic import Field

from underoak.plan.keys.quantities import Text, Whole
from underoak.plan.reading.spec import Spec

Month = Annotated[Whole, Field(ge=1, le=12)]


def turned(month: int) -> int:
    """The calendar month that has the same season on the other side of the equator.

    >>> turned(6), turned(7), turned(12)
    (12, 1, 6)
    """
    return (month + 5) % 12 + 1


class Span(Spec):
    """Months from the first to the last, both counted; the year's end may lie between them."""

    first: Month
    """First month, north of the equator."""
    last: Month
    """Last month."""
    form: Text | None = None
    """Which form of the species, where they differ."""

    def months(self, is_south: bool = False) -> tuple[int, ...]:
        """The calendar months.

        >>> Span(first=11, last=2).months(), Span(first=11, last=2).months(is_south=True)
        ((11, 12, 1, 2), (5, 6, 7, 8))
        """
        north = [(self.first - 1 + n) % 12 + 1 for n in range((self.last - self.first) % 12 + 1)]
        return tuple(turned(month) if is_south else month for month in north)

    def in_words(self, is_south: bool = False) -> str:
        """The span for people."""
        months = self.months(is_south)
        words = calendar.month_name[months[0]]
        if len(months) > 1:
            words += f" to {calendar.month_name[months[-1]]}"
        return f"{words} ({self.form})" if self.form else words


class Season(Spec):
    """When it fruits, and who says so."""

    spans: Annotated[tuple[Span, ...], Field(min_length=1)]
    """The months, north of the equator."""
    source: Text
    """Who says so."""

    def in_words(self, is_south: bool = False) -> str:
        """The season for people; south of the equator half a year later.

        >>> season = Season.model_validate({"spans": [{"first": 11, "last": 3}], "source": "from memory"})
        >>> season.in_words(), season.in_words(is_south=True)
        ('November to March', 'May to September')
        """
        return " and ".join(span.in_words(is_south) for span in self.spans)

    def holds(self, month: int, is_south: bool = False) -> bool:
        """True when it fruits in that calendar month."""
        return any(month in span.months(is_south) for span in self.spans)


def month_names(months: Any) -> str:
    """Calendar months in a few words.

    >>> month_names((6, 7, 8)), month_names((12, 1, 2)), month_names((3, 7)), month_names(range(1, 13))
    ('June to August', 'December to February', 'March, July', 'all months')
    """
    listed = list(months)
    if len(set(listed)) == 12:
        return "all months"
    follow = all(after == before % 12 + 1 for before, after in pairwise(listed))
    if follow and len(listed) > 2:
        return f"{calendar.month_name[listed[0]]} to {calendar.month_name[listed[-1]]}"
    return ", ".join(calendar.month_name[month] for month in listed)
