"""Evapotranspiration and what is made of it: shapes of latitude, missing months, bounds, windows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from underoak.indicators.climate.evapotranspiration import (
    hargreaves,
    hargreaves_months,
    hargreaves_year,
    thornthwaite_months,
    thornthwaite_year,
)
from underoak.indicators.climate.water_balance import (
    aridity_class,
    aridity_index,
    summer_balance,
    summer_balance_hargreaves,
    summer_balance_thornthwaite,
    warm_season_balance_thornthwaite,
)

LAT = np.array([[-60.0, 0.0], [45.0, 70.0], [12.0, -3.0]])
warm = arrays(np.float32, (12, 3, 2), elements=st.floats(-40, 45, width=32) | st.just(float("nan")))
swings = arrays(np.float32, (12, 3, 2), elements=st.floats(0, 25, width=32))


@settings(deadline=None)
@given(warm, swings)
def test_depths_are_never_negative_and_missing_stays_missing(tmin, swing):
    tmax = tmin + swing
    made = hargreaves_months(tmin, tmax, LAT)
    assert made.dtype == np.float32
    np.testing.assert_array_equal(np.isnan(made), np.isnan(tmin))
    assert (made[~np.isnan(made)] >= 0.0).all()
    made = thornthwaite_months(tmin, LAT)
    np.testing.assert_array_equal(np.isnan(made), np.broadcast_to(np.isnan(tmin).any(axis=0), made.shape))
    assert (made[~np.isnan(made)] >= 0.0).all()


@settings(deadline=None)
@given(warm, swings, st.integers(0, 2), st.integers(0, 1))
def test_one_cell_alone_gives_the_same_bits(tmin, swing, row, col):
    at = (slice(None), slice(row, row + 1), slice(col, col + 1))
    alone = hargreaves_year(tmin[at], (tmin + swing)[at], LAT[row, col])
    np.testing.assert_array_equal(alone[0, 0], hargreaves_year(tmin, tmin + swing, LAT)[row, col])
    alone = thornthwaite_year(tmin[at], LAT[row, col])
    np.testing.assert_array_equal(alone[0, 0], thornthwaite_year(tmin, LAT)[row, col])


def test_latitude_by_row_is_that_of_every_cell_in_it():
    rng = np.random.default_rng(3)
    tmin = rng.uniform(-5, 20, (12, 3, 4)).astype(np.float32)
    rows = np.array([50.0, 10.0, -30.0])
    field = np.repeat(rows[:, None], 4, axis=1)
    for made, other in (
        (hargreaves_year(tmin, tmin + 9, rows), hargreaves_year(tmin, tmin + 9, field)),
        (thornthwaite_year(tmin, rows), thornthwaite_year(tmin, field)),
        (summer_balance(tmin + 5, tmin + 6, rows), summer_balance(tmin + 5, tmin + 6, field)),
    ):
        np.testing.assert_array_equal(made, other)


def test_a_year_is_the_sum_of_its_months():
    rng = np.random.default_rng(4)
    tmin = rng.uniform(-5, 20, (12, 3, 2)).astype(np.float32)
    months = hargreaves_months(tmin, tmin + 9, LAT).sum(axis=0)
    np.testing.assert_allclose(hargreaves_year(tmin, tmin + 9, LAT), months, rtol=1e-6)
    np.testing.assert_allclose(thornthwaite_year(tmin, LAT), thornthwaite_months(tmin, LAT).sum(axis=0), rtol=1e-6)


def test_swapped_extremes_are_missing_rather_than_guessed():
    assert np.isnan(hargreaves(20.0, 10.0, 40.0))


def test_extreme_cold_takes_nothing():
    assert float(hargreaves(-50.0, -30.0, 10.0)) == 0.0


def test_the_hot_branch_nearly_meets_the_exponent():
    rest = [10.0] * 11
    below, above = (np.float32([hot, *rest]).reshape(12, 1, 1) for hot in (26.4999, 26.5001))
    a, b = (float(thornthwaite_months(months, 0.0)[0, 0, 0]) for months in (below, above))
    assert a == pytest.approx(b, rel=0.05)


@settings(deadline=None)
@given(warm, st.floats(0, 300), st.floats(0, 300))
def test_the_balance_of_the_warm_season_is_rain_less_thirst_of_its_four_months(warmth, inside, outside):
    months = np.isin(np.arange(1, 13), (5, 6, 7, 8))
    rain = np.broadcast_to(np.where(months, inside, outside).astype(np.float32)[:, None, None], warmth.shape)
    thirst = thornthwaite_months(warmth, 44.0)[months].astype(np.float64).sum(axis=0)
    made = warm_season_balance_thornthwaite(rain, warmth, 44.0)
    np.testing.assert_allclose(made, 4 * np.float32(inside) - thirst, rtol=1e-4, atol=0.05)


@settings(deadline=None)
@given(warm, st.floats(0, 300), st.floats(0, 60))
def test_the_balance_of_the_warm_season_turns_by_half_a_year_with_the_hemisphere(warmth, level, latitude):
    rain = np.linspace(0, level, 12, dtype=np.float32)[:, None, None] + np.zeros_like(warmth)
    north = warm_season_balance_thornthwaite(rain, warmth, latitude)
    south = warm_season_balance_thornthwaite(np.roll(rain, 6, axis=0), np.roll(warmth, 6, axis=0), -latitude - 1e-9)
    np.testing.assert_array_equal(np.isnan(north), np.isnan(south))
    # days of the months and of the sun differ a little between the halves of the year
    close = np.abs(north - south) <= 0.08 * (np.abs(north) + 400)
    assert (close | np.isnan(north)).all()


def test_aridity_without_evaporation_is_missing_and_has_no_class():
    index = aridity_index([500.0, np.nan, 500.0], [0.0, 600.0, 1000.0])
    assert np.isnan(index).tolist() == [True, True, False]
    assert np.isnan(aridity_class(index)).tolist() == [True, True, False]


def test_summers_of_both_halves_of_the_earth():
    rain, cold = np.full((12, 2, 1), 10, np.float32), np.zeros((12, 2, 1), np.float32)
    cold[[11, 0, 1], 1] = 20.0  # hot from December to February in the second row only
    cold[5:8, 0] = 20.0
    made = summer_balance_thornthwaite(rain, cold, np.array([40.0, -40.0]))
    assert made[0, 0] == pytest.approx(made[1, 0], rel=0.1)
    assert made.max() < -150.0
    made = summer_balance_hargreaves(rain, cold - 5, cold + 5, np.array([40.0, -40.0]))
    assert made.max() < -150.0


@pytest.mark.parametrize("call", [lambda x: hargreaves_year(x, x, 45.0), lambda x: thornthwaite_year(x, 45.0)])
def test_eleven_months_are_refused(call):
    with pytest.raises(ValueError, match="twelve"):
        call(np.zeros((11, 2, 2)))


def test_eleven_days_are_refused():
    with pytest.raises(ValueError, match="twelve"):
        thornthwaite_year(np.zeros((12, 2, 2)), 45.0, middles=range(11))
