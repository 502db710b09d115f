"""Source cells weighed by their overlap with analysis cells."""

import numpy as np
import pytest
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base import crs
from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Mesh
from underoak.layers.resampling.resample import resample
from underoak.layers.resampling.source_weights import source_weights

UTM = "EPSG:25831"
RNG = np.random.default_rng(20)


def onto(values, source, target, method="mean", window=None, **more):
    mesh = Mesh.between(target, source)
    window = window or target.window
    cells = np.asarray(values, np.float32)
    return resample(cells, source.window, mesh, mesh.coordinates(window), window, method, **more)


def utm(cell, rows, cols, left=400_000.0, top=4_600_000.0, turn=0.0):
    sin, cos = np.sin(np.radians(turn)) * cell, np.cos(np.radians(turn)) * cell
    return Grid(UTM, (cos, sin, left, sin, -cos, top), rows, cols)


def around_utm(degrees, rows, cols, lon=1.79, lat=41.562):
    """Return a grid in degrees over the north-west of `utm`'s."""
    return Grid.north_up("EPSG:4326", lon, lat, degrees, rows, cols)


def outlines(target, source, points=9):
    """Return each analysis cell's outline in the source's CRS, every edge with points between, by the projection."""
    along = np.linspace(0, 1, points)[:-1]
    ring = np.concatenate(
        [
            np.c_[along, 0 * along],
            np.c_[1 + 0 * along, along],
            np.c_[1 - along, 1 + 0 * along],
            np.c_[0 * along, 1 - along],
        ]
    )
    rows, cols = np.mgrid[: target.rows, : target.cols]
    u, v = cols.reshape(-1, 1) + ring[:, 0], rows.reshape(-1, 1) + ring[:, 1]
    x, y = target.xy(u.ravel(), v.ravel())
    if target.crs != source.crs:
        x, y = crs.transformer(target.crs, source.crs).transform(x, y)
    return shapely.polygons(np.stack([x, y], -1).reshape(*u.shape, 2))


def by_exactextract(values, source, target, operation="mean"):
    """Return the mean by an outside library: coverage fractions of each analysis cell's outline."""
    a, _, left, _, e, top = source.transform
    raster = NumPyRasterSource(
        np.asarray(values, np.float64),
        xmin=left,
        xmax=left + a * source.cols,
        ymax=top,
        ymin=top + e * source.rows,
        nodata=np.nan,
    )
    shapes = [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(shape)}
        for shape in outlines(target, source)
    ]
    found = [each["properties"][operation] for each in exact_extract(raster, shapes, [operation])]
    return np.array([np.nan if value is None else value for value in found], float).reshape(target.rows, target.cols)


@pytest.mark.parametrize("ratio", [0.31, 0.9, 1.0, 1.13, 2.5, 7.3])
def test_mean_is_that_of_exact_coverage_fractions_in_one_coordinate_system(ratio):
    source = utm(20, 90, 100)
    values = RNG.uniform(-50, 300, (90, 100))
    target = utm(20 * ratio, 11, 12, left=400_000 + 127.7, top=4_600_000 - 93.1)
    ours = onto(values, source, target)
    assert np.allclose(ours, by_exactextract(values, source, target), rtol=1e-6, atol=1e-4)


@pytest.mark.parametrize("turn", [-38.0, 4.0, 90.0, 171.0])
@pytest.mark.parametrize("ratio", [0.6, 1.07, 3.4])
def test_mean_is_that_of_exact_coverage_fractions_on_a_turned_grid(ratio, turn):
    source = utm(20, 120, 120)
    values = RNG.uniform(-50, 300, (120, 120))
    target = utm(20 * ratio, 10, 11, left=400_000 + 1117.7, top=4_600_000 - 1193.1, turn=turn)
    assert np.allclose(onto(values, source, target), by_exactextract(values, source, target), rtol=1e-6, atol=1e-4)


@pytest.mark.parametrize("cell", [14, 27, 55, 130, 700])
def test_mean_across_coordinate_systems_is_within_the_bound_of_exact_coverage_fractions(cell):
    """No edge of a footprint is off by more than 0.01 source cell, so no more than that times its length is misplaced.

    What is seen is far less: at most 0.2 % of the values' range.
    """
    source = around_utm(1 / 3600, 160, 170)
    values = RNG.uniform(0, 1, (160, 170))
    target = utm(cell, 24, 25, left=400_000 - 400, top=4_600_000 + 600) if cell < 200 else utm(cell, 4, 4)
    ours, oracle = onto(values, source, target), by_exactextract(values, source, target)
    is_inside = np.isfinite(oracle) & np.isfinite(ours)
    assert is_inside.sum() >= 8
    shapes = [shapely.transform(shape, lambda xy: xy * 3600) for shape in outlines(target, source)]
    length, area = shapely.length(shapes).reshape(ours.shape), shapely.area(shapes).reshape(ours.shape)
    error = np.abs(ours - oracle)[is_inside]
    assert (error <= (0.01 * length / area)[is_inside] + 1e-6).all()
    assert error.max() < 2e-3, error.max()


@given(st.floats(0.2, 9), st.floats(-300, 300), st.floats(0, 360), st.floats(-1e4, 1e4))
@settings(max_examples=40, deadline=None)
def test_a_constant_stays_itself_at_any_size_place_and_turn(ratio, shift, turn, value):
    source = utm(20, 90, 90)
    target = utm(20 * ratio, 6, 7, left=400_900 + shift, top=4_599_100 + shift / 3, turn=turn)
    ours = onto(np.full((90, 90), value), source, target)
    assert np.isfinite(ours).any()
    assert (np.abs(ours[np.isfinite(ours)] - np.float32(value)) <= 1e-6 * abs(value)).all()


@given(st.floats(0.3, 4), st.floats(0, 50), st.floats(0, 50))
@settings(max_examples=40, deadline=None)
def test_nothing_is_lost_or_counted_twice(ratio, east, south):
    """Cells that share the land between them: their means, by area, add up to what the source holds there."""
    source = utm(20, 60, 60)
    values = np.zeros((60, 60))
    values[22:34, 25:37] = RNG.uniform(1, 9, (12, 12))
    n = int(1000 / (20 * ratio))
    target = utm(20 * ratio, n, n, left=400_060 + east, top=4_599_940 - south)
    ours = onto(values, source, target).astype(float)
    if not np.isfinite(ours).all() or ours[[0, -1]].any() or ours[:, [0, -1]].any():
        return  # the values reach the grid's edge
    assert ours.sum() * ratio**2 == pytest.approx(values.sum(), rel=1e-6)


def test_half_of_the_weight_is_enough_and_less_is_not():
    values = np.full((40, 40), 7.25)
    values[:, ::2] = np.nan
    for cell, shift, is_missing in ((40, 0.0, False), (40, 0.4, False), (60, 0.0, True), (60, 20.0, False)):
        target = utm(cell, 3, 1, left=400_000 + 120 + shift, top=4_600_000 - 120)
        assert (np.isnan(onto(values, utm(20, 40, 40), target)) == is_missing).all()


@given(st.floats(0.0, 1.0), st.floats(0.3, 0.7))
@settings(max_examples=60, deadline=None)
def test_missing_cells_have_no_weight_and_the_others_share_it(share, covered):
    values = np.array([[3.5, np.nan], [share, np.nan]])
    target = utm(20, 1, 1, left=400_000 + 20 * (1 - covered), top=4_600_000 - 20 * share)
    ours = onto(values, utm(20, 2, 2), target)[0, 0]
    if covered < 0.5 - 1e-6:
        assert np.isnan(ours)
    elif covered > 0.5 + 1e-6:
        assert ours == pytest.approx(3.5 * (1 - share) + share * share, abs=1e-5)


def test_a_square_that_is_computed_cell_by_cell_weighs_by_overlap_too():
    """Cells of 40 km on a source of 1,200 m bend within every square of the mesh."""
    source = Grid.north_up("EPSG:4326", -14.0, 62.0, 1 / 90, 1500, 2600)
    target = Grid.north_up("EPSG:3035", 3_000_000, 3_400_000, 40_000, 12, 14)
    mesh = Mesh.between(target, source)
    assert (mesh.coordinates(target.window).exact >= 0).any()
    rows, cols = np.mgrid[:1500, :2600]
    values = np.sin(rows / 7.0) + np.cos(cols / 9.0) + RNG.uniform(-1, 1, rows.shape)
    ours, oracle = onto(values, source, target), by_exactextract(values, source, target)
    assert np.isfinite(ours).sum() > 100
    assert np.nanmax(np.abs(ours - oracle)) < 0.01


@pytest.mark.parametrize("method", ["mean", "mode", "share"])
@pytest.mark.parametrize("reproject", [False, True])
def test_any_window_gives_the_same_bytes(method, reproject):
    source = around_utm(1 / 3600, 160, 170) if reproject else utm(23, 90, 90)
    values = np.round(RNG.uniform(0, 4, (source.rows, source.cols)))
    values[RNG.random(values.shape) < 0.2] = np.nan
    target, more = utm(31, 70, 75, left=399_930, top=4_600_050), {"share_of": (1.0, 3.0)} if method == "share" else {}
    full = onto(values, source, target, method, **more)
    assert np.isfinite(full).mean() > 0.2
    for window in (Window(3, 5, 40, 33), Window(64, 64, 6, 11), Window(17, 0, 1, 75)):
        assert np.array_equal(onto(values, source, target, method, window, **more), full[window.slices], equal_nan=True)


@pytest.mark.parametrize("ratio", [0.7, 1.3, 2.2])
def test_shares_and_modes_weigh_by_overlap_as_an_outside_library_does(ratio):
    source = utm(20, 90, 100)
    codes = RNG.integers(1, 5, (90, 100)).astype(float)
    target = utm(20 * ratio, 14, 15, left=400_000 + 127.7, top=4_600_000 - 93.1)
    share = onto(codes, source, target, "share", share_of=(2.0, 4.0))
    assert np.allclose(share, by_exactextract(np.isin(codes, (2, 4)), source, target), atol=1e-6)
    mode = onto(codes, source, target, "mode")
    assert (mode == by_exactextract(codes, source, target, "mode")).mean() > 0.99  # a tie may fall either way


@pytest.mark.parametrize("method", ["mean", "mode"])
def test_mirrored_maps_give_mirrored_results(method):
    values = np.round(RNG.uniform(0, 5, (60, 64)))
    values[RNG.random(values.shape) < 0.1] = np.nan
    source, target = utm(20, 60, 64), utm(32, 34, 36, left=400_064, top=4_599_944)
    mirrored = utm(32, 34, 36, left=400_064, top=4_599_944)
    assert target.cols * 32 + 2 * 64 == 64 * 20  # as far from the west as from the east
    ours, back = onto(values, source, target, method), onto(values[:, ::-1], source, mirrored, method)[:, ::-1]
    assert np.allclose(ours, back, rtol=1e-6, equal_nan=True)


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_weights_for_draws_are_the_overlaps(seed):
    values = np.random.default_rng(seed).uniform(-5, 5, (50, 50)).astype(np.float32)
    values[np.random.default_rng(seed).random(values.shape) < 0.2] = np.nan
    source, target = utm(20, 50, 50), utm(26, 20, 20, left=400_111, top=4_599_871, turn=seed % 7)
    mesh = Mesh.between(target, source)
    coordinates = mesh.coordinates(target.window)
    weights = source_weights(values, source.window, mesh, coordinates, target.window, "mean")
    ours = onto(values, source, target).ravel()
    for cell in range(0, 400, 7):
        part = slice(weights.start[cell], weights.start[cell] + weights.count[cell])
        if weights.count[cell]:
            mean = (values.ravel()[weights.index[part]] * weights.weight[part].astype(float)).sum()
            assert mean == pytest.approx(ours[cell], abs=1e-5)
        else:
            assert np.isnan(ours[cell])
