"""Damaged and hostile files: nothing but a fault comes of them, and the process that decodes them is not this one."""

from __future__ import annotations

import random
import struct

import numpy as np
import pytest
import rasterio

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.sources.cells import decoder
from underoak.sources.cells.blocks import small_tiff, window_blocks
from underoak.sources.cells.decoder import Decoder
from underoak.sources.cells.header_check import header_facts
from underoak.sources.cells.tiff_index import damaged, read_index

from local_host import tif

OPTIONS = {"tiled": True, "blockxsize": 16, "blockysize": 16, "nodata": 7}


def reader(data: bytes):
    def read(start: int, end: int) -> bytes:
        if not 0 <= start <= end <= len(data):
            raise damaged("x.tif", "beyond its end")
        return data[start:end]

    return read


@pytest.fixture(scope="module")
def example(tmp_path_factory) -> tuple[bytes, np.ndarray]:
    cells = np.random.default_rng(3).integers(0, 4000, (70, 53)).astype(np.int16)
    path = tmp_path_factory.mktemp("tif") / "x.tif"
    return tif(path, cells, 3.0, 45.0, 0.01, "EPSG:4326", scales=(0.1, 2.5), compress="deflate", **OPTIONS), cells


@pytest.mark.parametrize("endian", ["LITTLE", "BIG"])
@pytest.mark.parametrize("bigtiff", ["YES", "NO"])
@pytest.mark.parametrize("compress", ["none", "deflate", "lzw", "zstd"])
def test_a_small_tiff_of_some_blocks_decodes_to_their_cells(tmp_path, endian, bigtiff, compress):
    cells = np.random.default_rng(5).integers(0, 4000, (70, 53)).astype(np.int16)
    options = OPTIONS | {"ENDIANNESS": endian, "BIGTIFF": bigtiff, "predictor": 1 if compress == "none" else 2}
    data = tif(tmp_path / "x.tif", cells, 3.0, 45.0, 0.01, "EPSG:4326", compress=compress, **options)
    index = read_index(reader(data), "x.tif")
    held = window_blocks(index, Window(20, 17, 30, 20), 1, 10_000)
    small = small_tiff(index, held, lambda block: data[block.start : block.end])
    with Decoder() as process:
        decoded = process.cells(small, 1, held.cells.shape, index.dtype, "x.tif")
    rows, cols = held.cells.slices
    assert held.cells == Window(16, 16, 48, 32)
    assert np.array_equal(decoded, cells[rows, cols])


def test_the_index_says_what_the_raster_library_says(example, tmp_path):
    data, _ = example
    (tmp_path / "x.tif").write_bytes(data)
    index = read_index(reader(data), "x.tif")
    facts = header_facts(index, 1)
    with rasterio.open(tmp_path / "x.tif") as raster:
        assert (facts["rows"], facts["cols"]) == raster.shape
        assert facts["dtype"] == raster.dtypes[0]
        assert (facts["nodata"], facts["scale"], facts["offset"]) == (
            raster.nodata,
            raster.scales[0],
            raster.offsets[0],
        )
        assert (facts["left"], facts["top"]) == pytest.approx((raster.transform.c, raster.transform.f))
        assert facts["epsg"] == raster.crs.to_epsg()
        assert facts["compression"] == raster.compression.name


def test_bytes_at_random_give_faults_and_nothing_else(example):
    data, _ = example
    chance = random.Random(11)
    ends = {"fault": 0, "none": 0}
    for _ in range(3000):
        changed = bytearray(data)
        for _ in range(chance.choice([1, 2, 8])):
            changed[chance.randrange(min(len(data), 900) if chance.random() < 0.8 else len(data))] = chance.randrange(
                256
            )
        if chance.random() < 0.2:
            changed = changed[: chance.randrange(len(changed))]
        try:
            index = read_index(reader(bytes(changed)), "x.tif")
            header_facts(index, 1)
            held = window_blocks(index, Window(0, 0, *index.shape).clip(64, 48), 1, 10_000)
            small_tiff(index, held, lambda block, c=bytes(changed): reader(c)(block.start, block.end))
            ends["none"] += 1
        except UnderoakError:
            ends["fault"] += 1
    assert min(ends.values()) > 100


def test_a_header_that_claims_a_world_is_refused_at_once(example):
    data, _ = example
    order, n = "<", struct.unpack("<H", data[8:10])[0]
    changed = bytearray(data)
    for k in range(n):
        place = struct.unpack("<I", data[4:8])[0] + 2 + 12 * k
        if struct.unpack(order + "H", data[place : place + 2])[0] in (322, 323):
            changed[place + 2 : place + 12] = struct.pack("<HIHH", 3, 1, 60_000, 0)
    with pytest.raises(UnderoakError, match=r"E714"):
        read_index(reader(bytes(changed)), "x.tif")


def test_junk_and_cells_of_another_size_are_faults(example):
    data, _ = example
    with Decoder() as process:
        with pytest.raises(UnderoakError, match=r"E230"):
            process.cells(b"junk" * 9, 1, (70, 53), "int16", "x.tif")
        with pytest.raises(UnderoakError, match=r"E230|E232"):
            process.cells(data, 1, (70, 52), "int16", "x.tif")
        assert process.cells(data, 1, (70, 53), "int16", "x.tif").shape == (70, 53)


@pytest.mark.parametrize("start", ["import os; os.abort()", "import time; time.sleep(60)", "print('x' * 100)"])
def test_a_decoder_that_crashes_hangs_or_babbles_is_a_fault(monkeypatch, example, start):
    monkeypatch.setattr(decoder, "_START", start)
    monkeypatch.setattr(decoder, "LIMIT_SECONDS", 1.0)
    with Decoder() as process, pytest.raises(UnderoakError, match=r"E232"):
        process.cells(example[0], 1, (70, 53), "int16", "x.tif")
