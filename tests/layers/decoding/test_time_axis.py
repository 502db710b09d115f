from __future__ import annotations

import numpy as np
import pytest

from underoak.base.errors import Problems
from underoak.layers.decoding.time_axis import read_steps


def steps(values, units="days since 2001-01-01", calendar="standard", bounds=None):
    problems = Problems()
    found = read_steps(np.asarray(values), bounds, {"units": units, "calendar": calendar}, "rain (pr.nc)", problems)
    return found, [f.code for f in problems.faults], "; ".join(f.what for f in problems.faults)


STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
LENGTHS = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


@pytest.mark.parametrize(
    ("calendar", "starts", "february", "year"),
    [
        ("standard", STARTS, 28, 365),
        ("noleap", STARTS, 28, 365),
        ("365_day", STARTS, 28, 365),
        ("julian", STARTS, 28, 365),
        ("proleptic_gregorian", STARTS, 28, 365),
        ("360_day", np.arange(12) * 30, 30, 360),
        ("all_leap", STARTS + (np.arange(12) > 1), 29, 366),
    ],
)
def test_months_last_as_long_as_their_calendar_says(calendar, starts, february, year):
    found, faults, _ = steps(starts, calendar=calendar)
    assert not faults
    assert [step.month for step in found] == list(range(1, 13))
    assert found[1].days == february
    assert sum(step.days for step in found) == year == found[0].year_days


def test_february_of_a_leap_year_is_longer():
    found, _, _ = steps([0, 31], "days since 2000-01-01")
    assert [step.days for step in found] == [31, 29]
    assert found[0].year_days == 366
    # 1900 was a leap year in the Julian calendar only
    assert steps([31], "days since 1900-01-01", "julian")[0][0].days == 29
    assert steps([31], "days since 1900-01-01", "standard")[0][0].days == 28


@pytest.mark.parametrize("units", ["hours since 2001-01-01 00:00:00", "seconds since 2001-01-01T00:00:00Z"])
def test_finer_units_of_time_are_read(units):
    per_day = 24 if units.startswith("hours") else 86400
    found, faults, _ = steps(STARTS * per_day, units)
    assert not faults
    assert [step.days for step in found] == LENGTHS


@pytest.mark.parametrize("calendar", ["standard", "noleap", "360_day"])
def test_months_can_be_counted_in_months(calendar):
    found, faults, _ = steps(np.arange(14), "months since 1999-11-15", calendar)
    assert not faults
    assert [(step.year, step.month) for step in found][:3] == [(1999, 11), (1999, 12), (2000, 1)]


@pytest.mark.parametrize("units", ["", "1", "month"])
def test_months_of_no_particular_year_have_mean_lengths(units):
    found, faults, _ = steps(np.arange(1, 13), units)
    assert not faults
    assert sum(step.days for step in found) == pytest.approx(365.2425)
    assert found[1].days == 28.2425


def test_bounds_decide_the_month_when_the_stamp_stands_at_its_end():
    ends = np.append(STARTS[1:], 365)
    found, _, _ = steps(ends, bounds=np.column_stack([STARTS, ends]))
    assert [step.month for step in found] == list(range(1, 13))


def test_a_dropped_month_is_named():
    _, faults, what = steps(np.delete(STARTS, 6))
    assert faults == ["E225"]
    assert "2001-07" in what


def test_a_month_that_comes_twice_is_named():
    _, faults, what = steps([0, 31, 33, 59])
    assert faults == ["E225"]
    assert "2001-02" in what


def test_time_that_runs_backwards_is_refused():
    _, faults, what = steps(STARTS[::-1])
    assert faults == ["E225"]
    assert "backwards" in what


def test_daily_steps_are_not_monthly():
    _, faults, what = steps(np.arange(90))
    assert faults == ["E225"]
    assert "more than once" in what


def test_a_season_alone_is_fine():
    assert not steps(STARTS[5:8])[1]


@pytest.mark.parametrize(
    ("values", "units", "calendar"),
    [
        ([0], "fortnights since 2001-01-01", "standard"),
        ([0], "days since yesterday", "standard"),
        ([0], "days since 2001-01-01", "mayan"),
        ([np.nan], "days since 2001-01-01", "standard"),
        ([1e300], "days since 2001-01-01", "standard"),
        ([13], "month", "standard"),
        ([0.5], "", "standard"),
        ([], "month", "standard"),
    ],
)
def test_time_that_cannot_be_read_is_told(values, units, calendar):
    found, faults, _ = steps(values, units, calendar)
    assert found == ()
    assert faults == ["E225"]
