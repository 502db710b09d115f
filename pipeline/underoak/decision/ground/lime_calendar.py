"""The calendar of lime: how long it acts before planting, and the first autumn in which the ground may be ready."""

from __future__ import annotations

import datetime

from underoak.decision.reference.published_ranges import Item, figures_of

_AUTUMN_ENDS = {False: 11, True: 5}  # last month of autumn, north and south of the equator


def wait_years() -> int:
    """Return the least number of years from liming to planting on file."""
    return int(min(figure.low for figure in figures_of(Item.LIME_WAIT)))


def first_ready_autumn(limed_from: datetime.date, is_south: bool) -> int:
    """Return the year of the first autumn that has not ended when lime worked in from a day on has had its time.

    >>> first_ready_autumn(datetime.date(2026, 11, 15), False), first_ready_autumn(datetime.date(2026, 12, 1), False)
    (2028, 2029)
    >>> first_ready_autumn(datetime.date(2026, 12, 1), True)
    2029
    """
    year = limed_from.year + wait_years()
    return year if limed_from.month <= _AUTUMN_ENDS[is_south] else year + 1
