"""Trees that fit on many parcels at once: the same count as place by place, on usable cells only."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from underoak.base.grid import Grid
from underoak.places.planting.planting import lay_out
from underoak.places.planting.row_frames import MOST_PLACES, trees_that_fit, true_scales

CRS = "EPSG:3035"  # equal areas; near its middle metres are true
X, Y = 4_321_000.0, 3_210_000.0
GRID = Grid.north_up(CRS, X - 1500.0, Y + 1500.0, 30.0, 100, 100)
CODES = np.random.default_rng(11).choice([1, 2, 3, 4, 250, 255], GRID.shape).astype(np.uint8)
SPACINGS = st.sampled_from([(5.0, 5.0), (5.0, 4.0), (6.0, 5.5)])


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A folder with a class raster, in which neighbours differ."""
    folder = tmp_path_factory.mktemp("classes")
    settings_ = {"driver": "GTiff", "height": 100, "width": 100, "count": 1, "dtype": "uint8", "crs": CRS}
    with rasterio.open(folder / "class.tif", "w", transform=rasterio.Affine(*GRID.transform), **settings_) as file:
        file.write(CODES, 1)
    return folder


def is_usable(x, y):
    """The cell under each place is judged, and not excluded."""
    u, v = GRID.uv(x, y)
    col, row = np.floor(u).astype(int), np.floor(v).astype(int)
    inside = (col >= 0) & (col < 100) & (row >= 0) & (row < 100)
    usable = np.zeros(len(x), bool)
    usable[inside] = CODES[row[inside], col[inside]] <= 4
    return usable


@st.composite
def polygons(draw):
    """A star with a hole now and then, anywhere near the grid, also partly outside it."""
    corners = draw(st.integers(3, 9))
    radii = draw(st.lists(st.floats(8.0, 220.0), min_size=corners, max_size=corners))
    x, y = X + draw(st.floats(-1600.0, 1600.0)), Y + draw(st.floats(-1600.0, 1600.0))
    angles = np.linspace(0.0, 2.0 * np.pi, corners, endpoint=False)
    star = shapely.Polygon([(x + r * np.cos(a), y + r * np.sin(a)) for r, a in zip(radii, angles, strict=True)])
    star = affinity.rotate(star, draw(st.floats(0.0, 360.0)))
    return star - star.centroid.buffer(30.0) if draw(st.booleans()) else star


@settings(max_examples=60)
@given(st.lists(polygons(), min_size=1, max_size=5), SPACINGS)
def test_counts_are_those_of_rows_laid_out_place_by_place(run, shapes, spacing):
    array = np.array([*shapes, None], object)
    partly, all_over = (
        trees_that_fit(array, CRS, spacing, np.full(len(array), share), GRID, run) for share in (0.5, 1.0)
    )
    for shape, some, every in zip(shapes, partly[:-1], all_over[:-1], strict=True):
        assert some == lay_out(shape, CRS, *spacing, is_open=is_usable).trees
        assert every == lay_out(shape, CRS, *spacing).trees
    assert np.isnan([partly[-1], all_over[-1]]).all()


def test_a_parcel_without_usable_land_takes_no_tree(run):
    shapes = np.array([shapely.box(X, Y, X + 90, Y + 90)], object)
    assert trees_that_fit(shapes, CRS, (5.0, 5.0), np.zeros(1), GRID, run).tolist() == [0.0]


def test_a_strip_narrower_than_two_headlands_takes_no_tree(run):
    strips = np.array([shapely.box(X, Y, X + 400, Y + width) for width in (3.0, 7.9, 8.5)], object)
    trees = trees_that_fit(strips, CRS, (5.0, 5.0), np.ones(3), GRID, run)
    assert trees.tolist() == [0.0, 0.0, np.floor(392 / 5) + 1]


def test_a_parcel_of_too_many_places_is_computed_from_its_area(run):
    side, usable = 12_000.0, 0.4
    assert (side / 5.0) ** 2 > MOST_PLACES
    square = np.array([shapely.box(X, Y, X + side + 8, Y + side + 8)], object)
    trees = trees_that_fit(square, CRS, (5.0, 5.0), np.array([usable]), GRID, run)
    assert trees == pytest.approx([side**2 / 25 * usable], rel=5e-4)  # a metre of the map is a true one within 2e-4


def test_a_metre_is_a_true_metre_everywhere():
    assert true_scales(np.array([[X, Y]]), CRS) == pytest.approx(np.ones((1, 2)), rel=2e-4)
    ((east, north),) = true_scales(np.array([[10.0, 60.0]]), "EPSG:4326")
    assert (east, north) == pytest.approx((55_800.0, 111_412.0), rel=1e-4)  # a degree at 60 N: textbook, from memory
