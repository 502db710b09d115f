"""Every damaged block of a deflate file is found by its checksum, also where the raster library reads on."""

import random
import zlib
from xml.sax.saxutils import escape

import h5py
import numcodecs
import numpy as np
import pytest
import rasterio
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.layers.formats.netcdf_zarr_files import close_stores
from underoak.layers.integrity.block_checksums import DEFLATE, ZSTD, damage
from underoak.layers.integrity.file_parts import FilePart, file_parts
from underoak.layers.integrity.tiff_blocks import read_block, read_block_pages
from underoak.layers.integrity.verify import verify_blocks

from layer_builders import NORTH_UP, opened, whole, write_tif

EVERYTHING = Window(0, 0, 1 << 30, 1 << 30)
LAYOUTS = {
    "tiles": {"tiled": True, "blockxsize": 32, "blockysize": 16},
    "tiles, predictor 2": {"tiled": True, "blockxsize": 32, "blockysize": 32, "predictor": 2},
    "strips": {"blockysize": 7},
    "one strip": {"blockysize": 100},
    "strips, big, predictor 3": {"blockysize": 9, "BIGTIFF": "YES", "predictor": 3},
    "tiles, band by band": {"tiled": True, "blockxsize": 32, "blockysize": 32, "interleave": "band"},
    "tiles, all bands in one": {"tiled": True, "blockxsize": 32, "blockysize": 32, "interleave": "pixel"},
    "most significant first": {"ENDIANNESS": "BIG", "blockysize": 11},
}
BANDS, ROWS, COLS = 3, 61, 83


def make(path, layout, **more):
    values = np.random.default_rng(len(layout)).normal(size=(BANDS, ROWS, COLS)).astype(np.float32).cumsum(1)
    return write_tif(path, values, compress="deflate", **LAYOUTS[layout], **more)


def library_blocks(path):
    """(band, block row, block column) -> (offset, size), as the raster library tells them."""
    with rasterio.open(path) as raster:
        rows, cols = raster.block_shapes[0]
        blocks = {}
        for band in raster.indexes if raster.interleaving == rasterio.enums.Interleaving.band else (1,):
            for row in range(-(-raster.height // rows)):
                for col in range(-(-raster.width // cols)):
                    place = [raster.get_tag_item(f"BLOCK_{what}_{col}_{row}", "TIFF", bidx=band)
                             for what in ("OFFSET", "SIZE")]  # fmt: skip
                    if place[0] is not None:
                        blocks[band, row, col] = int(place[0]), int(place[1])
        return blocks


def faults(path, window=EVERYTHING, bands=(1, 2, 3), sound=None, threads=2):
    outcome = verify_blocks([FilePart(str(path), bands, window, f"soil_ph ({path.name})")], sound or {}, threads)
    return [str(fault) for fault in outcome.faults.values()]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_blocks_are_those_that_the_raster_library_has(tmp_path, layout):
    path = make(tmp_path / "x.tif", layout)
    (page,) = read_block_pages(path)
    numbers = page.stored(None, (1, 2, 3))
    ours = sorted((int(page.offsets[n]), int(page.sizes[n])) for n in numbers)
    assert ours == sorted(library_blocks(path).values())
    assert faults(path) == []
    with open(path, "rb") as stream:
        for number in numbers.tolist():
            unpacked = len(zlib.decompress(read_block(stream, page, number)))
            assert unpacked <= page.block_bytes
            assert unpacked == page.block_bytes or number == numbers[-1] or not LAYOUTS[layout].get("tiled")


@pytest.fixture(scope="module")
def sound_files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound")
    return {layout: make(folder / f"{i}.tif", layout) for i, layout in enumerate(LAYOUTS)}


@given(
    layout=st.sampled_from(list(LAYOUTS)), at=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7), data=st.data()
)
def test_every_flipped_bit_of_a_block_is_found_with_its_block_and_place(sound_files, layout, at, bit, data):
    path = sound_files[layout]
    good = path.read_bytes()
    blocks = library_blocks(path)
    band, row, col = data.draw(st.sampled_from(sorted(blocks)))
    offset, size = blocks[band, row, col]
    spoilt = bytearray(good)
    spoilt[offset + int(at * size)] ^= 1 << bit
    other = path.with_name("spoilt.tif")
    other.write_bytes(spoilt)
    with rasterio.open(path) as raster:
        rows, cols = raster.block_shapes[0]
    across = -(-COLS // cols)
    (line,) = faults(other)
    of_band = f" of band {band}" if len({key[0] for key in blocks}) > 1 else ""
    assert line.startswith(f"E230 soil_ph (spoilt.tif): block {row * across + col}{of_band} in {other} is damaged: ")
    last_row, last_col = min(row * rows + rows, ROWS), min(col * cols + cols, COLS)
    assert f"(rows {row * rows} to {last_row - 1}, columns {col * cols} to {last_col - 1}; " in line
    a, _, c, _, e, f = NORTH_UP
    x, y = sorted((c + a * col * cols, c + a * last_col)), sorted((f + e * row * rows, f + e * last_row))
    assert f"x {x[0]:.9g} to {x[1]:.9g}, y {y[0]:.9g} to {y[1]:.9g})" in line


def overlong(path):
    """Put other cells into the first block, by a stream that unpacks to more than a block: the library reads on."""
    offset, size = min(library_blocks(path).values())
    data = bytearray(path.read_bytes())
    stream = zlib.compress(bytes(range(64)) * 200, 9)
    assert len(stream) <= size
    data[offset : offset + len(stream)] = stream
    path.write_bytes(data)


def test_what_the_raster_library_reads_as_other_cells_is_refused(tmp_path):
    values = np.random.default_rng(5).normal(size=(64, 64)).astype(np.float32)
    path = write_tif(tmp_path / "x.tif", values, compress="deflate", tiled=True, blockxsize=32, blockysize=32)
    overlong(path)
    source, _ = opened(tmp_path, "x.tif", unit="mm")
    read = whole(source)
    assert not np.array_equal(read, values)  # wrong cells, and no error
    (line,) = faults(path, bands=(1,))
    assert "block 0 in" in line
    assert "it unpacks to more than a block (rows 0 to 31, columns 0 to 31; x 400000 to 400960, " in line


def test_only_blocks_of_the_window_and_the_bands_are_looked_at(tmp_path):
    path = make(tmp_path / "x.tif", "tiles, band by band")
    blocks = library_blocks(path)
    data = bytearray(path.read_bytes())
    for band, row, col in ((1, 0, 0), (2, 1, 2), (2, 1, 1)):
        offset, size = blocks[band, row, col]
        data[offset + size - 1] ^= 1
    path.write_bytes(data)
    assert faults(path, Window(0, 32, 32, 60), (1,)) == []
    assert faults(path, Window(31, 31, 1, 1), (2, 3)) == []
    assert "block 0 of band 1 in" in faults(path, Window(31, 31, 1, 1), (1,))[0]
    (line,) = faults(path, Window(32, 0, 29, 83), (2,))
    assert "block 4 of band 2 in" in line
    assert line.partition(" Fix: ")[0].endswith("; 1 more block of it is damaged.")
    first = read_block_pages(path)[0].per_plane
    sound = {str(path): np.array([first + 4])}
    assert "block 5 of band 2 in" in faults(path, Window(32, 0, 29, 83), (2,), sound)[0]


def test_blocks_that_are_not_stored_hold_nothing_to_verify(tmp_path):
    values = np.zeros((64, 64), np.float32)
    values[40:, 40:] = np.random.default_rng(3).normal(size=(24, 24))
    options = {"compress": "deflate", "tiled": True, "blockxsize": 16, "blockysize": 16, "SPARSE_OK": "TRUE"}
    path = write_tif(tmp_path / "x.tif", values, **options)
    blocks = library_blocks(path)
    assert len(blocks) < 16
    (page,) = read_block_pages(path)
    assert len(page.stored(None, (1,))) == len(blocks)
    assert faults(path, bands=(1,)) == []


def test_a_mask_inside_the_file_is_verified_too(tmp_path):
    values = np.random.default_rng(5).normal(size=(64, 64)).astype(np.float32)
    mask = np.random.default_rng(6).random((64, 64)) < 0.7
    path = write_tif(tmp_path / "x.tif", values, mask=mask, compress="deflate", blockysize=16)
    pages = read_block_pages(path)
    assert len(pages) == 2
    data = bytearray(path.read_bytes())
    data[int(pages[1].offsets[0]) + int(pages[1].sizes[0]) - 2] ^= 4
    path.write_bytes(data)
    assert "checksum does not match (rows 0 to " in faults(path, bands=(1,))[0]


def test_files_without_checksums_and_files_of_other_kinds_have_nothing_to_verify(tmp_path):
    values = np.ones((64, 64), np.float32)
    for compress in ("lzw", "none", "zstd", "packbits"):
        assert faults(write_tif(tmp_path / "x.tif", values, compress=compress)) == []
    (tmp_path / "y.tif").write_bytes(b"II*\0 no page here")
    assert faults(tmp_path / "y.tif") == []
    assert faults(tmp_path / "not_there.tif") == []


@given(content=st.binary(min_size=40, max_size=4000), at=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7))
def test_a_zstd_frame_with_a_checksum_is_verified(content, at, bit):
    frame = bytearray(numcodecs.Zstd(level=3, checksum=True).encode(content))
    assert damage(ZSTD, bytes(frame), len(content)) == ""
    assert damage(ZSTD, bytes(frame), len(content) - 1) == "it unpacks to more than a block"
    frame[-1 - int(at * 4)] ^= 1 << bit
    assert damage(ZSTD, bytes(frame), len(content)) == "its checksum does not match"


def test_a_zstd_frame_without_a_checksum_passes():
    frame = bytearray(numcodecs.Zstd(level=3).encode(bytes(range(200)) * 4))
    frame[-1] ^= 1
    assert damage(ZSTD, bytes(frame), 800) == ""


@given(content=st.binary(max_size=3000), cut=st.integers(1, 5), junk=st.binary(max_size=9))
def test_a_deflate_stream_that_is_cut_is_damaged_and_bytes_after_its_end_are_not_its_own(content, cut, junk):
    stream = zlib.compress(content)
    assert damage(DEFLATE, stream + junk, len(content)) == ""
    assert damage(DEFLATE, stream[:-cut], len(content)) == "it is cut short"


@pytest.mark.parametrize("compress", ["lerc", "lerc_deflate", "lerc_zstd"])
def test_lerc_is_verified_by_its_decoder_at_every_read(tmp_path, compress):
    values = np.random.default_rng(5).normal(size=(64, 64)).astype(np.float32).cumsum(0)
    path = write_tif(tmp_path / "x.tif", values, compress=compress, max_z_error=0.01, blockysize=32)
    offset, size = min(library_blocks(path).values())
    good, rng = path.read_bytes(), random.Random(compress)
    for attempt in range(40):
        data = bytearray(good)
        data[offset + rng.randrange(size)] ^= 1 << rng.randrange(8)
        (tmp_path / f"{attempt}.tif").write_bytes(data)
        source, problems = opened(tmp_path, f"{attempt}.tif", unit="mm")
        assert source is not None, problems.faults
        with pytest.raises(UnderoakError, match="E230"):
            whole(source)


def mosaic(sources, size=80):
    """A mosaic of files, each with its rectangle there and here: column, row, columns, rows."""

    def rectangle(name, values):
        pairs = (f'{key}="{value}"' for key, value in zip(KEYS, values, strict=True))
        return f"<{name} {' '.join(pairs)}/>"

    inside = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{escape(name)}</SourceFilename><SourceBand>1</SourceBand>'
        f"{rectangle('SrcRect', src)}{rectangle('DstRect', dst)}</SimpleSource>"
        for name, src, dst in sources
    )
    return (
        f'<VRTDataset rasterXSize="{size}" rasterYSize="{size}"><SRS>EPSG:25831</SRS>'
        "<GeoTransform>400000, 30, 0, 4600000, 0, -30</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{inside}</VRTRasterBand></VRTDataset>'
    )


KEYS = ("xOff", "yOff", "xSize", "ySize")


@pytest.mark.parametrize("is_nested", [False, True])
def test_a_mosaic_verifies_the_blocks_of_its_sources_that_a_window_shows(tmp_path, is_nested):
    values = np.random.default_rng(5).normal(size=(48, 48)).astype(np.float32)
    for name in ("a.tif", "b.tif", "c.tif"):
        write_tif(tmp_path / name, values, compress="deflate", tiled=True, blockxsize=16, blockysize=16)
    sources = [
        ("a.tif", (0, 0, 48, 48), (0, 0, 48, 48)),
        ("b.tif", (8, 8, 32, 40), (48, 0, 32, 40)),
        ("c.tif", (0, 0, 32, 32), (48, 48, 32, 32)),
    ]
    text = mosaic(sources)
    if is_nested:
        (tmp_path / "inner.vrt").write_text(text)
        text = mosaic([("inner.vrt", (0, 0, 80, 80), (0, 0, 80, 80))])
    (tmp_path / "x.vrt").write_text(text)
    source, problems = opened(tmp_path, "x.vrt", unit="mm")
    assert source is not None, problems.faults
    window = Window(20, 40, 10, 30)
    parts = list(file_parts(source, window))
    assert [part.path.rpartition("/")[2] for part in parts] == ["a.tif", "b.tif"]
    by_name = {part.path[-5]: part.window for part in parts}
    for name, cells in {"a": Window(20, 40, 10, 8), "b": Window(28, 8, 10, 22)}.items():
        part = by_name[name]
        assert part.union(cells) == part  # all that is shown
        assert part.union(cells.expand(4)) == cells.expand(4)  # and little more
    outcome = verify_blocks(parts, {}, 1)
    assert {len(numbers) for numbers in outcome.sound.values()} < {1, 2, 3, 4, 6}
    data = bytearray((tmp_path / "b.tif").read_bytes())
    offset, size = library_blocks(tmp_path / "b.tif")[1, 2, 1]
    data[offset + size - 1] ^= 8
    (tmp_path / "b.tif").write_bytes(data)
    assert f"block 7 in {tmp_path / 'b.tif'} is damaged" in str(*verify_blocks(parts, {}, 1).faults.values())


CHUNKED = {
    "NetCDF, Fletcher-32": {"fletcher32": True},
    "NetCDF, deflate": {"zlib": True},
    "Zarr, Fletcher-32": {"compressors": None, "filters": [numcodecs.Fletcher32()]},
    "Zarr, CRC-32": {"compressors": None, "filters": [numcodecs.CRC32()]},
    "Zarr, zlib": {"compressors": [numcodecs.Zlib()]},
    "Zarr, gzip": {"compressors": [numcodecs.GZip()]},
}


@pytest.mark.parametrize("kind", CHUNKED)
def test_chunks_with_a_checksum_of_their_own_are_verified_by_their_library(tmp_path, kind):
    values = np.random.default_rng(5).uniform(10, 100, (40, 40)).astype(np.float32)
    axes = {"lat": np.linspace(45, 44, 40), "lon": np.linspace(1, 2, 40)}
    data = xr.Dataset({"rain": (("lat", "lon"), values, {"units": "mm"})}, axes)
    if kind.startswith("Zarr"):
        path = tmp_path / "x.zarr"
        encoding = {"rain": {**CHUNKED[kind], "chunks": (20, 20)}}
        data.to_zarr(path, zarr_format=2, consolidated=False, encoding=encoding)
        file = path / "rain" / "1.1"
        offset, size = 0, file.stat().st_size
    else:
        path = file = tmp_path / "x.nc"
        data.to_netcdf(path, engine="h5netcdf", encoding={"rain": {**CHUNKED[kind], "chunksizes": (20, 20)}})
        with h5py.File(path) as opened_file:
            chunk = next(c for c in chunks_of(opened_file["rain"]) if c.chunk_offset == (20, 20))
        offset, size = chunk.byte_offset, chunk.size
    stored = file.read_bytes()
    source, problems = opened(tmp_path, path.name, variable="rain", unit="mm", crs="EPSG:4326")
    assert source is not None, problems.faults
    assert np.array_equal(whole(source), values)
    for at in (size // 2, size - 1 if "Fletcher" in kind else size - 6):
        spoilt = bytearray(stored)
        spoilt[offset + at] ^= 1
        file.write_bytes(spoilt)
        close_stores()
        source, problems = opened(tmp_path, path.name, variable="rain", unit="mm", crs="EPSG:4326")
        assert source is not None, problems.faults
        assert np.array_equal(source.read(Window(0, 0, 20, 20)).values, values[:20, :20])
        with pytest.raises(UnderoakError, match=r"E230 .*rows 20"):
            source.read(Window(20, 20, 20, 20))


def chunks_of(dataset):
    return [dataset.id.get_chunk_info(i) for i in range(dataset.id.get_num_chunks())]
