"""The wetness index: water goes downhill, none is lost, and hollows are filled."""

from __future__ import annotations

import sys
from itertools import pairwise

import numpy as np
import pytest

from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid
from underoak.indicators import cell_metres, get, on_grid, wetness_index
from underoak.indicators.cell_size import CellSizes

pytest.importorskip("pyflwdir")


def strips(rows, cols, cell=10.0, parts=1):
    edges = np.linspace(0, cols, parts + 1).astype(int)
    return [
        CellSizes(a, b, np.full(rows, cell), np.full(rows, cell), np.zeros(rows), np.full(rows, 90.0))
        for a, b in pairwise(edges)
    ]


def test_all_of_a_valley_drains_through_its_mouth():
    x = np.abs(np.arange(41) - 20.0)
    valley = (x[None, :] * 2.0 - np.arange(30)[:, None] * 0.5 + 100.0).astype(np.float32)
    made = wetness_index(valley, strips(30, 41))
    assert made[28, 20] == np.nanmax(made)
    row = made[:, 20][1:-1]
    assert (np.diff(row[~np.isnan(row)]) > 0).all()  # wetter all the way down


def test_turning_the_land_turns_the_index():
    ramp = 3.0 * np.arange(60)[:, None] + 2.0 * np.arange(45)[None, :]  # no hollows: there alone is a choice of ways
    z = (ramp + np.random.default_rng(2).uniform(0.0, 1.5, (60, 45))).astype(np.float32)
    base = wetness_index(z, strips(60, 45))
    np.testing.assert_allclose(wetness_index(z.T.copy(), strips(45, 60)).T, base, atol=1e-4)
    np.testing.assert_allclose(wetness_index(z[::-1].copy(), strips(60, 45))[::-1], base, atol=1e-4)


def test_strips_do_not_change_it():
    z = np.random.default_rng(4).normal(size=(50, 64)).cumsum(0).cumsum(1).astype(np.float32)
    base = wetness_index(z, strips(50, 64))
    assert np.array_equal(wetness_index(z, strips(50, 64, parts=5)), base, equal_nan=True)


def test_a_hollow_is_filled_and_the_water_goes_on():
    slope = np.tile(100.0 - np.arange(20.0), (9, 1)).astype(np.float32)
    pitted = slope.copy()
    pitted[3:6, 8:11] -= 30.0
    made, plain = wetness_index(pitted, strips(9, 20)), wetness_index(slope, strips(9, 20))
    assert np.isfinite(made[1:-1, 1:-1]).all()
    assert made[4, 9] > plain[4, 9]  # a pond is level
    assert made[1:-1, 18].max() >= plain[1:-1, 18].max()  # what comes in goes out


def test_level_ground_has_an_end():  # no infinity where the slope is nothing
    made = wetness_index(np.zeros((12, 12), np.float32), strips(12, 12))
    assert np.isfinite(made[1:-1, 1:-1]).all()
    assert made[1:-1, 1:-1].min() >= np.log(10.0 / np.tan(np.radians(0.1))) - 1e-5


def test_missing_ground_stays_missing_and_takes_water_away():
    z = np.tile(100.0 - np.arange(20.0), (9, 1)).astype(np.float32)
    z[4, 10] = np.nan
    made = wetness_index(z, strips(9, 20))
    assert np.isnan(made[3:6, 9:12]).all()
    assert np.isfinite(made[1:3, 1:-1]).all()


def test_it_is_the_same_on_a_grid_in_degrees_as_the_cells_sizes_say():
    grid = Grid.north_up("EPSG:4326", 5.0, 45.0, 1 / 3600, 30, 40)
    z = (np.arange(30)[:, None] * -3.0 + np.abs(np.arange(40) - 20.0)[None, :] + 500.0).astype(np.float32)
    assert np.array_equal(
        on_grid(get("wetness_index"), z, grid, grid.window), wetness_index(z, cell_metres(grid, grid.window)), True
    )


def test_without_its_package_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "pyflwdir.dem", None)
    with pytest.raises(UnderoakError) as caught:
        wetness_index(np.zeros((5, 5), np.float32), strips(5, 5))
    (fault,) = caught.value.faults
    assert fault.code == "E521"
    assert "pip install" in fault.fix
