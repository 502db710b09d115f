"""Slope and aspect against known windows. Results are float32: their last digit is some 1e-7 of the value.

Horn's method (1981) from memory; the surfaces are exact by mathematics, the windows worked by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from underoak.base.grid import Grid
from underoak.indicators import aspect, cell_metres, eastness, get, northness, on_grid, slope

FLOAT32 = 2e-7  # relative


def surface(height, cell=10.0, rows=3, cols=3):
    """Heights of a function of x (east) and y (north) round the middle cell."""
    y = -(np.arange(rows) - rows // 2) * cell
    x = (np.arange(cols) - cols // 2) * cell
    return height(x[None, :], y[:, None]).astype(np.float64) * np.ones((rows, cols))


def centre(made):
    return float(made[made.shape[0] // 2, made.shape[1] // 2])


@pytest.mark.parametrize("cell", [1.0, 10.0, 30.0, 250.0])
def test_plane_of_the_3_4_5_triangle(cell):  # B01: exact
    z = surface(lambda x, y: 0.3 * x - 0.4 * y, cell)
    assert centre(slope(z, cell, cell)) == pytest.approx(26.565051, rel=1e-6)
    assert centre(aspect(z, cell, cell)) == pytest.approx(323.130102, rel=FLOAT32)


def test_plane_dipping_ten_degrees_to_the_south_west():  # B02: exact
    rise = np.tan(np.radians(10.0)) * np.sqrt(0.5)
    z = surface(lambda x, y: rise * (x + y), 30.0)
    assert centre(slope(z, 30.0, 30.0)) == pytest.approx(10.0, rel=1e-6)
    assert centre(aspect(z, 30.0, 30.0)) == pytest.approx(225.0, rel=1e-6)
    assert centre(northness(z, 30.0, 30.0)) == pytest.approx(np.cos(np.radians(225.0)), rel=1e-6)
    assert centre(eastness(z, 30.0, 30.0)) == pytest.approx(np.sin(np.radians(225.0)), rel=1e-6)


def test_flat_window_faces_nowhere():  # B03: convention, common practice
    z = surface(lambda x, y: 0.0 * x + 412.5)
    assert centre(slope(z, 10.0, 10.0)) == 0.0
    assert np.isnan(centre(aspect(z, 10.0, 10.0)))


def test_paraboloid():  # B04: the stencil is exact for quadratics
    z = surface(lambda x, y: ((x + 20.0) ** 2 + (y + 15.0) ** 2) / 200.0)
    assert centre(slope(z, 10.0, 10.0)) == pytest.approx(14.036243, rel=1e-6)
    assert centre(aspect(z, 10.0, 10.0)) == pytest.approx(233.130102, rel=1e-6)


def test_cubic_shows_the_stencils_truncation():  # B05: Taylor, dx^2 z''' / 6 = 0.01 too much
    z = surface(lambda x, y: (x + 20.0) ** 3 / 10_000.0 + 0.0 * y)
    assert np.tan(np.radians(centre(slope(z, 10.0, 10.0)))) == pytest.approx(0.13, rel=1e-6)


def test_spike_at_the_centre_has_no_slope():  # B06: the stencil skips the centre
    z = np.zeros((3, 3))
    z[1, 1] = 10.0
    assert centre(slope(z, 10.0, 10.0)) == 0.0


def test_window_where_eight_neighbours_and_four_differ():  # B07: worked by hand
    z = np.array([[12, 11, 14], [10, 10, 13], [9, 8, 15]])
    assert centre(slope(z, 10.0, 10.0)) == pytest.approx(11.395654, abs=1e-6)
    assert centre(aspect(z, 10.0, 10.0)) == pytest.approx(240.255119, rel=FLOAT32)


def test_another_window_worked_by_hand():
    z = np.array([[106, 107, 109], [103, 104, 107], [101, 103, 105]])
    assert centre(slope(z, 10.0, 10.0)) == pytest.approx(15.8224, abs=5e-5)
    assert centre(aspect(z, 10.0, 10.0)) == pytest.approx(221.4237, abs=5e-5)


def test_general_quadratic():
    z = surface(lambda x, y: 200 + 0.1 * x - 0.2 * y + 0.001 * x**2 + 0.002 * y**2 + 0.0005 * x * y)
    assert centre(slope(z, 10.0, 10.0)) == pytest.approx(12.6044, abs=5e-5)
    assert centre(aspect(z, 10.0, 10.0)) == pytest.approx(333.4349, abs=2e-4)


def ramp_in_degrees(latitude, across):
    """Ten metres of rise for each second of arc, and the grid it lies on."""
    second = 1 / 3600
    grid = Grid.north_up("EPSG:4326", 5.0, latitude + 1.5 * second, second, 3, 3)
    step = np.arange(3) * 10.0
    return grid, np.tile(step, (3, 1)) if across else np.tile(step[::-1, None], (1, 3))


@pytest.mark.parametrize(
    ("latitude", "across", "degrees"),
    [(60.0, True, 32.828541), (45.0, True, 24.540558), (45.0, False, 17.949200)],
)
def test_slope_of_heights_on_degrees(latitude, across, degrees):
    # B10, B11: derived from the radii of curvature. Degrees taken as metres would give 89.998 at 60 N.
    grid, z = ramp_in_degrees(latitude, across)
    made = on_grid(get("slope"), z.astype(np.float32), grid, grid.window)
    assert centre(made) == pytest.approx(degrees, abs=1e-5)


def test_a_second_of_arc_at_45_north():  # B11: 21.9019 m by 30.8699 m
    grid, _ = ramp_in_degrees(45.0, True)
    (strip,) = cell_metres(grid, grid.window)
    assert strip.dx[1] == pytest.approx(21.9019, abs=5e-5)
    assert strip.dy[1] == pytest.approx(30.8699, abs=5e-5)


@pytest.mark.parametrize(
    ("length", "cell", "kept"), [(1000, 100, 0.920177), (1000, 250, 0.573159), (1500, 250, 0.789720), (500, 250, 0.0)]
)
def test_means_over_cells_flatten_a_wave(length, cell, kept):
    # B20, by Fourier: means then central differences keep sinc(w/L) sinc(2w/L) of the gradient.
    k = 2 * np.pi / length
    edges = np.arange(41) * cell + 17.0
    means = 100.0 * -np.diff(np.cos(k * edges)) / (k * cell)
    made = np.tan(np.radians(slope(np.tile(means, (3, 1)), cell, cell)[1, 1:-1]))
    true = np.abs(100.0 * k * np.cos(k * (edges[:-1] + cell / 2.0)))[1:-1]
    np.testing.assert_allclose(made, kept * true, atol=2e-6 * 100.0 * k)


def test_coarsening_flattens_ridges():  # B21: worked by hand; slope first, then average
    ridges = np.tile([30.0, 20, 10, 0, 10, 20], (3, 5))
    assert np.nanmean(slope(ridges, 30.0, 30.0)) == pytest.approx(12.509430, abs=1e-6)
    coarse = np.repeat(ridges.reshape(3, 10, 3).mean(axis=2)[:1], 3, axis=0)
    assert coarse[0].tolist() == [20.0, 10.0] * 5
    assert np.nanmax(slope(coarse, 90.0, 90.0)) == 0.0
