"""Degree-days, frost and height: bounds, order, missing months."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.indicators.climate.temperature import (
    at_height,
    degree_days,
    frost_days,
    frost_months,
    sine_degree_days,
    single_sine,
)

degrees = st.floats(-30, 40)


def year(*months):
    return np.float32(months).reshape(12, 1, 1)


@settings(deadline=None)
@given(degrees, st.floats(0, 30), degrees)
def test_a_sine_holds_at_least_what_its_mean_does_and_at_most_its_peak(least, swing, base):
    made = float(single_sine(least, least + swing, base))
    mean = least + swing / 2
    assert made >= max(mean - base, 0.0) - 1e-5
    assert made <= max(least + swing - base, 0.0) + 1e-5


@settings(deadline=None)
@given(degrees, st.floats(0.01, 30))
def test_a_day_above_the_base_has_its_plain_mean(base, swing):
    assert float(single_sine(base, base + swing, base)) == pytest.approx(swing / 2, rel=1e-5)


def test_a_day_whose_least_is_its_greatest_is_no_wave():
    assert float(single_sine(12.0, 12.0, 10.0)) == 2.0
    assert float(single_sine(10.0, 10.0, 10.0)) == 0.0
    assert np.isnan(single_sine(12.0, 11.0, 10.0))


def test_degree_days_fall_with_the_base():
    months = year(-2, 0, 4, 9, 14, 18, 21, 20, 16, 11, 5, 0)
    made = [float(degree_days(months, base)[0, 0]) for base in (-10, 0, 5, 10, 30)]
    assert made == sorted(made, reverse=True)
    assert made[-1] == 0.0
    whole = [float(sine_degree_days(months - 6, months + 6, base)[0, 0]) for base in (-10, 0, 5, 10, 30)]
    assert all(sine >= mean for sine, mean in zip(whole, made, strict=True))


def test_frost_days_rise_with_the_threshold_and_stay_within_the_year():
    months = year(-6, -4, 0, 3, 7, 11, 13, 12, 9, 5, 0, -4)
    made = [float(frost_days(months, at_most)[0, 0]) for at_most in (-60, -10, 0, 60)]
    assert made == sorted(made)
    assert made[0] == pytest.approx(0.0, abs=1e-6)
    assert made[-1] == pytest.approx(365.0, abs=1e-3)


def test_frost_months_count_months_below_and_not_at():
    months = year(0, -1, -0.1, 0.1, 7, 11, 13, 12, 9, 5, 0, -4)
    assert frost_months(months)[0, 0] == 3.0
    assert frost_months(months, below=0.5)[0, 0] == 6.0


@pytest.mark.parametrize("call", [degree_days, frost_days, frost_months, lambda x: sine_degree_days(x, x + 5)])
def test_one_missing_month_is_a_missing_year(call):
    months = np.full((12, 1, 2), 4.0, np.float32)
    months[7, 0, 1] = np.nan
    assert np.isnan(call(months)).tolist() == [[False, True]]


def test_a_spread_of_nothing_is_refused():
    with pytest.raises(ValueError, match="deviation"):
        frost_days(year(*[0] * 12), deviation=0.0)


@settings(deadline=None)
@given(degrees, st.floats(-400, 4000), st.floats(-400, 4000))
def test_up_and_down_again_is_where_one_was(temperature, one, other):
    assert float(at_height(at_height(temperature, one, other), other, one)) == pytest.approx(temperature, abs=1e-4)
