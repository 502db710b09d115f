"""Files with a few bytes changed: a value or a fault of ours comes out, nothing else."""

from __future__ import annotations

import os
import random

import numpy as np
import pytest

from underoak.errors import UnderoakError
from underoak.layers import gdal, stores
from underoak.layers.plausible import judge_sample, sample

from layer_builders import monthly, opened, whole, write_nc, write_tif

TRIES = 60


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
            judge_sample(sample(source, source.grid.window), source, problems)
            outcomes.add("read")
        except UnderoakError as error:
            outcomes.update(fault.code for fault in error.faults)
        finally:
            part.write_bytes(good)
    gdal.close_handles()
    stores.close_stores()
    assert outcomes & {"E230"}, outcomes
    assert "read" in outcomes
