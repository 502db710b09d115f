"""Where analysis cells fall on source grids."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Coordinates, Mesh

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"


def grid_around(crs: str, lon: float, lat: float, cell: float, size: int) -> Grid:
    from underoak.base import crs as _crs

    x, y = _crs.transformer("EPSG:4326", crs).transform(lon, lat)
    half = size * cell / 2
    return Grid.north_up(crs, round(x - half, 3), round(y + half, 3), cell, size, size)


def utm(lon: float, lat: float) -> str:
    return f"EPSG:{(32600 if lat >= 0 else 32700) + int((lon + 180) // 6) + 1}"


def interpolated(mesh: Mesh, window: Window) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates of every cell of the window as the kernels see them."""
    at = mesh.coordinates(window)
    rows, cols = np.mgrid[window.row : window.row + window.rows, window.col : window.col + window.cols]
    i, j = (rows - at.row) // at.step, (cols - at.col) // at.step
    down, across = (rows - at.row) % at.step, (cols - at.col) % at.step
    out = []
    for nodes, exact in ((at.u, at.exact_u), (at.v, at.exact_v)):
        f, g = (down + 0.5) / at.step, (across + 0.5) / at.step
        left = nodes[i, j] + f * (nodes[i + 1, j] - nodes[i, j])
        right = nodes[i, j + 1] + f * (nodes[i + 1, j + 1] - nodes[i, j + 1])
        value = left + g * (right - left)
        which = at.exact[i, j]
        value[which >= 0] = exact[which[which >= 0], down[which >= 0], across[which >= 0]]
        out.append(value)
    return out[0], out[1]


def truth(mesh: Mesh, window: Window) -> tuple[np.ndarray, np.ndarray]:
    rows, cols = np.mgrid[window.row : window.row + window.rows, window.col : window.col + window.cols] + 0.5
    u, v = mesh.project(cols.ravel(), rows.ravel())
    return u.reshape(window.shape), v.reshape(window.shape)


@pytest.mark.parametrize(
    ("lon", "lat"),
    [(2.0, 41.5), (8.0, 40.7369), (13.0, 43.0), (-4.0, 57.0), (25.0, 66.0), (-84.0, 36.5), (172.0, -43.6)],
)
@pytest.mark.parametrize("source_crs", ["EPSG:4326", HOMOLOSINE, "EPSG:3035"])
def test_interpolated_coordinates_stay_within_a_hundredth_of_a_source_cell(lon, lat, source_crs):
    if source_crs == "EPSG:3035" and not 0 < lon < 40:
        pytest.skip("outside that projection's land")
    target = grid_around(utm(lon, lat), lon, lat, 30.0, 700)
    cell = 1 / 3600 if source_crs == "EPSG:4326" else 250.0
    source = grid_around(source_crs, lon, lat, cell, 1000)
    mesh = Mesh.between(target, source)
    for window in (Window(0, 0, 700, 700), Window(333, 101, 300, 257)):
        for ours, exact in zip(interpolated(mesh, window), truth(mesh, window), strict=True):
            assert np.abs(ours - exact).max() <= 0.01


def test_the_bend_of_the_homolosine_is_computed_cell_by_cell_only_where_it_lies():
    # The two halves meet at 40 deg 44 min 11.8 s N (checked against the projection itself, not a table).
    target = grid_around("EPSG:32632", 9.0, 40.7366, 30.0, 1024)
    source = grid_around(HOMOLOSINE, 9.0, 40.7366, 250.0, 400)
    at = Mesh.between(target, source).coordinates(target.window)
    share = (at.exact >= 0).mean()
    assert 0 <= share < 0.2
    ours, exact = (
        interpolated(Mesh.between(target, source), target.window),
        truth(Mesh.between(target, source), target.window),
    )
    assert max(np.abs(a - b).max() for a, b in zip(ours, exact, strict=True)) <= 0.01


def test_a_break_of_the_homolosine_is_computed_exactly_on_both_sides():
    target = grid_around("EPSG:32624", -40.0, 72.0, 100.0, 512)  # Greenland; the northern lobes part at 40 W
    source = Grid.north_up(HOMOLOSINE, -20_000_000.0, 8_700_000.0, 250.0, 69_600, 160_000)
    mesh = Mesh.between(target, source)
    at = mesh.coordinates(target.window)
    assert (at.exact >= 0).any()
    ours, exact = interpolated(mesh, target.window), truth(mesh, target.window)
    assert max(np.abs(a - b).max() for a, b in zip(ours, exact, strict=True)) <= 0.01
    assert np.ptp(exact[0]) > 1000  # the two sides really lie far apart


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.integers(0, 500), st.integers(0, 500), st.integers(1, 300), st.integers(1, 300))
def test_coordinates_are_the_same_bits_whatever_window_is_asked_for(row, col, rows, cols):
    target = grid_around("EPSG:25831", 2.0, 41.5, 30.0, 900)
    mesh = Mesh.between(target, grid_around("EPSG:4326", 2.0, 41.5, 1 / 1200, 800))
    window = Window(row, col, rows, cols)
    part, whole = interpolated(mesh, window), interpolated(mesh, target.window)
    for ours, all_of_it in zip(part, whole, strict=True):
        assert np.array_equal(ours, all_of_it[window.slices])


def test_longitudes_that_run_to_360_are_brought_to_the_source():
    target = grid_around("EPSG:26910", -124.0, 49.0, 500.0, 64)
    plain = Grid("EPSG:4326", (0.05, 0, -126.0, 0, -0.05, 51.0), 80, 80)
    turned = Grid("EPSG:4326", (0.05, 0, 234.0, 0, -0.05, 51.0), 80, 80)
    ours, theirs = (truth(Mesh.between(target, g), target.window) for g in (plain, turned))
    assert np.allclose(ours[0], theirs[0], atol=1e-9)


def test_a_region_across_the_antimeridian_is_one_piece_on_a_source_that_goes_round():
    target = grid_around("EPSG:3460", 180.0, -17.0, 1000.0, 300)  # Fiji
    world = Grid("EPSG:4326", (0.5, 0, -180.0, 0, -0.5, 90.0), 360, 720)
    u, _ = truth(Mesh.between(target, world, is_periodic=True), target.window)
    assert np.ptp(u) < 10


def test_equal_grids_have_exact_coordinates():
    grid = Grid.north_up("EPSG:25831", 400_000, 4_600_000, 30, 300, 300)
    for ours, exact in zip(
        interpolated(Mesh.between(grid, grid), grid.window), np.mgrid[0:300, 0:300][::-1] + 0.5, strict=True
    ):
        assert np.array_equal(ours, exact)


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_a_part_of_coordinates_is_what_the_mesh_itself_gives(data):
    target = grid_around("EPSG:32632", 9.0, 40.7366, 30.0, 700)  # with a bend, so that some squares are exact
    mesh = Mesh.between(target, grid_around(HOMOLOSINE, 9.0, 40.7366, 250.0, 400))
    begin, end = data.draw(st.integers(0, 300)), data.draw(st.integers(350, 700))
    held = Window(begin, begin, end - begin, end - begin)
    row, col = data.draw(st.integers(begin, end - 1)), data.draw(st.integers(begin, end - 1))
    window = Window(row, col, data.draw(st.integers(1, end - row)), data.draw(st.integers(1, end - col)))
    part, own = mesh.coordinates(held).subset(window), mesh.coordinates(window)
    assert part is not None
    for name in Coordinates.__dataclass_fields__:
        assert np.array_equal(getattr(part, name), getattr(own, name)), name


def test_coordinates_have_no_part_beyond_them():
    target = grid_around("EPSG:25831", 2.0, 41.5, 30.0, 300)
    held = Mesh.between(target, grid_around("EPSG:4326", 2.0, 41.5, 1 / 1200, 800)).coordinates(Window(64, 64, 64, 64))
    assert held.subset(Window(64, 64, 65, 1)) is None
    assert held.subset(Window(63, 64, 1, 1)) is None
