"""Polygons on a grid, against shapely's intersections, an exact-coverage library and a rasteriser."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Polygon, affinity, box

from underoak.base.grid import Grid, Window
from underoak.layers.shapes.coverage import (
    add_shares,
    coverage,
    covers_centre,
    merge_edges,
    polygon_edges,
    polygons_in_window,
    touches_cell,
)

GRID = Grid.north_up("EPSG:25831", 0.0, 90.0, 10.0, 9, 11)
seeds = st.integers(0, 2**32 - 1)


def star(rng, middle, reach, points):
    """A star round a place."""
    angles = np.sort(rng.uniform(0, 2 * np.pi, points)) + np.linspace(0, 1e-3, points)
    radii = reach * rng.uniform(0.3, 1.0, points)
    made = Polygon(np.column_stack([middle[0] + radii * np.cos(angles), middle[1] + radii * np.sin(angles)]))
    return made if made.is_valid else made.convex_hull


def polygon(seed):
    """A star, one with a hole, two parts, a sliver, a shape along the cells' lines, or one between their crossings."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform(-10, 120), rng.uniform(-10, 100)
    outer = star(rng, middle, rng.uniform(2, 60), int(rng.integers(4, 30)))
    kind = seed % 6
    if kind == 1:
        outer = outer.difference(affinity.scale(outer, 0.4, 0.4, origin=middle))
    elif kind == 2:
        outer = MultiPolygon([outer, affinity.translate(outer, 200.0, 0.0), star(rng, (-100.0, 40.0), 20.0, 6)])
    elif kind == 3:
        x, y, dx, dy = rng.uniform(0, 90, 4)
        outer = Polygon([(x, y), (x + dx, y + dy), (x + dx + 1e-4, y + dy), (x, y + 1e-4)])
    elif kind == 4:
        cells = rng.integers(0, 9, 4) * 10.0
        outer = box(min(cells[:2]), min(cells[2:]), max(cells[:2]) + 10.0, max(cells[2:]) + 10.0)
    elif kind == 5:
        outer = shapely.convex_hull(shapely.multipoints(rng.integers(0, 10, (6, 2)) * 10.0))
        outer = outer if outer.area else box(0, 0, 10, 10)
    return outer if outer.is_valid else outer.buffer(0)


def by_intersection(shape, grid=GRID):
    """Share of each cell by shapely, cell after cell."""
    share = np.zeros(grid.shape)
    for row in range(grid.rows):
        for col in range(grid.cols):
            cell = Polygon([grid.xy(col + u, row + v) for u, v in ((0, 0), (1, 0), (1, 1), (0, 1))])
            share[row, col] = shapely.intersection(cell, shape).area / cell.area
    return share


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_coverage_is_the_area_of_the_intersection(seed):
    shape = polygon(seed)
    found = coverage(polygon_edges([shape], GRID), GRID.window)
    np.testing.assert_allclose(found, by_intersection(shape), rtol=0, atol=2e-8)


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_coverage_agrees_with_an_exact_coverage_library(seed):
    exactextract = pytest.importorskip("exactextract")
    shape = polygon(seed)
    raster = exactextract.raster.NumPyRasterSource(np.ones(GRID.shape), 0.0, 0.0, 110.0, 90.0)
    feature = {"type": "Feature", "geometry": shape.__geo_interface__, "properties": {}}
    told = exactextract.exact_extract(raster, [feature], ["cell_id", "coverage"])[0]["properties"]
    theirs = np.zeros(GRID.rows * GRID.cols)
    theirs[np.asarray(told["cell_id"], int)] = told["coverage"]
    ours = coverage(polygon_edges([shape], GRID), GRID.window)
    np.testing.assert_allclose(ours, theirs.reshape(GRID.shape), rtol=0, atol=2e-6)  # theirs is single precision


@settings(max_examples=60, deadline=None)
@given(seeds, st.tuples(*(st.integers(0, 8), st.integers(0, 10), st.integers(1, 9), st.integers(1, 11))))
def test_any_window_gives_the_same_bits(seed, corner):
    edges = polygon_edges([polygon(seed), polygon(seed + 1), polygon(seed + 2)], GRID)
    window = Window(*corner).clip(*GRID.shape)
    for rule in (coverage, covers_centre, touches_cell):
        np.testing.assert_array_equal(rule(edges, window), rule(edges, GRID.window)[window.slices])


@settings(max_examples=40, deadline=None)
@given(seeds)
def test_what_lies_in_the_grid_adds_up_to_the_polygons_area(seed):
    shape = polygon(seed)
    wide = Grid.north_up("EPSG:25831", -300.0, 400.0, 10.0, 80, 90)
    edges = polygon_edges([shape], wide)
    assert coverage(edges, wide.window).sum() == pytest.approx(shape.area / 100.0, abs=1e-6)
    assert edges.areas[0] == pytest.approx(shape.area / 100.0, abs=1e-6)


def triangles(seed):
    """Triangles that tile the box of 0..110 x 0..90 vertex by vertex."""
    rng = np.random.default_rng(seed)
    points = np.vstack([rng.uniform((0, 0), (110, 90), (40, 2)), [(0, 0), (110, 0), (110, 90), (0, 90)]])
    return list(shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(points))))


@settings(max_examples=30, deadline=None)
@given(seeds)
def test_a_tiling_covers_each_cell_exactly_once(seed):
    assert (coverage(polygon_edges(triangles(seed), GRID), GRID.window) == 1.0).all()


@settings(max_examples=30, deadline=None)
@given(seeds)
def test_a_tiling_holds_each_centre_exactly_once(seed):
    held = sum(covers_centre(polygon_edges([tile], GRID), GRID.window).astype(int) for tile in triangles(seed))
    assert (held == 1).all()


def test_centres_right_on_shared_edges_and_corners_belong_to_one_polygon_each():
    squares = [(x, y) for x in range(-5, 115, 10) for y in range(-5, 95, 10)]  # corners are the cells' centres
    tiles = [Polygon([(x, y), (x + 10, y), (x + 10, y + 10)]) for x, y in squares]
    tiles += [Polygon([(x, y), (x + 10, y + 10), (x, y + 10)]) for x, y in squares]
    held = sum(covers_centre(polygon_edges([tile], GRID), GRID.window).astype(int) for tile in tiles)
    assert (held == 1).all()


def test_a_cell_inside_is_exactly_one():
    rng = np.random.default_rng(3)
    share = coverage(polygon_edges([star(rng, (55.0, 45.0), 500.0, 50).buffer(300.0)], GRID), GRID.window)
    assert (share == 1.0).all()


def off_the_edges(shape):
    """Cells whose centre is not right on an outline, where libraries differ."""
    rows, cols = np.mgrid[:9, :11]
    points = shapely.points(*GRID.xy(cols + 0.5, rows + 0.5))
    return points, shapely.distance(points, shape.boundary) > 1e-6


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_centres_are_the_points_inside(seed):
    shape = polygon(seed)
    points, clear = off_the_edges(shape)
    found = covers_centre(polygon_edges([shape], GRID), GRID.window)
    np.testing.assert_array_equal(found[clear], shapely.contains(shape, points)[clear])


@settings(max_examples=40, deadline=None)
@given(seeds)
def test_centres_agree_with_a_rasteriser(seed):
    from rasterio.features import rasterize

    shape = polygon(seed)
    _, clear = off_the_edges(shape)
    theirs = rasterize([shape], out_shape=GRID.shape, transform=(10.0, 0.0, 0.0, 0.0, -10.0, 90.0)).astype(bool)
    np.testing.assert_array_equal(covers_centre(polygon_edges([shape], GRID), GRID.window)[clear], theirs[clear])


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_touched_is_any_overlap(seed):
    shape = polygon(seed)
    share, found = by_intersection(shape), touches_cell(polygon_edges([shape], GRID), GRID.window)
    assert found[share > 1e-9].all()
    assert not found[share == 0.0].any()


def test_a_sliver_too_thin_to_measure_is_still_touched():
    thin = Polygon([(1.0, 1.0), (109.0, 89.0), (109.0, 89.0 + 1e-8)])
    found = touches_cell(polygon_edges([thin], GRID), GRID.window)
    assert found.sum() == sum(shapely.LineString([(1, 1), (109, 89)]).intersection(cell).length > 0 for cell in cells())


def test_a_sliver_that_snapping_flattens_is_still_touched():
    flat = box(12.0, 34.0, 38.0, 34.0 + 1e-10)
    upright = box(12.0, 34.0, 12.0 + 1e-10, 58.0)
    for thin, count in ((flat, 3), (upright, 3)):
        edges = polygon_edges([thin], GRID)
        assert not coverage(edges, GRID.window).any()
        assert touches_cell(edges, GRID.window).sum() == count


def cells():
    return [box(*GRID.bounds_of(Window(row, col, 1, 1))) for row in range(9) for col in range(11)]


def test_a_shape_along_the_lines_touches_no_neighbour():
    edges = polygon_edges([box(20, 30, 50, 60)], GRID)
    expected = np.zeros(GRID.shape, bool)
    expected[3:6, 2:5] = True
    for rule in (touches_cell, covers_centre, coverage):
        np.testing.assert_array_equal(rule(edges, GRID.window), expected)


@pytest.mark.parametrize("transform", [(-10.0, 0.0, 110.0, 0.0, -10.0, 90.0), (10.0, 0.0, 0.0, 0.0, 10.0, 0.0)])
def test_a_mirrored_grid_mirrors_the_answer(transform):
    mirrored = Grid("EPSG:25831", transform, 9, 11)
    flip = np.s_[:, ::-1] if transform[0] < 0 else np.s_[::-1]
    for seed in range(10):
        ours = coverage(polygon_edges([polygon(seed)], GRID), GRID.window)
        np.testing.assert_allclose(
            coverage(polygon_edges([polygon(seed)], mirrored), mirrored.window), ours[flip], atol=1e-8
        )


def test_a_turned_grid_is_covered_exactly():
    cos, sin = 10.0 * np.cos(0.5), 10.0 * np.sin(0.5)
    turned = Grid("EPSG:25831", (cos, sin, 20.0, sin, -cos, 60.0), 7, 8)
    for seed in range(8):
        found = coverage(polygon_edges([polygon(seed)], turned), turned.window)
        np.testing.assert_allclose(found, by_intersection(polygon(seed), turned), atol=2e-8)


def test_rings_may_run_either_way():
    shell, hole = [(5, 5), (65, 5), (65, 65), (5, 65)], [(15, 15), (15, 35), (35, 35), (35, 15)]
    expected = coverage(polygon_edges([Polygon(shell, [hole])], GRID), GRID.window)
    assert expected.sum() == 32.0
    for way in (Polygon(shell[::-1], [hole]), Polygon(shell, [hole[::-1]]), Polygon(shell[::-1], [hole[::-1]])):
        np.testing.assert_array_equal(coverage(polygon_edges([way], GRID), GRID.window), expected)


def test_the_order_of_polygons_changes_no_bit():
    shapes = [polygon(seed) for seed in range(30)]
    forward, backward = (coverage(polygon_edges(list(s), GRID), GRID.window) for s in (shapes, shapes[::-1]))
    np.testing.assert_array_equal(forward, backward)


def test_one_polygon_picked_is_the_polygon_alone():
    shapes = [polygon(seed) for seed in range(5)]
    edges = polygon_edges(shapes, GRID)
    for i, shape in enumerate(shapes):
        alone = coverage(polygon_edges([shape], GRID), GRID.window)
        np.testing.assert_array_equal(coverage(edges.pick(i), GRID.window), alone)


def test_polygons_joined_are_those_made_at_once():
    shapes = [polygon(0), None, polygon(1), polygon(2), Polygon(), polygon(3)]
    at_once = polygon_edges(shapes, GRID)
    for parts in ([6], [1, 5], [2, 0, 3, 1]):
        ends = np.cumsum([0, *parts])
        made = merge_edges([polygon_edges(shapes[a:b], GRID) for a, b in itertools.pairwise(ends)])
        for one, other in zip(made, at_once, strict=True):
            np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("count", [0, 5, 300])
def test_the_polygons_that_meet_a_window_are_those_whose_boxes_do(count):
    shapes = [polygon(seed) for seed in range(count)]
    edges = polygon_edges([*shapes, None], GRID)
    for window in (GRID.window, Window(1, 2, 3, 4), Window(500, 500, 9, 9)):
        left, top, right, bottom = edges.box.T
        apart = (left >= window.col + window.cols) | (right <= window.col)
        apart |= (top >= window.row + window.rows) | (bottom <= window.row) | np.isnan(left)
        found = polygons_in_window(edges, window.row, window.col, window.rows, window.cols)
        assert found.tolist() == np.flatnonzero(~apart).tolist()


@pytest.mark.parametrize("dtype", [np.float64, np.bool_])
def test_shares_of_planes_are_coverage_times_plane_window_by_window(dtype):
    shapes = [*map(polygon, range(12)), None]
    edges = polygon_edges(shapes, GRID)
    planes = (np.random.default_rng(3).random((3, *GRID.shape)) * 2.0 - 0.5).astype(dtype)
    sums = np.zeros((len(shapes), 3))
    for window in GRID.tiles(4):
        add_shares(edges, window, planes[:, *window.slices], sums)
    plain = [
        [(coverage(polygon_edges([shape], GRID), GRID.window) * plane).sum() for plane in planes] for shape in shapes
    ]
    np.testing.assert_allclose(sums, plain, rtol=0, atol=1e-9)
    assert np.ptp(sums[:12], axis=0).min() > 1.0


def test_empty_and_absent_shapes_keep_their_place():
    edges = polygon_edges([None, box(0, 0, 10, 10), Polygon(), MultiPolygon(), box(0, 0, 20, 10)], GRID)
    assert edges.polygons == 5
    assert edges.areas.tolist() == [0.0, 1.0, 0.0, 0.0, 2.0]
    assert coverage(edges, GRID.window).sum() == 3.0
    assert polygon_edges([], GRID).polygons == 0
    assert not touches_cell(polygon_edges([None], GRID), GRID.window).any()


def test_far_away_shapes_cover_nothing_and_break_nothing():
    far = box(-1e9, -1e9, -1e9 + 50, -1e9 + 50)
    huge = box(-1e12, -1e12, 1e12, 1e12)
    assert not coverage(polygon_edges([far], GRID), GRID.window).any()
    assert (coverage(polygon_edges([huge], GRID), GRID.window) == 1.0).all()


def test_what_is_no_polygon_is_refused():
    with pytest.raises(ValueError, match="only polygons"):
        polygon_edges([shapely.Point(0, 0)], GRID)
    with pytest.raises(ValueError, match="not finite"):
        polygon_edges([Polygon([(0, 0), (np.inf, 0), (1, 1)])], GRID)
