"""Degree-days and temperature at height, against figures worked out apart and against the wave itself."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.indicators.climate.temperature import at_height, degree_days, frost_days, sine_degree_days, single_sine

TMIN = np.float32([-2, -1, 2, 5, 9, 13, 15, 15, 11, 7, 2, -1]).reshape(12, 1, 1)
TMAX = np.float32([6, 8, 12, 15, 20, 24, 28, 27, 22, 16, 10, 7]).reshape(12, 1, 1)
TMEAN_44 = np.float32([3, 4, 7, 10, 14, 18, 21, 20, 17, 12, 7, 4]).reshape(12, 1, 1)


@pytest.mark.parametrize(("base", "expected"), [(0, 4123.5), (5, 2495.5), (10, 1333.5)])
def test_degree_days_of_monthly_means(base, expected):  # by definition
    assert float(degree_days((TMIN + TMAX) / 2, base)[0, 0]) == expected


def test_degree_days_of_another_site():
    assert float(degree_days(TMEAN_44, 5.0)[0, 0]) == 2479.0


@pytest.mark.parametrize(
    ("tmin", "tmax", "expected"), [(5, 25, 6.089978), (5, 15, 5 / np.pi), (0, 12, 0.352643), (12, 18, 5), (0, 9, 0)]
)
def test_degree_days_of_one_sine(tmin, tmax, expected):
    # Baskerville and Emin 1969, form from memory. A mean would say 5 of the first and 0 of the two that follow.
    made = float(single_sine(tmin, tmax, 10.0))
    assert made == pytest.approx(expected, abs=1e-6)
    wave = (tmin + tmax) / 2 + (tmax - tmin) / 2 * np.sin((np.arange(200_000) + 0.5) * (2 * np.pi / 200_000))
    assert made == pytest.approx(np.maximum(wave - 10.0, 0.0).mean(), abs=1e-6)


def test_a_year_of_sines_is_its_days():
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    expected = (single_sine(TMIN, TMAX, 5.0)[:, 0, 0].astype(float) * days).sum()
    assert float(sine_degree_days(TMIN, TMAX, 5.0)[0, 0]) == pytest.approx(expected, rel=1e-6)


def test_frost_days_of_normal_nights():
    # A table of the normal distribution: 15.866 % lie more than one deviation below the mean.
    nights = frost_days(np.full((12, 1, 1), -6.0), -10.0, deviation=4.0)
    assert float(nights[0, 0]) == pytest.approx(365 * 0.158655, abs=1e-3)


def test_ten_degrees_at_sea_level_are_675_at_500_m():  # 6.5 K/km, standard atmosphere
    assert float(at_height(10.0, 0.0, 500.0)) == pytest.approx(6.75, abs=1e-6)
