"""The meshes of a run."""

from __future__ import annotations

import pickle
from types import SimpleNamespace

import numpy as np
import pytest

from underoak.base.grid import Grid, Window
from underoak.layers.resampling.meshes import Meshes

TARGET = Grid.north_up("EPSG:3035", 4_000_000, 3_000_000, 30, 900, 1000)
DEGREES = SimpleNamespace(grid=Grid.north_up("EPSG:4326", 8.0, 52.0, 0.01, 500, 500), is_periodic=False)
METRES = SimpleNamespace(grid=Grid.north_up("EPSG:3035", 3_999_000, 3_001_000, 250, 200, 200), is_periodic=False)
FAR = SimpleNamespace(grid=Grid.north_up("EPSG:3035", 6_000_000, 1_000_000, 250, 20, 20), is_periodic=False)


def test_grids_that_are_alike_share_a_mesh():
    meshes = Meshes(TARGET)
    again = SimpleNamespace(grid=METRES.grid, is_periodic=False)
    assert [meshes.index_of(source) for source in (DEGREES, METRES, again, DEGREES)] == [0, 1, 1, 0]
    assert meshes[1].jacobian == pytest.approx((0.12, 0, 0, 0.12))


@pytest.mark.parametrize("source", [DEGREES, METRES, FAR], ids=["degrees", "metres", "elsewhere"])
def test_a_region_surveyed_in_pieces_is_the_region_surveyed_at_once(source):
    at_once, window = Meshes(TARGET), Window(100, 200, 300, 300)
    index = at_once.index_of(source)
    extent, kept = at_once.extent(index), at_once.coordinates(index, window)
    in_pieces = Meshes(TARGET, resident_bytes=0, survey_cells=300)
    in_pieces.index_of(source)
    fresh = in_pieces.coordinates(0, window)
    assert extent == in_pieces.extent(0)
    assert (kept.row, kept.col, kept.step) == (fresh.row, fresh.col, fresh.step)
    assert np.array_equal(kept.u, fresh.u)
    assert np.array_equal(kept.v, fresh.v)


def test_an_extent_holds_the_corners_of_the_region():
    meshes = Meshes(TARGET)
    extent = meshes.extent(meshes.index_of(METRES))
    assert extent is not None
    left, right, top, bottom = extent
    # (4,000,000 - 3,999,000) / 250 = 4 cells, and 1000 cells of 30 m are 120 of 250 m; squares reach past the last cell
    assert (left, top) == (4.0, 4.0)
    assert 124.0 <= right < 132.0
    assert 112.0 <= bottom < 120.0


def test_they_travel_to_another_process():
    meshes, window = Meshes(TARGET), Window(0, 0, 100, 100)
    index = meshes.index_of(DEGREES)
    here = meshes.coordinates(index, window)
    there = pickle.loads(pickle.dumps(meshes)).coordinates(index, window)
    assert np.array_equal(here.u, there.u)
    assert np.array_equal(here.v, there.v)
