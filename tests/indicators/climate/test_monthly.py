"""Sums, means and extremes over the months."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from underoak.indicators import (
    annual_mean,
    annual_sum,
    coldest_month_mean,
    months_max,
    months_mean,
    months_min,
    months_sum,
    warmest_month_mean,
)

FOLDS = (months_sum, months_mean, months_min, months_max)
YEAR = np.float32([2, 3.5, 7, 10, 14.5, 18.5, 21.5, 21, 16.5, 11.5, 6, 3]).reshape(12, 1, 1)
values = arrays(np.float32, (5, 3, 4), elements=st.floats(-50, 500, width=32) | st.just(float("nan")))


@settings(deadline=None)
@given(values)
def test_folds_are_what_their_names_say_and_missing_stays_missing(months):
    for fold, plain in ((months_sum, math.fsum), (months_mean, None), (months_min, min), (months_max, max)):
        made = fold(months)
        assert made.dtype == np.float32
        for row in range(3):
            for col in range(4):
                cell = [float(v) for v in months[:, row, col]]
                if any(map(math.isnan, cell)):
                    assert math.isnan(made[row, col])
                else:
                    expected = math.fsum(cell) / 5 if plain is None else plain(cell)
                    assert made[row, col] == pytest.approx(expected, rel=1e-6, abs=1e-4)


@settings(deadline=None)
@given(values, st.integers(0, 2), st.integers(0, 3))
def test_one_cell_alone_gives_the_same_bits(months, row, col):
    for fold in FOLDS:
        alone = fold(months[:, row : row + 1, col : col + 1])
        np.testing.assert_array_equal(alone[0, 0], fold(months)[row, col])


def test_the_year_of_one_place():
    assert warmest_month_mean(YEAR)[0, 0] == 21.5
    assert coldest_month_mean(YEAR)[0, 0] == 2.0
    assert annual_mean(YEAR)[0, 0] == 11.25
    assert annual_sum(YEAR)[0, 0] == 135.0


@pytest.mark.parametrize("fold", [annual_sum, annual_mean, warmest_month_mean, coldest_month_mean])
def test_a_year_has_twelve_months(fold):
    with pytest.raises(ValueError, match="twelve months"):
        fold(YEAR[:11])


@pytest.mark.parametrize("fold", FOLDS)
def test_months_are_the_first_of_three_axes(fold):
    with pytest.raises(ValueError, match="months"):
        fold(np.zeros((3, 4), np.float32))
    with pytest.raises(ValueError, match="months"):
        fold(np.zeros((0, 3, 4), np.float32))
