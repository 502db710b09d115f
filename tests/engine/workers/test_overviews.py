"""Overviews made with the tiles are those of the whole raster, whatever the order and size of tiles."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from underoak.base.grid import Grid
from underoak.engine.storage.spool import TILE
from underoak.engine.workers import overviews as pyramids
from underoak.engine.workers.overviews import Pyramid
from underoak.engine.write.cog import BLOCK, Band, RasterLayout, encode, keys_of, levels
from underoak.engine.write.outputs import Output, halve

SHAPES = [(1025, 700), (2048, 2048), (2049, 4099), (3070, 1023), (5000, 1200)]


def output(averaged: bool) -> Output:
    if averaged:
        return Output(RasterLayout("mean.tif", "float32", float("nan"), (Band("one"),)), None, averaged=True)
    return Output(RasterLayout("codes.tif", "uint8", 255, (Band("one"), Band("two"))), None, averaged=False)


def raster(shape: tuple[int, int], made: Output) -> np.ndarray:
    random = np.random.default_rng(shape)
    if made.averaged:
        values = random.random((1, *shape), np.float32)
        values[random.random(values.shape) < 0.4] = np.nan
        return values
    return random.integers(0, 4, (2, *shape), np.uint8)


def first_of(grid: Grid, outputs: list[Output], rasters: list[np.ndarray], tile: int):
    """Each tile with its cells of the first overview."""
    for window in grid.tiles(tile):
        rows, cols = window.slices
        parts = zip(outputs, rasters, strict=True)
        yield window, {made.layout.name: halve(cells[:, rows, cols], made) for made, cells in parts}


@pytest.mark.parametrize("tile", [TILE, 2 * TILE, 3 * TILE])
@pytest.mark.parametrize("shape", SHAPES)
def test_blocks_are_those_of_the_whole(shape, tile):
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, *shape)
    outputs = [output(True), output(False)]
    rasters = [raster(shape, made) for made in outputs]
    pyramid, found = Pyramid(grid, outputs), {}
    tiles = list(first_of(grid, outputs, rasters, tile))
    for at in np.random.default_rng(7).permutation(len(tiles)):
        for name, key, data in pyramid.take(*tiles[at]):
            assert (name, key) not in found
            found[name, key] = data
    for made, cells in zip(outputs, rasters, strict=True):
        cells = halve(cells, made)
        for level in range(2, levels(grid) + 1):
            cells = halve(cells, made)
            keys = list(keys_of(made.layout, grid, level))
            assert [found.pop((made.layout.name, key)) for key in keys] == encode(cells, made.layout)
    assert not found


def test_a_block_waits_for_all_its_tiles():
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 2 * TILE, 4 * TILE)
    made = output(True)
    tiles = list(first_of(grid, [made], [raster(grid.shape, made)], TILE))
    pyramid = Pyramid(grid, [made])
    keys = [key for tile in tiles[:5] + tiles[6:] for _, key, _ in pyramid.take(*tile)]  # all but one of the left four
    assert keys == [(2, 0, 0, 1)]


def test_a_raster_without_a_second_overview_has_none():
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 2 * BLOCK, 2 * BLOCK)
    assert not list(Pyramid(grid, [output(True)]).take(grid.window, {}))


def test_threads_may_share_one():
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 4 * TILE, 4 * TILE)
    made = output(True)
    tiles = list(first_of(grid, [made], [raster(grid.shape, made)], TILE))
    pyramid = Pyramid(grid, [made])
    with ThreadPoolExecutor(8) as pool:
        found = [block for blocks in pool.map(lambda tile: list(pyramid.take(*tile)), tiles) for block in blocks]
    expected = [key for level in (2, 3) for key in keys_of(made.layout, grid, level)]
    assert sorted(key for _, key, _ in found) == expected


def test_little_is_held(monkeypatch):
    monkeypatch.setattr(pyramids, "_MOST_BYTES", 3 * 4 * 256 * 256)
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 2 * TILE, 8 * TILE)
    made = output(True)
    tiles = list(first_of(grid, [made], [raster(grid.shape, made)], TILE))
    in_bands, in_rows = Pyramid(grid, [made]), Pyramid(grid, [made])
    order = sorted(range(len(tiles)), key=lambda at: tiles[at][0].col)
    assert [key for at in order[:4] for _, key, _ in in_bands.take(*tiles[at])] == [(2, 0, 0, 0)]
    assert not [key for tile in tiles for _, key, _ in in_rows.take(*tile)]


def test_the_highest_levels_are_given_up_first(monkeypatch):
    monkeypatch.setattr(pyramids, "_MOST_BYTES", 4 * 4 * 256 * 256)
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 2 * TILE, 16 * TILE)
    made = output(True)
    tiles = sorted(first_of(grid, [made], [raster(grid.shape, made)], TILE), key=lambda tile: tile[0].col)
    pyramid = Pyramid(grid, [made])
    found = [key for tile in tiles for _, key, _ in pyramid.take(*tile)]
    assert [key for key in found if key[0] == 2] == list(keys_of(made.layout, grid, 2))
    assert {key[0] for key in found} < {2, 3, 4, 5}
