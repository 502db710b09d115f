"""Indicators over windows of a grid: latitudes, and how far around a cell they look."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base import crs
from underoak.base.grid import Grid, Window
from underoak.indicators import get, halo_cells, latitudes, on_grid

UTM = Grid.north_up("EPSG:25831", 500_000.0, 4_600_000.0, 30.0, 700, 900)
DEGREES = Grid.north_up("EPSG:4326", 5.0, 61.0, 1 / 3600, 700, 900)
TURNED = Grid("EPSG:25831", (25.0, 12.0, 500_000.0, 10.0, -28.0, 4_600_000.0), 700, 900)
HOMOLOSINE = Grid.north_up("+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs", 985_000.0, 4_632_000.0, 250.0, 300, 300)
GRIDS = {"utm": UTM, "degrees": DEGREES, "turned": TURNED, "homolosine": HOMOLOSINE}


def truth(grid, rows, cols):
    x, y = grid.xy(np.asarray(cols) + 0.5, np.asarray(rows) + 0.5)
    return crs.transformer(grid.crs, "EPSG:4258" if "25831" in grid.crs else "EPSG:4326").transform(x, y)[1]


@pytest.mark.parametrize("name", ["utm", "turned", "homolosine"])
def test_latitudes_between_nodes_are_those_of_the_projection(name):
    grid = GRIDS[name]
    window = Window(13, 57, 200, 240)
    rows, cols = np.mgrid[window.slices]
    np.testing.assert_allclose(latitudes(grid, window), truth(grid, rows, cols), atol=1e-7)


def test_latitudes_of_a_grid_in_degrees_are_one_for_each_row():
    made = latitudes(DEGREES, Window(10, 3, 4, 5))
    assert made.shape == (4,)
    np.testing.assert_allclose(made, 61.0 - (np.arange(10, 14) + 0.5) / 3600)


def test_cells_of_ten_kilometres_have_exact_latitudes():
    grid = Grid.north_up("EPSG:3035", 3_000_000.0, 4_000_000.0, 10_000.0, 50, 50)
    rows, cols = np.mgrid[0:50, 0:50]
    np.testing.assert_allclose(latitudes(grid, grid.window), truth(grid, rows, cols), atol=1e-9)


def test_places_beyond_the_pole_have_no_latitude():
    grid = Grid.north_up("EPSG:4326", 0.0, 91.0, 0.5, 4, 2)
    assert np.isnan(latitudes(grid, grid.window)).tolist() == [True, True, False, False]


@pytest.mark.parametrize("name", GRIDS)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_latitudes_do_not_depend_on_the_window(name, data):
    grid = GRIDS[name]
    whole = latitudes(grid, Window(0, 0, 300, 300))
    row, col = data.draw(st.integers(0, 299)), data.draw(st.integers(0, 299))
    window = Window(row, col, data.draw(st.integers(1, 300 - row)), data.draw(st.integers(1, 300 - col)))
    made = latitudes(grid, window)
    assert np.array_equal(made, whole[window.slices] if whole.ndim == 2 else whole[window.slices[0]])


def test_a_reach_in_metres_is_more_columns_the_nearer_the_pole():
    far = {"radius": 300.0}
    indicator = get("topographic_position")
    # a second of arc at 61 N is 15.04 m by 30.95 m
    assert halo_cells(indicator, DEGREES, Window(0, 0, 5, 5), far) == (10, 20)
    assert halo_cells(indicator, UTM, Window(0, 0, 5, 5), far) == (10, 10)  # 30 m there are 30.01 m
    down, across = halo_cells(indicator, TURNED, Window(0, 0, 5, 5), far)
    assert down > 9
    assert across > 11  # slanted cells are thinner than their sides are long


def test_a_reach_is_known_for_windows_that_hang_over_the_edge():
    indicator = get("topographic_position")
    inside = halo_cells(indicator, DEGREES, Window(0, 0, 5, 5), {"radius": 300.0})
    assert halo_cells(indicator, DEGREES, Window(-20, -30, 25, 35), {"radius": 300.0}) == inside
    assert halo_cells(indicator, DEGREES, Window(-20, -30, 10, 10), {"radius": 300.0}) == (0, 0)


def test_an_indicator_gets_its_latitude_by_name():
    flat = np.zeros((5, 5), np.float32)
    made = on_grid(get("heat_load"), flat, DEGREES, Window(100, 3, 5, 5), {"equation": "1"})
    assert np.isnan(made).all()  # 60.97 N
    south = Grid.north_up("EPSG:4326", 5.0, 45.0 + 2.5 / 3600, 1 / 3600, 5, 5)
    made = on_grid(get("heat_load"), flat, south, south.window, {"equation": "1"})
    assert made[2, 2] == pytest.approx(0.7058, abs=5e-5)
    utm = on_grid(get("heat_load"), flat, UTM, Window(0, 0, 5, 5), {"equation": "1"})
    assert utm[2, 2] == pytest.approx(np.exp(-1.467 + 1.582 * np.cos(np.radians(41.55))), abs=1e-4)
