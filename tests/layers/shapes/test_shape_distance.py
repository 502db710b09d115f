"""Distance to shapes: exact, in true metres, and the same in any window."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base import crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.layers.shapes.distance import open_distance

from noise import write_shapes

GRID = Grid.north_up("EPSG:25831", 499_000.0, 4_600_000.0, 25.0, 90, 100)  # on the central meridian: 25.01 m


def opened(folder, shapes, within=400.0, grid=GRID, system="EPSG:25831", **more):
    path = write_shapes(folder / "shapes.gpkg", shapes, system)
    problems = Problems()
    source = open_distance("roads (shapes.gpkg)", path, None, "", within, grid, problems, **more)
    assert problems.faults == []
    return source


def plain(shapes, grid, within, scale):
    u, v = np.meshgrid(np.arange(grid.cols) + 0.5, np.arange(grid.rows) + 0.5)
    centres = shapely.points(*grid.xy(u, v))
    least = np.full(grid.shape, np.inf)
    for shape in shapes:
        least = np.minimum(least, shapely.distance(centres, shape))
    return np.minimum(least * scale, within)


def some_shapes(rng, count):
    left, bottom, right, top = GRID.bounds
    made = []
    for n in range(count):
        x, y = rng.uniform(left - 300, right + 300), rng.uniform(bottom - 300, top + 300)
        if n % 3 == 0:
            made.append(shapely.LineString(np.cumsum(np.vstack([[x, y], rng.normal(0, 60, (5, 2))]), axis=0)))
        elif n % 3 == 1:
            ring = shapely.Point(x, y).buffer(rng.uniform(20, 150), 4)
            made.append(ring.difference(shapely.Point(x, y).buffer(12)))
        else:
            made.append(shapely.MultiPoint([(x, y), (x + 200, y)]))
    return made


@pytest.mark.parametrize("seed", range(4))
def test_lines_points_and_polygons_with_holes_are_as_far_as_geometry_says(tmp_path, seed):
    rng = np.random.default_rng(seed)
    shapes = some_shapes(rng, 12)
    made = opened(tmp_path, shapes).read(GRID.window).values
    np.testing.assert_allclose(made, plain(shapes, GRID, 400.0, 1 / 0.9996), atol=0.01)
    assert (made == 0.0).any()
    assert (made == 400.0).any()


def test_known_distances_to_a_road(tmp_path):
    road = shapely.LineString([(500_000, 4_590_000), (500_000, 4_610_000)])
    made = opened(tmp_path, [road]).read(GRID.window).values[45]
    # the road runs between columns 39 and 40: centres lie 12.5, 37.5 ... grid metres away, true ones 0.9996 of it apart
    expected = np.minimum(np.abs(np.arange(100) - 39.5) * 25.0 / 0.9996, 400.0)
    np.testing.assert_allclose(made, expected, atol=1e-3)


def test_metres_are_true_where_the_reference_system_stretches_them(tmp_path):
    mercator = Grid.north_up("EPSG:3857", 0.0, 8_399_737.9, 20.0, 40, 60)  # 60 N: 20 m there are 10 m
    road = shapely.LineString([(0.0, 8_390_000.0), (0.0, 8_410_000.0)])
    made = opened(tmp_path, [road], grid=mercator, system="EPSG:3857").read(mercator.window).values
    np.testing.assert_allclose(made[20, :5], (np.arange(5) + 0.5) * 10.0, rtol=5e-3)


def test_shapes_in_degrees_are_brought_to_the_grid(tmp_path):
    to_degrees = crs.transformer("EPSG:25831", "EPSG:4326")
    spot = shapely.Point(to_degrees.transform(500_012.5, 4_598_987.5))
    made = opened(tmp_path, [spot], system="EPSG:4326").read(GRID.window).values
    assert np.unravel_index(made.argmin(), made.shape) == (40, 40)
    assert made.min() < 0.5


@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_window_gives_the_bits_of_the_whole_grid(tmp_path_factory, data):
    rng = np.random.default_rng(data.draw(st.integers(0, 50)))
    source = opened(tmp_path_factory.mktemp("shapes"), some_shapes(rng, 9), data.draw(st.sampled_from([30.0, 700.0])))
    whole = source.read(GRID.window).values
    row, col = data.draw(st.integers(0, 89)), data.draw(st.integers(0, 99))
    window = Window(row, col, data.draw(st.integers(1, 90 - row)), data.draw(st.integers(1, 100 - col)))
    assert np.array_equal(source.read(window).values, whole[window.slices])


def test_far_shapes_are_left_out_and_change_nothing(tmp_path):
    near = shapely.Point(500_000, 4_599_000)
    far = shapely.Point(600_000, 4_599_000)
    source = opened(tmp_path, [near, far])
    assert len(source.segments) == 1
    assert np.array_equal(source.read(GRID.window).values, opened(tmp_path, [near]).read(GRID.window).values)


def test_nothing_in_reach_is_as_far_as_it_is_measured(tmp_path):
    made = opened(tmp_path, [shapely.Point(600_000, 4_599_000)]).read(GRID.window).values
    assert (made == 400.0).all()


def test_the_same_file_twice_is_one_source_and_it_travels(tmp_path):
    shapes = some_shapes(np.random.default_rng(0), 6)
    one = opened(tmp_path, shapes)
    other = open_distance("x", tmp_path / "shapes.gpkg", None, "", 400.0, GRID, Problems())
    assert one == other
    assert one != open_distance("x", tmp_path / "shapes.gpkg", None, "", 300.0, GRID, Problems())
    there = pickle.loads(pickle.dumps(one))
    assert np.array_equal(there.read(GRID.window).values, one.read(GRID.window).values)


def test_a_file_without_shapes_is_refused(tmp_path):
    with pytest.raises(UnderoakError) as caught:
        opened(tmp_path, [shapely.Point(), shapely.LineString()])
    assert caught.value.faults[0].code == "E401"
