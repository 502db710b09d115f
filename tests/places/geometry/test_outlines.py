"""Outlines traced through corners, against unions of the cells themselves."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from underoak.base.grid import Grid, Window
from underoak.places.geometry.outlines import corners, outlines

GRID = Grid.north_up("EPSG:25831", 0.0, 90.0, 10.0, 9, 8)
masks = arrays(np.bool_, GRID.shape, elements=st.booleans())


def traced(groups, grid=GRID):
    return outlines(corners(np.pad(groups, 1, constant_values=-1), 0, 0), groups.max() + 1, grid)


def groups_of(mask, structure):
    labels, _ = ndimage.label(mask, structure)
    return labels.astype(np.int32) - 1


def union(own):
    cells = [shapely.box(*GRID.bounds_of(Window(int(r), int(c), 1, 1))) for r, c in np.argwhere(own)]
    return shapely.union_all(cells)


@settings(max_examples=300, deadline=None)
@given(masks, st.sampled_from([None, np.ones((3, 3))]))
def test_an_outline_is_the_valid_union_of_its_cells(mask, structure):
    groups = groups_of(mask, structure)
    made = traced(groups)
    assert len(made) == groups.max() + 1
    for group, shape in enumerate(made):
        own = groups == group
        assert shape.is_valid, shapely.is_valid_reason(shape)
        assert shape.area == own.sum() * 100.0
        assert shapely.equals(shape, union(own))
        assert len(shape.geoms) == ndimage.label(own)[1]


@settings(max_examples=100, deadline=None)
@given(masks)
def test_rings_turn_at_every_vertex_and_run_the_standard_way(mask):
    for shape in traced(groups_of(mask, None)):
        for polygon in shape.geoms:
            assert polygon.exterior.is_ccw
            assert not any(hole.is_ccw for hole in polygon.interiors)
            for ring in (polygon.exterior, *polygon.interiors):
                steps = np.diff(shapely.get_coordinates(ring), axis=0) != 0
                assert (steps.sum(axis=1) == 1).all()
                assert (steps[1:, 0] != steps[:-1, 0]).all()
                assert steps[0, 0] != steps[-1, 0]


@settings(max_examples=100, deadline=None)
@given(masks, st.integers(1, 8), st.integers(1, 7))
def test_blocks_find_the_corners_of_the_whole(mask, rows, cols):
    groups = np.pad(groups_of(mask, None), 1, constant_values=-1)
    parts = [
        corners(np.ascontiguousarray(groups[row : row + rows + 1, col : col + cols + 1]), row, col)
        for row in range(0, 10, rows)
        for col in range(0, 9, cols)
    ]
    whole, joined = corners(groups, 0, 0), np.concatenate(parts)
    np.testing.assert_array_equal(joined[np.lexsort(joined.T)], whole[np.lexsort(whole.T)])


def test_a_hole_in_an_island_in_a_hole_finds_its_own_shell():
    groups = np.zeros((9, 9), np.int32)
    groups[1:8, 1:8] = -1
    groups[2:7, 2:7] = 0
    groups[3:6, 3:6] = -1
    groups[4, 4] = 0
    (shape,) = traced(groups, Grid.north_up("EPSG:25831", 0.0, 90.0, 10.0, 9, 9))
    assert [len(polygon.interiors) for polygon in shape.geoms] == [1, 1, 0]
    assert shape.area == (81 - 49 + 25 - 9 + 1) * 100.0


def test_holes_side_by_side_stay_with_their_shell_among_several():
    groups = np.full((4, 8), -1, np.int32)
    groups[1:4, 0:6] = groups[0, 0] = groups[0, 6] = 0  # the last touches at a corner only
    groups[2, 1] = groups[2, 3] = -1
    (shape,) = traced(groups, Grid.north_up("EPSG:25831", 0.0, 40.0, 10.0, 4, 8))
    assert shape.is_valid
    assert [len(polygon.interiors) for polygon in shape.geoms] == [2, 0]


def test_a_pocket_closed_by_a_corner_is_a_hole_that_touches():
    groups = np.array([[0, 0, 0], [0, -1, 0], [0, 0, -1]], np.int32)
    (shape,) = traced(groups, Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3))
    (polygon,) = shape.geoms
    assert len(polygon.interiors) == 1
    assert shape.is_valid


def test_groups_without_cells_and_no_groups_at_all():
    empty = np.full(GRID.shape, -1, np.int32)
    assert [shape.is_empty for shape in outlines(corners(empty, 0, 0), 2, GRID)] == [True, True]
    assert len(traced(empty)) == 0


@pytest.mark.parametrize("transform", [(8.0, 6.0, 0.0, 6.0, -8.0, 0.0), (10.0, 0.0, 5.0, 0.0, 10.0, 5.0)])
def test_outlines_lie_where_the_grid_says(transform):
    grid = Grid("EPSG:25831", transform, 9, 8)
    groups = np.full(grid.shape, -1, np.int32)
    groups[2:5, 3:7] = 0
    (shape,) = traced(groups, grid)
    corner = shapely.Polygon([grid.xy(u, v) for u, v in ((3, 2), (7, 2), (7, 5), (3, 5))])
    assert shapely.equals(shape, corner)
