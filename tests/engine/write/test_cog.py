"""Files put together from encoded blocks are ordinary, valid, cloud-optimised GeoTIFFs."""

import io

import numpy as np
import pytest
import rasterio
from rio_cogeo import cog_validate

from underoak.base.grid import Grid
from underoak.base.palette import CLASS_RGBA
from underoak.engine.write.cog import BLOCK, Band, Piece, RasterLayout, assemble, encode, levels, shape_at


def build(path, layout: RasterLayout, grid: Grid, pyramid: list[np.ndarray]) -> None:
    pieces, store = {}, []
    for level, cells in enumerate(pyramid):
        down, across = (-(-n // BLOCK) for n in cells.shape[1:])
        for i, data in enumerate(encode(cells, layout)):
            band, rest = divmod(i, down * across)
            pieces[level, band, *divmod(rest, across)] = Piece(len(store), len(data))
            store.append(data)
    with open(path, "wb") as out:
        assemble(out, layout, grid, range(len(pyramid)), pieces, lambda piece: store[piece.offset])


def pyramid_of(grid: Grid, cells: np.ndarray) -> list[np.ndarray]:
    out = []
    for level in range(levels(grid) + 1):
        rows, cols = shape_at(grid, level)
        out.append(cells[:, :: 2**level, :: 2**level][:, :rows, :cols])
    return out


@pytest.mark.parametrize("dtype", ["float32", "uint16", "uint8"])
@pytest.mark.parametrize("compress", ["deflate", "zstd"])
@pytest.mark.parametrize(("rows", "cols"), [(1, 1), (512, 512), (513, 700), (1500, 2300)])
def test_what_is_written_is_what_is_read_and_the_validator_finds_nothing(tmp_path, dtype, compress, rows, cols):
    grid = Grid.north_up("EPSG:3035", 4_000_000.0, 3_000_000.0, 30.0, rows, cols)
    cells = (np.random.default_rng(0).random((2, rows, cols)) * 250).astype(dtype)
    bands = (Band("first", "1", 0.004), Band("second", "m"))
    layout = RasterLayout("x.tif", dtype, 255, bands, {"TITLE": "a title", "CODE": "é"}, compress=compress)
    build(tmp_path / "x.tif", layout, grid, pyramid_of(grid, cells))
    assert cog_validate(tmp_path / "x.tif", strict=True, quiet=True)[:1] == (True,)
    with rasterio.open(tmp_path / "x.tif") as made:
        assert np.array_equal(made.read(), cells)
        assert made.transform[:6] == (30.0, 0.0, 4_000_000.0, 0.0, -30.0, 3_000_000.0)
        assert made.crs.to_epsg() == 3035
        assert (made.units, made.scales, made.nodata) == (("1", "m"), (0.004, 1.0), 255)
        assert made.descriptions == ("first", "second")
        assert made.tags()["TITLE"] == "a title"
        assert made.tags()["CODE"] == "é"
        assert made.overviews(1) == [2**i for i in range(1, levels(grid) + 1)]
        if levels(grid):
            rows, cols = shape_at(grid, 1)
            assert np.array_equal(made.read(1, out_shape=(rows, cols)), cells[0, ::2, ::2])


def test_the_class_map_keeps_its_colours_in_every_level(tmp_path):
    grid = Grid.north_up("EPSG:3035", 4_000_000.0, 3_000_000.0, 30.0, 600, 600)
    cells = np.random.default_rng(0).choice([1, 2, 3, 4, 250, 255], (1, 600, 600)).astype(np.uint8)
    layout = RasterLayout("class.tif", "uint8", 255, (Band("class"),), {}, CLASS_RGBA)
    build(tmp_path / "class.tif", layout, grid, pyramid_of(grid, cells))
    for level in ({}, {"overview_level": 0}):
        with rasterio.open(tmp_path / "class.tif", **level) as made:
            assert made.colormap(1)[1] == CLASS_RGBA[1]
            assert made.colorinterp[0].name == "palette"


def test_a_crs_without_a_code_survives(tmp_path):
    crs = "+proj=laea +lat_0=44 +lon_0=12 +ellps=GRS80 +units=m +no_defs"
    grid = Grid.north_up(crs, 0.0, 0.0, 30.0, 20, 20)
    build(
        tmp_path / "x.tif",
        RasterLayout("x.tif", "float32", float("nan"), (Band("a"),)),
        grid,
        [np.zeros((1, 20, 20), np.float32)],
    )
    with rasterio.open(tmp_path / "x.tif") as made:
        assert made.crs == rasterio.crs.CRS.from_string(crs)
        assert np.isnan(made.nodata)


def test_a_lost_tile_is_never_passed_over():
    grid = Grid.north_up("EPSG:3035", 0.0, 0.0, 30.0, 20, 20)
    with pytest.raises(KeyError):
        assemble(io.BytesIO(), RasterLayout("x.tif", "uint8", 255, (Band("a"),)), grid, range(1), {}, lambda piece: b"")


def test_large_files_become_bigtiff(tmp_path, monkeypatch):
    from underoak.engine.write import cog

    monkeypatch.setattr(cog, "_CLASSIC_LIMIT", 10_000)
    grid = Grid.north_up("EPSG:3035", 0.0, 0.0, 30.0, 700, 700)
    cells = np.random.default_rng(0).random((1, 700, 700)).astype(np.float32)
    build(tmp_path / "x.tif", RasterLayout("x.tif", "float32", -1.0, (Band("a"),)), grid, pyramid_of(grid, cells))
    assert (tmp_path / "x.tif").read_bytes()[2] == 43
    assert cog_validate(tmp_path / "x.tif", strict=True, quiet=True)[0]
    with rasterio.open(tmp_path / "x.tif") as made:
        assert np.array_equal(made.read(), cells)
