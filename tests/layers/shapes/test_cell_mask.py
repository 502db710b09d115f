"""A mask of bits holds the same cells as the polygons it is burned from, in any window and after any journey."""

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, box

from underoak.base.grid import Grid, Window
from underoak.layers.shapes.cell_mask import CellMask
from underoak.layers.shapes.coverage import covers_centre, polygon_edges, touches_cell

GRID = Grid.north_up("EPSG:25831", 0.0, 7000.0, 10.0, 700, 1301)
WHOLE = {"centre": covers_centre, "any": touches_cell}


def burned(shapes, touch, parts=1):
    mask = CellMask.empty(GRID.rows, GRID.cols)
    for part in np.array_split(np.array([*shapes, None], object)[:-1], parts):
        mask.burn(polygon_edges(part, GRID), touch)
    return mask


@pytest.mark.parametrize("touch", ["centre", "any"])
@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32), parts=st.integers(1, 4))
def test_it_holds_the_cells_that_the_polygons_hold(touch, seed, parts):
    rng = np.random.default_rng(seed)
    places = rng.uniform((-500, -500), (13_500, 7500), (12, 2))  # some lie outside the grid, some across its edge
    shapes = [
        Point(*place).buffer(size, quad_segs=3) for place, size in zip(places, rng.gamma(1, 600, 12), strict=True)
    ]
    mask, whole = burned(shapes, touch, parts), WHOLE[touch](polygon_edges(shapes, GRID), GRID.window)
    np.testing.assert_array_equal(mask.at(GRID.window), whole)
    row, col = int(rng.integers(0, 699)), int(rng.integers(0, 1300))
    rows, cols = int(rng.integers(1, 701 - row)), int(rng.integers(1, 1302 - col))
    window = Window(row, col, rows, cols)
    np.testing.assert_array_equal(mask.at(window), whole[row : row + rows, col : col + cols])


def test_it_is_the_same_on_a_worker_and_small_on_the_way():
    mask = burned([box(100, 100, 6000, 6000)], "centre")
    sent = pickle.dumps(mask)
    assert len(sent) < mask.bits.nbytes / 10
    np.testing.assert_array_equal(pickle.loads(sent).at(GRID.window), mask.at(GRID.window))


def test_nothing_is_an_empty_mask():
    assert not burned([], "any").at(GRID.window).any()
    assert not burned([None, box(-900, -900, -800, -800)], "centre").at(GRID.window).any()
