"""The calendar of lime: two years at least, and then an autumn that is not over."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.decision.ground.lime_calendar import first_ready_autumn, wait_years


@pytest.mark.parametrize(
    ("day", "is_south", "year"),
    [("2026-11-15", False, 2028), ("2026-11-30", False, 2028), ("2026-12-01", False, 2029), ("2027-01-03", False, 2029),
     ("2026-11-15", True, 2029), ("2027-05-31", True, 2029), ("2027-06-01", True, 2030)],
)  # fmt: skip
def test_first_autumn_two_years_later(day, is_south, year):
    # two years or more: a nursery in the USA, truffletree.com
    assert first_ready_autumn(datetime.date.fromisoformat(day), is_south) == year


@given(st.dates(datetime.date(2000, 1, 1), datetime.date(2090, 1, 1)), st.booleans())
def test_the_end_of_that_autumn_is_two_to_three_years_away(day, is_south):
    month, last = (5, 31) if is_south else (11, 30)
    end = datetime.date(first_ready_autumn(day, is_south), month, last)
    assert 2 * 365 <= (end - day).days <= 3 * 366
    assert wait_years() == 2
