"""From source cells to analysis cells."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Mesh
from underoak.layers.resampling.resample import METHODS, resample, resample_layers

CRS = "EPSG:25831"


def onto(values, source, target, method, window=None, share_of=()):
    mesh = Mesh.between(target, source)
    window = window or target.window
    return resample(values.astype(np.float32), source.window, mesh, mesh.coordinates(window), window, method, share_of)


def grid(cell, rows, cols, left=0.0, top=6000.0, crs=CRS):
    return Grid.north_up(crs, left, top, cell, rows, cols)


def noise(rows, cols, seed=0):
    return np.random.default_rng(seed).standard_normal((rows, cols)).astype(np.float32)


@pytest.mark.parametrize("method", ["nearest", "bilinear", "mean", "mode"])
def test_on_the_same_grid_every_method_copies(method):
    values = np.round(noise(40, 50) * 5)
    assert np.array_equal(onto(values, grid(30, 40, 50), grid(30, 40, 50), method), values)


def test_whole_ratio_means_are_exact_block_means():
    values = noise(60, 60).astype(np.float64).round(2)
    ours = onto(values, grid(10, 60, 60), grid(30, 20, 20), "mean")
    assert np.allclose(ours, values.reshape(20, 3, 20, 3).mean((1, 3)), atol=1e-6)


def test_bilinear_reproduces_a_plane_on_a_shifted_grid():
    rows, cols = np.mgrid[0:60, 0:60]
    plane = 3.0 * (cols + 0.5) * 20 - 2.0 * (rows + 0.5) * 20
    target = grid(20, 50, 50, left=57.0, top=6000 - 83.0)
    ours = onto(plane, grid(20, 60, 60), target, "bilinear")
    r, c = np.mgrid[0:50, 0:50]
    assert np.allclose(ours, 3.0 * (57 + (c + 0.5) * 20) - 2.0 * (83 + (r + 0.5) * 20), atol=2e-3)


@pytest.mark.parametrize("cell", [7, 400])
@pytest.mark.parametrize("holes", [0.0, 0.03])
@pytest.mark.parametrize("method", METHODS)
def test_layers_done_side_by_side_are_each_what_it_is_alone(cell, holes, method):
    source, target = grid(cell, 80, 90), grid(10, 140, 150, left=-80.0, top=6060)
    layers = [np.round(noise(80, 90, seed) * 2) for seed in range(3)]
    for seed, layer in enumerate(layers):
        layer[np.random.default_rng(seed).random(layer.shape) < holes] = np.nan
    mesh = Mesh.between(target, source)
    held, window = Window(2, 0, 70, 90), Window(3, 5, 120, 140)
    same = held, mesh, mesh.coordinates(window), window, method, (0.0, 2.0) if method == "share" else ()
    together = resample_layers([layer[held.slices] for layer in layers], *same)
    for layer, found, missing in zip(layers, *together, strict=True):
        assert np.isfinite(found).any()
        assert np.array_equal(found, resample(layer[held.slices], *same), equal_nan=True)
        assert missing == np.isnan(found).sum()


@pytest.mark.parametrize("cell", [20, 31, 40, 47, 60])
def test_widened_bilinear_keeps_a_plane_when_coarsening(cell):
    rows, cols = np.mgrid[0:200, 0:200]
    plane = 0.003 * (cols + 0.5) * 20 - 0.002 * (rows + 0.5) * 20
    n = 4000 // cell - 4
    target = grid(cell, n, n, left=2 * cell, top=6000 - 2 * cell)
    ours = onto(plane, grid(20, 200, 200), target, "bilinear")
    r, c = np.mgrid[0:n, 0:n] + 0.5
    truth = 0.003 * (2 * cell + c * cell) - 0.002 * (2 * cell + r * cell)
    assert np.abs(ours[2:-2, 2:-2] - truth[2:-2, 2:-2]).max() <= 1e-6 * 12  # float32 of values up to 12


@pytest.mark.parametrize("cell", [25, 90, 119, 121, 400], ids="{} m onto 10 m".format)
def test_bilinear_agrees_with_an_independent_interpolator(cell):
    # oracle: scipy.ndimage.map_coordinates, order 1
    values = noise(80, 90)
    source, target = grid(cell, 80, 90), grid(10, 120, 130, left=333.3, top=6000 - 421.7)
    rows, cols = np.mgrid[0:120, 0:130] + 0.5
    u, v = source.uv(*target.xy(cols, rows))
    truth = ndimage.map_coordinates(values.astype(np.float64), [v - 0.5, u - 0.5], order=1)
    assert np.allclose(onto(values, source, target, "bilinear"), truth, atol=1e-5)


def test_bilinear_is_close_to_the_library_warp_on_smooth_ground():
    # loose oracle: rasterio.warp.reproject (GDAL), which approximates coordinates and widens its kernel in its own way
    from rasterio.transform import Affine
    from rasterio.warp import Resampling, reproject

    source = Grid("EPSG:4326", (1 / 1200, 0, 1.9, 0, -1 / 1200, 41.7), 400, 400)
    rows, cols = np.mgrid[0:400, 0:400]
    values = (500 + 200 * np.sin(cols / 40) * np.cos(rows / 55)).astype(np.float32)
    target = Grid.north_up("EPSG:25831", 425_000, 4_610_000, 60, 300, 300)
    theirs = np.zeros((300, 300), np.float32)
    reproject(
        values, theirs, src_transform=Affine(*source.transform), src_crs="EPSG:4326",
        dst_transform=Affine(*target.transform), dst_crs="EPSG:25831", resampling=Resampling.bilinear,
    )  # fmt: skip
    ours = onto(values, source, target, "bilinear")
    assert np.nanmax(np.abs(ours - theirs)) < 1.0
    assert np.nanmedian(np.abs(ours - theirs)) < 0.05


def test_missing_cells_never_leak_into_values():
    values = np.full((40, 40), 7.0, np.float32)
    values[10:30, 12:25] = np.nan
    target = grid(13, 90, 90, left=5, top=5990)
    for method in ("nearest", "bilinear", "mean", "mode"):
        ours = onto(values, grid(30, 40, 40), target, method)
        assert set(np.unique(ours[~np.isnan(ours)])) <= {np.float32(7.0)}
        assert np.isnan(ours).any()


def test_a_cell_needs_half_its_weight_valid():
    values = np.array([[1.0, np.nan], [1.0, np.nan]], np.float32)
    source = grid(30, 2, 2)
    just_in = grid(30, 1, 1, left=14.0, top=5985)
    just_out = grid(30, 1, 1, left=16.0, top=5985)
    assert onto(values, source, just_in, "bilinear")[0, 0] == 1.0
    assert np.isnan(onto(values, source, just_out, "bilinear")[0, 0])
    assert np.isnan(onto(values, source, grid(30, 1, 1, left=20.0, top=5985), "mean")[0, 0])


def test_outside_the_source_is_missing():
    far = grid(30, 5, 5, left=1e6)
    for method in METHODS:
        assert np.isnan(onto(noise(4, 4), grid(30, 4, 4), far, method, share_of=(1.0,))).all()


def test_mode_takes_the_most_common_class_and_the_lower_code_on_a_tie():
    codes = np.array([[10, 10, 40, 40], [10, 30, 50, 50]], np.float32)
    assert onto(codes, grid(10, 2, 4), grid(20, 1, 2), "mode").tolist() == [[10.0, 40.0]]


def test_share_is_the_covered_share_of_the_named_classes():
    codes = np.array([[10, 10, 40, 40], [10, 30, 50, 50]], np.float32)
    ours = onto(codes, grid(10, 2, 4), grid(20, 1, 2), "share", share_of=(10.0, 50.0))
    assert ours.tolist() == [[0.75, 0.5]]


def test_classes_are_never_invented():
    codes = np.random.default_rng(3).choice([10, 20, 95], (50, 50)).astype(np.float32)
    for method in ("nearest", "mode"):
        ours = onto(codes, grid(30, 50, 50), grid(47, 25, 25, left=11, top=5971), method)
        assert set(np.unique(ours)) <= {10.0, 20.0, 95.0}


PAIRS = {
    "finer source": Grid("EPSG:4326", (1 / 3600, 0, 1.99, 0, -1 / 3600, 41.56), 500, 500),
    "coarser source": Grid("EPSG:4326", (1 / 120, 0, 1.9, 0, -1 / 120, 41.6), 40, 40),
    "rotated source": Grid("EPSG:25831", (20, 11, 416_000, 11, -20, 4_599_000), 700, 700),
    "homolosine": Grid.north_up("+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs", 993_000, 4_628_000, 250, 100, 110),
}


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("method", METHODS)
@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_any_window_gives_the_bits_of_the_whole_on_white_noise(pair, method, data):
    source, target = PAIRS[pair], Grid.north_up("EPSG:25831", 417_000, 4_600_000, 30, 300, 330)
    values = noise(*source.shape)
    values[np.random.default_rng(1).random(source.shape) < 0.1] = np.nan
    if method in ("mode", "share"):
        values = np.round(values)
    mesh = Mesh.between(target, source)
    whole = resample(values, source.window, mesh, mesh.coordinates(target.window), target.window, method, (0.0,))
    row, col = data.draw(st.integers(0, 299)), data.draw(st.integers(0, 329))
    window = Window(row, col, data.draw(st.integers(1, 300 - row)), data.draw(st.integers(1, 330 - col)))
    part = resample(values, source.window, mesh, mesh.coordinates(window), window, method, (0.0,))
    assert np.isfinite(whole).any()
    assert np.array_equal(part, whole[window.slices], equal_nan=True)


@pytest.mark.parametrize("method", ["nearest", "bilinear", "mean"])
def test_a_south_up_source_gives_the_same_map(method):
    values = noise(70, 60)
    north_up = Grid("EPSG:4326", (1 / 1200, 0, 2.0, 0, -1 / 1200, 41.6), 70, 60)
    south_up = Grid("EPSG:4326", (1 / 1200, 0, 2.0, 0, 1 / 1200, 41.6 - 70 / 1200), 70, 60)
    target = Grid.north_up("EPSG:25831", 417_000, 4_604_000, 55, 60, 60)
    ours, flipped = onto(values, north_up, target, method), onto(values[::-1], south_up, target, method)
    assert np.isfinite(ours).sum() > 1000
    if method in ("bilinear", "mean"):
        assert np.allclose(ours, flipped, atol=1e-4 if method == "bilinear" else 1e-6, equal_nan=True)
    else:
        assert (ours == flipped)[np.isfinite(ours)].mean() > 0.999  # a sample on a cell's very edge may fall either way
