"""Files with a few bytes changed: a value or a fault of ours comes out, nothing else."""

from __future__ import annotations

import os
import random
import resource
import struct
import time

import numpy as np
import pytest

from underoak.base.errors import UnderoakError
from underoak.layers.decoding.plausibility import LayerNames, check_values
from underoak.layers.decoding.value_tally import count_values
from underoak.layers.formats import gdal, netcdf_zarr_files

from layer_builders import monthly, opened, retag, whole, write_nc, write_tif

TRIES = 60
LAYOUTS = {
    "strips": {},
    "strips, deflate": {"compress": "deflate"},
    "tiles, lzw": {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "lzw", "predictor": 3},
    "tiles, zstd": {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "zstd"},
    "tiles, big": {"BIGTIFF": "YES", "tiled": True, "blockxsize": 32, "blockysize": 32, "compress": "deflate"},
    "strips, big, packbits": {"BIGTIFF": "YES", "blockysize": 7, "compress": "packbits"},
    "strips, most significant first": {"ENDIANNESS": "BIG"},
    "tiles, lerc": {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "lerc"},
}
# widths, rows, strips, tiles, their offsets and sizes, compression, sample formats, geotransform, keys, nodata
TAGS = (256, 257, 258, 259, 262, 273, 277, 278, 279, 284, 317, 322, 323, 324, 325, 330, 339, 33550, 33922, 34735, 42113)
NUMBERS = (0, 1, 2, 3, 16, 65535, 65536, 2**20, 2**28, 2**31 - 1, 2**31, 2**32 - 1)


def make(folder, kind):
    """The file's name, and its parts that may be damaged."""
    values = np.add.outer(np.arange(40), np.arange(40)).astype(np.float32)
    about = {"lat": np.linspace(45, 44, 40), "lon": np.linspace(1, 2, 40), "_FillValue": np.float32(5)}
    year = monthly(np.stack([values] * 12), "mm", **about)
    if kind == "GeoTIFF":
        tiles = {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "deflate"}
        return "x.tif", [write_tif(folder / "x.tif", values, nodata=5, scale=0.1, unit="mm", **tiles)]
    if kind == "VRT":
        write_tif(folder / "a.tif", values)
        (folder / "x.vrt").write_text(
            '<VRTDataset rasterXSize="40" rasterYSize="40"><SRS>EPSG:25831</SRS>'
            "<GeoTransform>400000, 30, 0, 4600000, 0, -30</GeoTransform>"
            '<VRTRasterBand dataType="Float32" band="1"><NoDataValue>5</NoDataValue><SimpleSource>'
            '<SourceFilename relativeToVRT="1">a.tif</SourceFilename><SourceBand>1</SourceBand>'
            "</SimpleSource></VRTRasterBand></VRTDataset>"
        )
        return "x.vrt", [folder / "x.vrt", folder / "a.tif"]
    if kind == "Zarr":
        year.to_zarr(folder / "x.zarr", zarr_format=2, consolidated=False)
        return "x.zarr", sorted(part for part in (folder / "x.zarr").rglob("*") if part.is_file())
    return "x.nc", [write_nc(folder / "x.nc", year, kind)]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # rasterio's own, on odd bytes in a tag
@pytest.mark.parametrize("kind", ["GeoTIFF", "VRT", "Zarr", "h5netcdf", "scipy"])
def test_a_value_or_a_fault_comes_out_of_a_damaged_file(tmp_path, kind):
    rng = random.Random(20)
    name, parts = make(tmp_path, kind)
    outcomes = set()
    for attempt in range(TRIES):
        part = rng.choice(parts)
        good = part.read_bytes()
        data = bytearray(good)
        for _ in range(rng.choice([1, 2, 5])):
            data[rng.randrange(len(data) if rng.random() < 0.5 else min(len(data), 2000))] = rng.randrange(256)
        part.write_bytes(data)
        os.utime(part, ns=(attempt, attempt))
        os.utime(tmp_path / name, ns=(attempt, attempt))
        try:
            source, problems = opened(tmp_path, name, unit="mm")
            if source is None:
                outcomes.update(fault.code for fault in problems.faults)
                continue
            assert whole(source).dtype == np.float32
            check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
            outcomes.add("read")
        except UnderoakError as error:
            outcomes.update(fault.code for fault in error.faults)
        finally:
            part.write_bytes(good)
    gdal.close_handles()
    netcdf_zarr_files.close_stores()
    assert outcomes & {"E230"}, outcomes
    assert "read" in outcomes


def damage_tags(data, rng):
    """A TIFF whose first page says something else: another tag, type, count or value in some of its entries."""
    order = "<" if data[:2] == b"II" else ">"
    is_big = struct.unpack_from(order + "H", data, 2)[0] == 43
    word, entry, value_at = ("Q", 20, 12) if is_big else ("I", 12, 8)
    page = struct.unpack_from(order + word, data, 8 if is_big else 4)[0]
    count = struct.unpack_from(order + ("Q" if is_big else "H"), data, page)[0]
    for _ in range(rng.choice([1, 1, 2, 3])):
        at = page + (8 if is_big else 2) + rng.randrange(count) * entry
        what = rng.choice(["tag", "type", "count", "value", "another entry"])
        if what == "tag":
            struct.pack_into(order + "H", data, at, rng.choice(TAGS))
        elif what == "type":
            struct.pack_into(order + "H", data, at + 2, rng.randrange(19))
        elif what == "count":
            struct.pack_into(order + word, data, at + 4, rng.choice(NUMBERS))
        elif what == "value":
            struct.pack_into(order + word, data, at + value_at, rng.choice(NUMBERS))
        else:
            other = page + (8 if is_big else 2) + rng.randrange(count) * entry
            data[at : at + entry] = data[other : other + entry]


def damaged(good, rng):
    data = bytearray(good)
    how = rng.random()
    if how < 0.5:
        damage_tags(data, rng)
    elif how < 0.8:
        for _ in range(rng.choice([1, 2, 5, 20])):
            data[rng.randrange(len(data) if rng.random() < 0.4 else min(len(data), 600))] = rng.randrange(256)
    elif how < 0.9:
        del data[rng.randrange(len(data)) :]
    else:
        data += rng.randbytes(rng.randrange(1, 5000))
    return bytes(data)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # rasterio's own, on odd bytes in a tag
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_geotiff_with_damaged_tags_is_read_or_refused_at_once(tmp_path, layout):
    rng = random.Random(layout)
    values = np.add.outer(np.arange(40), np.arange(40)).astype(np.float32)
    path = write_tif(tmp_path / "x.tif", values, nodata=5, scale=0.1, unit="mm", **LAYOUTS[layout])
    good, outcomes = path.read_bytes(), set()
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    slowest = 0.0
    for attempt in range(TRIES):
        path.write_bytes(damaged(good, rng))
        os.utime(path, ns=(attempt, attempt))
        began = time.process_time()
        try:
            source, problems = opened(tmp_path, "x.tif", unit="mm")
            if source is None:
                outcomes.update(fault.code for fault in problems.faults)
                continue
            check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
            outcomes.add("read")
        except UnderoakError as error:
            outcomes.update(fault.code for fault in error.faults)
        finally:
            slowest = max(slowest, time.process_time() - began)
    gdal.close_handles()
    assert {"E230", "read"} <= outcomes <= {"E201", "E202", "E214", "E222", "E227", "E230", "E231", "read"}
    assert slowest < 20.0
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - most < 600_000  # kB


def test_a_unit_in_another_encoding_is_no_reason_to_refuse_a_file(tmp_path):
    path = write_tif(tmp_path / "x.tif", np.full((4, 4), 12.5, np.float32), unit="#C")
    retag(path, b"#C", b"\xb0C")
    source, problems = opened(tmp_path, "x.tif", unit="degC", band=1)
    assert not problems.faults
    assert float(whole(source).max()) == 12.5
