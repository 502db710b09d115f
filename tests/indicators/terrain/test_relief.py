"""The lie of the land against plain sums."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.indicators import (
    plan_curvature,
    profile_curvature,
    ruggedness,
    topographic_position,
    topographic_position_standardised,
)

HILLS = np.random.default_rng(3).normal(800.0, 40.0, (41, 37)).astype(np.float32)


def plain_position(z, across, along, down, radius, inner):
    """Every cell against every other one."""
    rows, cols = np.mgrid[0 : z.shape[0], 0 : z.shape[1]]
    whole = np.floor(z.astype(np.float64) * 1000.0 + 0.5) / 1000.0
    mean, sd = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    reach = int(radius / min(across, down)) + 60
    for r in range(z.shape[0]):
        for c in range(z.shape[1]):
            i, k = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
            length = np.hypot(i * across + k * along, k * down)
            ring = ((length <= radius + 1e-9) & (length >= inner - 1e-9)).sum()
            apart = np.hypot((cols - c) * across + (rows - r) * along, (rows - r) * down)
            held = (apart <= radius + 1e-9) & (apart >= inner - 1e-9) & ~np.isnan(z)
            if not np.isnan(z[r, c]) and 2 * held.sum() >= ring:
                mean[r, c] = whole[r, c] - whole[held].mean()
                sd[r, c] = whole[held].std()
    return mean, mean / sd


@pytest.mark.parametrize(
    ("across", "down", "corner", "radius", "inner"),
    [(10.0, 10.0, 90.0, 45.0, 0.0), (15.5, 30.9, 90.0, 100.0, 0.0), (10.0, 12.0, 60.0, 50.0, 0.0),
     (10.0, 10.0, 90.0, 50.0, 20.0), (10.0, 10.0, 120.0, 40.0, 12.0)],
)  # fmt: skip
def test_position_is_the_height_over_the_mean_of_a_disc_or_ring_in_metres(across, down, corner, radius, inner):
    z = HILLS[:20, :22].copy()
    z[4:7, 5:9] = np.nan
    along, off = down * np.cos(np.radians(corner)), down * np.sin(np.radians(corner))
    mean, standard = plain_position(z, across, along, off, radius, inner)
    made = topographic_position(z, across, down, corner=corner, radius=radius, inner=inner)
    np.testing.assert_allclose(made, mean, atol=1e-4)
    made = topographic_position_standardised(z, across, down, corner=corner, radius=radius, inner=inner)
    np.testing.assert_allclose(made, standard, rtol=1e-4, atol=1e-5)


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_position_has_the_same_bits_in_any_window(data):
    z = HILLS.copy()
    z[10:13, 20] = np.nan
    radius = data.draw(st.sampled_from([12.0, 35.0, 80.0]))
    halo = int(radius / 10) + 1
    row, col = data.draw(st.integers(0, 40)), data.draw(st.integers(0, 36))
    rows, cols = data.draw(st.integers(1, 41 - row)), data.draw(st.integers(1, 37 - col))
    top, left = max(row - halo, 0), max(col - halo, 0)
    part = z[top : min(row + rows + halo, 41), left : min(col + cols + halo, 37)]
    for compute in (topographic_position, topographic_position_standardised):
        whole = compute(z, 10.0, 10.0, radius=radius)[row : row + rows, col : col + cols]
        made = compute(part, 10.0, 10.0, radius=radius)[row - top : row - top + rows, col - left : col - left + cols]
        assert np.array_equal(made, whole, equal_nan=True)


def test_raising_the_land_changes_no_position():
    base = topographic_position(HILLS, 10, 10, radius=60)
    raised = topographic_position(HILLS + np.float32(512.0), 10, 10, radius=60)
    np.testing.assert_allclose(raised, base, atol=1.1e-3)  # heights count to the millimetre


def test_level_ground_lies_neither_above_nor_below_whatever_its_height():
    level = np.full((15, 15), 2871.3, np.float32)
    assert (topographic_position(level, 10, 10, radius=40)[4:-4, 4:-4] == 0.0).all()
    assert (topographic_position_standardised(level, 10, 10, radius=40)[4:-4, 4:-4] == 0.0).all()


def test_half_a_disc_is_enough_and_less_is_not():
    z = HILLS[:15, :15].copy()
    made = topographic_position(z, 10, 10, radius=50)
    assert np.isnan(made[0, 0])  # a quarter
    assert not np.isnan(made[0, 7])  # a half and the line through the middle


@pytest.mark.parametrize(("radius", "inner"), [(0.0, 0.0), (50.0, 50.0), (50.0, -1.0)])
def test_a_ring_that_holds_nothing_is_refused(radius, inner):
    with pytest.raises(ValueError, match="ring"):
        topographic_position(HILLS, 10, 10, radius=radius, inner=inner)


def test_ruggedness_of_a_plane_is_that_of_its_eight_steps():
    ramp = np.tile(np.arange(5, dtype="float32") * 3.0, (5, 1))
    assert ruggedness(ramp)[2, 2] == pytest.approx(np.sqrt(6 * 9.0))
    assert ruggedness(ramp, "mean")[2, 2] == pytest.approx(6 * 3.0 / 8)
    with pytest.raises(ValueError, match="method"):
        ruggedness(ramp, "median")


def test_a_missing_neighbour_leaves_ruggedness_and_curvature_missing():
    z = HILLS[:7, :7].copy()
    z[3, 3] = np.nan
    for made in (ruggedness(z), profile_curvature(z, 10, 10), plan_curvature(z, 10, 10)):
        assert np.isnan(made[2:5, 2:5]).all()
        assert not np.isnan(made[1, 1:6]).any()


@pytest.mark.parametrize("corner", [90.0, 65.0])
@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_curvatures_of_a_quadratic_are_exact_on_any_cells(corner, turn):
    across, down = 10.0, 14.0
    bearing = np.radians([90.0 + turn, 90.0 + turn + corner])
    steps = np.array([[across * np.sin(bearing[0]), across * np.cos(bearing[0])],
                      [down * np.sin(bearing[1]), down * np.cos(bearing[1])]])  # fmt: skip
    i, k = np.meshgrid([-1, 0, 1], [-1, 0, 1])
    x, y = i * steps[0, 0] + k * steps[1, 0] + 40.0, i * steps[0, 1] + k * steps[1, 1] - 25.0
    z = 0.002 * x**2 + 0.001 * y**2 + 0.0015 * x * y
    g, h, xx, yy, xy = 0.004 * 40 - 0.0015 * 25, -0.002 * 25 + 0.0015 * 40, 0.004, 0.002, 0.0015
    steep = g * g + h * h
    profile = -(xx * g * g + yy * h * h + 2 * xy * g * h) / steep
    plan = (xx * h * h + yy * g * g - 2 * xy * g * h) / steep
    assert profile_curvature(z, across, down, turn, corner)[1, 1] == pytest.approx(profile, rel=1e-4)
    assert plan_curvature(z, across, down, turn, corner)[1, 1] == pytest.approx(plan, rel=1e-4)


def test_flat_ground_has_no_curvature():
    bowl = np.array([[2, 1, 2], [1, 0, 1], [2, 1, 2]], np.float32)
    assert profile_curvature(bowl, 10, 10)[1, 1] == 0.0
    assert plan_curvature(bowl, 10, 10)[1, 1] == 0.0
