"""True sizes of cells: against geodesics, and the same for any window."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.grid import Grid, Window
from underoak.indicators import cell_areas, cell_metres, get, on_grid

GRIDS = {
    "degrees": Grid.north_up("EPSG:4326", 2.0, 50.0, 1 / 1200, 700, 900),
    "web": Grid.north_up("EPSG:3857", 500000.0, 6.4e6, 30.0, 700, 900),
    "laea": Grid.north_up("EPSG:3035", 2.8e6, 2.1e6, 100.0, 700, 900),
    "utm": Grid.north_up("EPSG:25831", 250000.0, 4.9e6, 30.0, 700, 900),
    "feet": Grid.north_up("EPSG:2277", 2.3e6, 1.01e7, 100.0, 700, 900),
    "turned": Grid("EPSG:25831", (26.0, 15.0, 4e5, 15.0, -26.0, 4.6e6), 700, 900),
    "grads": Grid.north_up("EPSG:4807", 1.0, 52.0, 1 / 1000, 700, 900),
}


def measured(grid, row, col):
    """Lengths and bearings of the two lines through a cell's middle, from its ends on the ellipsoid."""
    crs = pyproj.CRS(grid.crs)
    to_degrees = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    unit = np.degrees(crs.geodetic_crs.axis_info[0].unit_conversion_factor)
    sides = []
    for start, end in (((col, row + 0.5), (col + 1, row + 0.5)), ((col + 0.5, row), (col + 0.5, row + 1))):
        (x0, y0), (x1, y1) = (to_degrees.transform(*grid.xy(*place)) for place in (start, end))
        bearing, _, length = crs.get_geod().inv(x0 * unit, y0 * unit, x1 * unit, y1 * unit)
        sides.append((length, bearing))
    return sides


def at(grid, row, col):
    (strip,) = cell_metres(grid, Window(row, col, 1, 1))
    return tuple(float(side[0]) for side in strip.sides)


@pytest.mark.parametrize("name", GRIDS)
@pytest.mark.parametrize(("row", "col"), [(0, 0), (33, 130), (400, 511), (699, 899)])
def test_sides_are_geodesic_lengths(name, row, col):
    dx, dy, turn, corner = at(GRIDS[name], row, col)
    (across, bearing_across), (down, bearing_down) = measured(GRIDS[name], row, col)
    assert abs(dx) == pytest.approx(across, rel=2e-4)  # within a strip of columns the scale is that of its middle
    assert abs(dy) == pytest.approx(down, rel=2e-4)
    assert 90.0 + turn == pytest.approx(bearing_across, abs=0.35)
    assert (turn + 90.0 + corner - bearing_down + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.35)


@pytest.mark.parametrize("name", GRIDS)
@pytest.mark.parametrize(("row", "col"), [(0, 0), (33, 130), (400, 511), (699, 899)])
def test_areas_are_those_of_the_cells_outline(name, row, col):
    from shapely import Polygon

    grid = GRIDS[name]
    crs = pyproj.CRS(grid.crs)
    to_degrees = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    unit = np.degrees(crs.geodetic_crs.axis_info[0].unit_conversion_factor)
    steps = np.linspace(0, 1, 40, endpoint=False)
    u = np.concatenate([steps, np.ones(40), 1 - steps, np.zeros(40)])
    v = np.concatenate([np.zeros(40), steps, np.ones(40), 1 - steps])
    lon, lat = to_degrees.transform(*grid.xy(col + u, row + v))
    outline = Polygon(np.column_stack([lon, lat]) * unit)
    area = abs(crs.get_geod().geometry_area_perimeter(outline)[0])
    assert cell_areas(grid, Window(row, col, 1, 1))[0, 0] == pytest.approx(area, rel=3e-6)


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(sorted(GRIDS)), st.integers(0, 690), st.integers(0, 890), st.integers(1, 300), st.integers(1, 300)
)
def test_no_size_depends_on_the_window(name, row, col, rows, cols):
    grid = GRIDS[name]
    window = Window(row, col, rows, cols).clip(*grid.shape)
    whole, part = spread(grid, grid.window), spread(grid, window)
    np.testing.assert_array_equal(part, whole[:, *window.slices])
    np.testing.assert_array_equal(cell_areas(grid, window), cell_areas(grid, grid.window)[window.slices])


def spread(grid, window):
    """The four sides of every cell."""
    made = np.full((4, *window.shape), np.nan)
    for strip in cell_metres(grid, window):
        made[:, :, strip.start : strip.stop] = np.stack(strip.sides)[:, :, None]
    return made


@pytest.mark.parametrize("name", GRIDS)
def test_strips_cover_every_column_once(name):
    for window in (GRIDS[name].window, Window(3, 200, 5, 400), Window(0, 256, 1, 256), Window(0, 255, 1, 2)):
        strips = cell_metres(GRIDS[name], window)
        assert [c for strip in strips for c in range(strip.start, strip.stop)] == list(range(window.cols))
        assert all(side.shape == (window.rows,) for strip in strips for side in strip.sides)


def test_south_up_and_mirrored_degrees_have_signed_sides():
    north = Grid("EPSG:4326", (0.1, 0.0, 0.0, 0.0, -0.1, 45.0), 3, 3)
    south = Grid("EPSG:4326", (-0.1, 0.0, 0.3, 0.0, 0.1, 44.7), 3, 3)
    (one,), (other,) = cell_metres(north, north.window), cell_metres(south, south.window)
    np.testing.assert_allclose(other.dx, -one.dx[::-1], rtol=1e-12)
    np.testing.assert_allclose(other.dy, -one.dy[::-1], rtol=1e-12)


def test_beyond_a_pole_there_are_no_metres():
    grid = Grid.north_up("EPSG:4326", 0.0, 92.0, 1.0, 4, 4)
    (strip,) = cell_metres(grid, grid.window)
    assert np.isnan(strip.dx[:2]).all()
    assert strip.dx[2] == pytest.approx(974.3, abs=0.5)
    assert (cell_areas(grid, grid.window)[:2] == 0.0).all()


def test_where_a_projection_is_undefined_there_are_no_metres():
    grid = Grid.north_up("EPSG:3035", 4.0e7, 4.0e7, 1000.0, 4, 4)
    assert np.isnan(spread(grid, grid.window)).all()
    assert np.isnan(on_grid(get("slope"), np.zeros((4, 4), np.float32), grid, grid.window)).all()


def true_plane(grid, window):
    """Heights on a slope of 20 % towards 200 degrees, laid out by true distances from the window's middle."""
    crs = pyproj.CRS(grid.crs)
    rows, cols = np.mgrid[window.row : window.row + window.rows, window.col : window.col + window.cols] + 0.5
    to_degrees = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    unit = np.degrees(crs.geodetic_crs.axis_info[0].unit_conversion_factor)
    lon, lat = (np.asarray(v) * unit for v in to_degrees.transform(*grid.xy(cols, rows)))
    middle = window.rows // 2, window.cols // 2
    lon0, lat0 = np.full(lon.shape, lon[middle]), np.full(lat.shape, lat[middle])
    bearing, _, length = crs.get_geod().inv(lon0, lat0, lon, lat)
    return (-0.2 * length * np.cos(np.radians(bearing - 200.0))).astype(np.float32)


@pytest.mark.parametrize("name", GRIDS)
def test_a_true_plane_has_its_slope_and_aspect_on_every_grid(name):
    grid, window = GRIDS[name], Window(250, 300, 5, 5)
    z = true_plane(grid, window)
    assert on_grid(get("slope"), z, grid, window)[2, 2] == pytest.approx(np.degrees(np.arctan(0.2)), abs=0.01)
    assert on_grid(get("aspect"), z, grid, window)[2, 2] == pytest.approx(200.0, abs=0.35)


@pytest.mark.parametrize("name", ["degrees", "web", "turned"])
def test_an_indicator_on_tiles_is_the_indicator_on_the_whole(name):
    grid = GRIDS[name]
    z = np.random.default_rng(1).uniform(0, 500, grid.shape).astype(np.float32)
    whole = on_grid(get("slope"), z, grid, grid.window)
    for tile in grid.tiles(300):
        halo = tile.expand(1).clip(*grid.shape)
        rows, cols = tile.relative_to(halo).slices
        made = on_grid(get("slope"), z[halo.slices], grid, halo)[rows, cols]
        np.testing.assert_array_equal(made, whole[tile.slices])


def test_monthly_indicators_need_no_metres():
    grid = GRIDS["utm"]
    months = np.ones((12, 3, 3), np.float32)
    assert (on_grid(get("annual_sum"), months, grid, Window(0, 0, 3, 3)) == 12.0).all()


def test_values_must_fill_the_window():
    with pytest.raises(ValueError, match="window"):
        on_grid(get("slope"), np.zeros((3, 4), np.float32), GRIDS["utm"], Window(0, 0, 3, 3))
