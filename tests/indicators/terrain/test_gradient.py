"""Steepness and facing, against exact surfaces and under changes that must not matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from underoak.indicators import aspect, eastness, northness, slope

ALL = (slope, aspect, northness, eastness)
heights = arrays(np.float32, (7, 8), elements=st.floats(-100, 3000, width=32) | st.just(float("nan")))
sizes = st.floats(1.0, 100.0)


def plane(east, north, rows=5, cols=6, dx=10.0, dy=10.0):
    """Heights that rise by `east` and `north` per metre; rows run south."""
    return np.add.outer(-north * dy * np.arange(rows), east * dx * np.arange(cols))


def inner(made):
    return made[1:-1, 1:-1]


@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(1, 50), st.floats(1, 50))
def test_a_plane_has_one_slope_and_one_aspect(east, north, dx, dy):
    z = plane(east, north, dx=dx, dy=dy).astype(np.float32)
    steep = np.hypot(east, north)
    expected = np.degrees(np.arctan(steep))
    np.testing.assert_allclose(inner(slope(z, dx, dy)), expected, atol=2e-3)
    if steep > 0.05:
        bearing = np.degrees(np.arctan2(-east, -north))
        off = (inner(aspect(z, dx, dy)) - bearing + 180.0) % 360.0 - 180.0
        np.testing.assert_allclose(off, 0.0, atol=0.05)
        np.testing.assert_allclose(inner(northness(z, dx, dy)), -north / steep, atol=1e-3)
        np.testing.assert_allclose(inner(eastness(z, dx, dy)), -east / steep, atol=1e-3)


@pytest.mark.parametrize("function", ALL)
def test_the_rim_is_missing(function):
    made = function(plane(0.3, -0.4).astype(np.float32), 10, 10)
    assert made.shape == (5, 6)
    assert made.dtype == np.float32
    assert np.isnan(made).sum() == 5 * 6 - 3 * 4
    assert not np.isnan(inner(made)).any()


@pytest.mark.parametrize("function", ALL)
def test_a_missing_cell_takes_its_nine_with_it(function):
    z = plane(0.3, -0.4, 7, 7).astype(np.float32)
    z[3, 3] = np.nan
    made = inner(function(z, 10, 10))
    expected = np.zeros((5, 5), bool)
    expected[1:4, 1:4] = True
    np.testing.assert_array_equal(np.isnan(made), expected)


def test_flat_ground_has_no_aspect_and_faces_nowhere():
    z = np.full((3, 3), 250.0, np.float32)
    assert slope(z, 10, 10)[1, 1] == 0.0
    assert np.isnan(aspect(z, 10, 10)[1, 1])
    assert northness(z, 10, 10)[1, 1] == 0.0
    assert eastness(z, 10, 10)[1, 1] == 0.0


@pytest.mark.parametrize(("east", "north", "bearing"), [(0, -1, 0), (-1, 0, 90), (0, 1, 180), (1, 0, 270)])
def test_aspect_is_the_downhill_bearing(east, north, bearing):
    z = plane(east, north).astype(np.float32)
    assert (inner(aspect(z, 10, 10)) == bearing).all()
    assert (inner(northness(z, 10, 10)) == {0: 1, 180: -1}.get(bearing, 0)).all()
    assert (inner(eastness(z, 10, 10)) == {90: 1, 270: -1}.get(bearing, 0)).all()


def test_aspect_stays_below_360():
    z = plane(1e-9, -1.0).astype(np.float64)
    z[:, 1:] += 1e-5  # a hair west of north
    made = inner(aspect(z.astype(np.float32), 10, 10))
    assert ((made >= 0.0) & (made < 360.0)).all()


@settings(deadline=None)
@given(heights, sizes, sizes)
def test_rows_that_run_north_take_a_negative_dy(z, dx, dy):
    for function in ALL:
        np.testing.assert_array_equal(function(z[::-1], dx, -dy)[::-1], function(z, dx, dy))


@settings(deadline=None)
@given(heights, sizes, sizes)
def test_columns_that_run_west_take_a_negative_dx(z, dx, dy):
    for function in ALL:
        np.testing.assert_array_equal(function(z[:, ::-1], -dx, dy)[:, ::-1], function(z, dx, dy))


@settings(deadline=None)
@given(heights, st.integers(0, 4), st.integers(0, 5), st.integers(3, 7), st.integers(3, 8))
def test_any_window_with_its_halo_gives_the_same_bits(z, row, col, rows, cols):
    dx, dy = np.linspace(9.0, 11.0, 7), np.linspace(30.0, 31.0, 7)
    part = np.s_[row : row + rows, col : col + cols]
    for function in ALL:
        whole = function(z, dx, dy)
        made = function(z[part], dx[row : row + rows], dy[row : row + rows])
        np.testing.assert_array_equal(inner(made), inner(whole[part]))


@settings(deadline=None)
@given(heights, sizes, sizes)
def test_a_half_turn_of_the_grid_gives_the_same_ground(z, dx, dy):
    turned = z[::-1, ::-1]
    np.testing.assert_allclose(slope(turned, dx, dy, turn=180.0)[::-1, ::-1], slope(z, dx, dy), rtol=1e-6)
    theirs, ours = aspect(turned, dx, dy, turn=180.0)[::-1, ::-1], aspect(z, dx, dy)
    off = (theirs - ours + 180.0) % 360.0 - 180.0
    np.testing.assert_allclose(off[~np.isnan(off)], 0.0, atol=1e-3)


@pytest.mark.parametrize("turn", [0.0, 12.5, 45.0, 90.0, -30.0, 200.0])
@pytest.mark.parametrize("corner", [90.0, 80.0, 101.0, -90.0])
def test_turned_and_skewed_cells_show_the_true_plane(turn, corner):
    across, down = np.radians(90.0 + turn), np.radians(90.0 + turn + corner)
    v, u = np.mgrid[:5, :5]
    dx, dy = 12.0, 7.0
    x = u * dx * np.sin(across) + v * dy * np.sin(down)
    y = u * dx * np.cos(across) + v * dy * np.cos(down)
    z = 0.3 * x - 0.4 * y
    np.testing.assert_allclose(inner(slope(z, dx, dy, turn, corner)), 26.565051, atol=1e-4)
    np.testing.assert_allclose(inner(aspect(z, dx, dy, turn, corner)), 323.130102, atol=1e-3)


def test_each_row_has_its_own_size():
    z = plane(1.0, 0.0, 5, 5, dx=10.0).astype(np.float32)
    made = slope(z, np.array([10.0, 10.0, 20.0, 10.0, 10.0]), 10.0)
    np.testing.assert_allclose(made[1:4, 2], [45.0, np.degrees(np.arctan(0.5)), 45.0], rtol=1e-6)


@pytest.mark.parametrize("size", [0.0, np.nan, np.inf])
def test_a_cell_of_no_size_has_no_slope(size):
    z = plane(1.0, 0.0).astype(np.float32)
    for function in ALL:
        assert np.isnan(function(z, size, 10.0)).all()
        assert np.isnan(function(z, 10.0, np.full(5, size))).all()


def test_heights_must_be_a_table():
    with pytest.raises(ValueError, match="rows, cols"):
        slope(np.zeros(9, np.float32), 10, 10)


def test_small_arrays_are_all_rim():
    assert np.isnan(slope(np.zeros((2, 5), np.float32), 10, 10)).all()
    assert slope(np.zeros((0, 5), np.float32), 10, 10).shape == (0, 5)
