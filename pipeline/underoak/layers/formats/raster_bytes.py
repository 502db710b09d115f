"""Cells of a GeoTIFF in memory, and the cloud-optimised file of an array."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
from rasterio.crs import CRS
from rasterio.io import MemoryFile
from rasterio.shutil import copy
from rasterio.transform import from_origin

from underoak.layers.formats.gdal import gdal_settings

_BLOCK = 256


def decode(data: bytes, band: int) -> npt.NDArray[np.generic]:
    """Return the cells of one band (from 1) as stored, shape (rows, cols).

    Raises:
        RasterioError, OSError: for what cannot be decoded.
    """
    with gdal_settings(), MemoryFile(data, ext=".tif") as file, file.open(driver="GTiff") as raster:
        cells: npt.NDArray[np.generic] = raster.read(min(band, raster.count))
        return cells


def write_cog(
    path: Path, bands: npt.NDArray[np.generic], crs: str, frame: tuple[float, float, float, float],
    nodata: float | None, scale: float | None, offset: float | None, description: str,
) -> None:  # fmt: skip
    """Write stored values of shape (bands, rows, cols) as a cloud-optimised GeoTIFF; same values, same bytes.

    `frame` is left, top, and width and height of a cell, in units of the coordinate system.
    """
    count, rows, cols = bands.shape
    left, top, width, height = frame
    with gdal_settings(), MemoryFile() as memory:
        with memory.open(
            driver="GTiff", height=rows, width=cols, count=count, dtype=bands.dtype, crs=CRS.from_string(crs),
            transform=from_origin(left, top, width, height), nodata=nodata,
        ) as raster:  # fmt: skip
            raster.write(bands)
            if scale is not None or offset is not None:
                raster.scales = [1.0 if scale is None else scale] * count
                raster.offsets = [0.0 if offset is None else offset] * count
            for band in range(1, count + 1):
                raster.set_band_description(band, f"{description}, month {band}" if count > 1 else description)
        predictor = "FLOATING_POINT" if bands.dtype.kind == "f" else "STANDARD"
        copy(
            memory.name, str(path), driver="COG", compress="DEFLATE", predictor=predictor, blocksize=_BLOCK,
            overviews="NONE", num_threads=1, bigtiff="IF_SAFER",
        )  # fmt: skip
