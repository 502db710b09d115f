"""Distance to classes against every cell measured from every other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.indicators import distance


def plain(classes, across, along, down, codes, within):
    rows, cols = np.mgrid[0 : classes.shape[0], 0 : classes.shape[1]]
    held = np.isin(classes, codes)
    out = np.full(classes.shape, float(within))
    for r, c in zip(rows[held], cols[held], strict=True):
        out = np.minimum(out, np.hypot((cols - c) * across + (rows - r) * along, (rows - r) * down))
    return np.where(np.isnan(classes), np.nan, out)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_distance_is_that_to_the_nearest_of_all_cells(data):
    rows, cols = data.draw(st.integers(1, 25)), data.draw(st.integers(1, 25))
    rng = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    classes = rng.choice([1.0, 2.0, 10.0, np.nan], (rows, cols), p=[0.5, 0.4, 0.05, 0.05]).astype(np.float32)
    across, down = data.draw(st.sampled_from([(30.0, 30.0), (15.5, 30.9), (30.0, 12.0)]))
    corner = data.draw(st.sampled_from([90.0, 89.97, 60.0, 115.0]))
    within = data.draw(st.sampled_from([31.0, 95.0, 1000.0]))
    along, off = down * np.cos(np.radians(corner)), down * np.sin(np.radians(corner))
    made = distance(classes, across, down, corner=corner, codes=(10,), within=within)
    np.testing.assert_allclose(made, plain(classes, across, along, off, [10], within), rtol=1e-6)


def test_known_distances():
    classes = np.ones((4, 5), np.float32)
    classes[0, 0] = 7.0
    made = distance(classes, 30.0, 40.0, codes=[7, 8], within=1000.0)
    assert made[0].tolist() == [0.0, 30.0, 60.0, 90.0, 120.0]
    assert made[:, 0].tolist() == [0.0, 40.0, 80.0, 120.0]
    assert made[1, 1] == pytest.approx(50.0)
    assert made[3, 4] == pytest.approx(np.hypot(120.0, 120.0))


def test_rows_that_run_north_and_columns_that_run_west_measure_the_same():
    classes = np.random.default_rng(1).integers(0, 12, (20, 20)).astype(np.float32)
    base = distance(classes, 30.0, 20.0, codes=[3], within=500.0)
    assert np.array_equal(distance(classes, -30.0, -20.0, codes=[3], within=500.0), base)


def test_without_a_cell_of_the_codes_all_is_as_far_as_it_is_measured():
    assert (distance(np.ones((3, 3)), 10, 10, codes=[2], within=77.0) == 77.0).all()


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_distance_has_the_same_bits_in_any_window(data):
    classes = np.random.default_rng(8).integers(0, 60, (60, 50)).astype(np.float32)
    within = data.draw(st.sampled_from([40.0, 130.0]))
    halo = int(within / 10) + 1
    row, col = data.draw(st.integers(0, 59)), data.draw(st.integers(0, 49))
    rows, cols = data.draw(st.integers(1, 60 - row)), data.draw(st.integers(1, 50 - col))
    top, left = max(row - halo, 0), max(col - halo, 0)
    part = classes[top : row + rows + halo, left : col + cols + halo]
    whole = distance(classes, 10.0, 10.0, codes=[5], within=within)[row : row + rows, col : col + cols]
    made = distance(part, 10.0, 10.0, codes=[5], within=within)
    assert np.array_equal(made[row - top : row - top + rows, col - left : col - left + cols], whole)
