"""The path of the sun: bounds, symmetries, poles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.indicators.climate.sun import daylight_hours, extraterrestrial_radiation

latitudes = st.floats(-90, 90)
days = st.integers(1, 366)


@given(latitudes, days)
def test_light_and_radiation_stay_in_bounds_everywhere(latitude, day):
    assert 0.0 <= float(daylight_hours(latitude, day)) <= 24.0
    assert 0.0 <= float(extraterrestrial_radiation(latitude, day)) < 50.0


@given(latitudes, days)
def test_day_here_is_night_on_the_other_side_of_the_equator(latitude, day):
    both = daylight_hours(np.array([latitude, -latitude]), day)
    assert both.sum() == pytest.approx(24.0, abs=1e-9)


@given(st.floats(0, 66), st.integers(91, 260))
def test_northern_summers_are_longer_the_further_north(latitude, day):
    near, far = daylight_hours(np.array([latitude, latitude + 0.4]), day)
    assert far >= near


def test_the_year_of_light_is_half_of_it_everywhere():
    year = daylight_hours(np.linspace(-65, 65, 27), np.arange(1, 366))
    np.testing.assert_allclose(year.mean(axis=0), 12.0, atol=0.06)


def test_shapes_are_days_by_latitudes():
    made = extraterrestrial_radiation(np.zeros((3, 2)), (15, 46, 74, 105))
    assert made.shape == (4, 3, 2)
    assert extraterrestrial_radiation(0.0, 15).shape == ()


def test_beyond_the_poles_there_is_nothing():
    assert np.isnan(daylight_hours(np.array([91.0, np.nan, -90.1]), 1)).all()
    assert np.isnan(extraterrestrial_radiation(np.array([91.0, np.nan, -90.1]), 1)).all()


def test_one_latitude_alone_gives_the_same_bits():
    many = np.linspace(-90, 90, 37)
    together = extraterrestrial_radiation(many, (15, 196))
    for i, latitude in enumerate(many):
        np.testing.assert_array_equal(extraterrestrial_radiation(latitude, (15, 196)), together[:, i])
