"""Shapes that exclude ground: those near the region, widened a few at a time."""

import numpy as np
import pytest
import shapely
from shapely import Point, box

from underoak.base.grid import Grid, Window
from underoak.engine.prepare import shape_masks
from underoak.engine.prepare.shape_masks import shape_mask
from underoak.layers.shapes.coverage import polygon_edges
from underoak.plan.keys.constraints import ShapesConstraint

GRID = Grid.north_up("EPSG:25831", 0.0, 1000.0, 10.0, 100, 100)


def some_shapes():
    rng = np.random.default_rng(5)
    made = [Point(*place).buffer(size) for place, size in zip(rng.uniform(0, 1000, (25, 2)), range(1, 26), strict=True)]
    return np.array([*made, None, box(5000, 5000, 5010, 5010), box(1015, 0, 1020, 9)], object)


@pytest.mark.parametrize("grow", ["0 m", "20 m"])
@pytest.mark.parametrize("at_once", [1, 7, 10_000])
def test_widening_a_few_at_a_time_gives_the_edges_of_all_at_once(grow, at_once):
    spec = ShapesConstraint(name="built", file="built.gpkg", exclude="inside", grow=grow)
    made = shape_mask(spec, some_shapes(), GRID, at_once)
    near = [
        *some_shapes()[:25],
        *([some_shapes()[27]] if grow == "20 m" else []),
    ]  # the last comes within reach only so
    widened = [shape.buffer(20.0) for shape in near] if grow == "20 m" else near
    for one, other in zip(made.edges, polygon_edges(widened, GRID), strict=True):
        np.testing.assert_array_equal(one, other)


def test_no_shape_near_the_region_excludes_nothing():
    spec = ShapesConstraint(name="built", file="built.gpkg", exclude="inside", grow="20 m")
    assert not shape_mask(spec, some_shapes()[25:27], GRID).holds(GRID.window).any()


@pytest.mark.parametrize("grow", ["0 m", "20 m"])
@pytest.mark.parametrize("touch", ["centre", "any"])
@pytest.mark.parametrize("exclude", ["inside", "outside"])
@pytest.mark.parametrize("most_edges", [0, 300])
def test_cells_exclude_what_the_edges_would_exclude(grow, touch, exclude, most_edges, monkeypatch):
    monkeypatch.setattr(shape_masks, "BITS", 10**9)  # as if cells took no memory
    spec = ShapesConstraint(name="built", file="built.gpkg", exclude=exclude, grow=grow, touch=touch)
    by_edges = shape_mask(spec, some_shapes(), GRID)
    by_cells = shape_mask(spec, some_shapes(), GRID, 3, most_edges)
    assert by_edges.burned is None
    assert by_cells.burned is not None
    assert by_cells.edges.count_of_edges <= most_edges
    for window in (GRID.window, Window(13, 37, 41, 52)):
        np.testing.assert_array_equal(by_cells.holds(window), by_edges.holds(window))


def test_shapes_are_taken_by_their_corners_too(monkeypatch):
    monkeypatch.setattr(shape_masks, "_CORNERS", 200)
    shapes = some_shapes()[:25]
    batches = list(shape_masks._batches(shapes, 10))
    assert [shape for batch in batches for shape in batch] == list(shapes)
    assert len(batches) > 3
    assert all(len(batch) == 1 or shapely.get_num_coordinates(batch).sum() <= 200 for batch in batches)
