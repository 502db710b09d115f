"""Small rasters made on the fly, whole and faulty."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import rasterio
import xarray as xr
from rasterio.crs import CRS
from rasterio.enums import ColorInterp
from rasterio.errors import NotGeoreferencedWarning
from rasterio.transform import Affine

from underoak.base.errors import Problems
from underoak.layers.formats.open import open_source

NORTH_UP = (30.0, 0.0, 400_000.0, 0.0, -30.0, 4_600_000.0)


def write_tif(
    path: Path,
    values: Any,
    crs: str | None = "EPSG:25831",
    transform: tuple[float, ...] | None = NORTH_UP,
    mask: Any = None,
    alpha: bool = False,
    scale: float | None = None,
    offset: float | None = None,
    unit: str | None = None,
    point: bool = False,
    **creation: Any,
) -> Path:
    """A GeoTIFF of (rows, cols) or (bands, rows, cols); `alpha` calls the last band an alpha band."""
    data = np.asarray(values)
    data = data[None] if data.ndim == 2 else data
    bands, rows, cols = data.shape
    with (
        warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
        rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
        rasterio.open(
            path,
            "w",
            driver="GTiff",
            height=rows,
            width=cols,
            count=bands,
            dtype=data.dtype,
            crs=None if crs is None else CRS.from_user_input(crs),
            transform=None if transform is None else Affine(*transform),
            **creation,
        ) as file,
    ):
        if point:
            file.update_tags(AREA_OR_POINT="Point")
        if alpha:
            file.colorinterp = [*([ColorInterp.gray] * (bands - 1)), ColorInterp.alpha]
        file.write(data)
        if mask is not None:
            file.write_mask(np.asarray(mask))
        if scale is not None:
            file.scales = [scale] * bands
        if offset is not None:
            file.offsets = [offset] * bands
        if unit is not None:
            file.units = [unit] * bands
    return path


def retag(path: Path, old: bytes, new: bytes) -> Path:
    """Replace a text tag of the same length, such as a nodata tag that no library would write."""
    assert len(old) == len(new)
    data = path.read_bytes()
    assert data.count(old) == 1
    path.write_bytes(data.replace(old, new))
    return path


def huge_header(path: Path, rows: int, cols: int, tile: int) -> Path:
    """A TIFF of one kilobyte that claims to be enormous."""
    tiles = -(-rows // tile) * -(-cols // tile)
    short, long = 3, 4
    tags = [(256, long, 1, cols), (257, long, 1, rows), (258, short, 1, 8), (259, short, 1, 8), (262, short, 1, 1)]
    tags += [(277, short, 1, 1), (322, long, 1, tile), (323, long, 1, tile), (324, long, tiles, 400)]
    tags += [(325, long, tiles, 400)]
    body = b"II*\0" + struct.pack("<IH", 8, len(tags))
    for tag, kind, count, value in tags:
        body += struct.pack("<HHI", tag, kind, count)
        body += struct.pack("<HH", value, 0) if kind == short else struct.pack("<I", value)
    path.write_bytes((body + bytes(4)).ljust(1000, b"\0"))
    return path


def monthly(
    values: Any,
    units: str = "mm",
    time: Any = None,
    calendar: str = "standard",
    since: str = "days since 2001-01-01",
    lat: Any = (44.5, 44.0),
    lon: Any = (1.0, 1.5, 2.0),
    name: str = "pr",
    **attrs: Any,
) -> xr.Dataset:
    """A dataset (time, lat, lon); without `time`, month starts of a 365-day year from 1 January."""
    data = np.asarray(values)
    starts = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])[: data.shape[0]] if time is None else time
    return xr.Dataset(
        {name: (("time", "lat", "lon"), data, {"units": units, **attrs})},
        coords={
            "time": ("time", np.asarray(starts), {"units": since, "calendar": calendar, "standard_name": "time"}),
            "lat": ("lat", np.asarray(lat, np.float64), {"units": "degrees_north", "standard_name": "latitude"}),
            "lon": ("lon", np.asarray(lon, np.float64), {"units": "degrees_east", "standard_name": "longitude"}),
        },
    )


def write_nc(path: Path, dataset: xr.Dataset, engine: str = "h5netcdf") -> Path:
    """Written without adding a fill value that the test did not ask for."""
    encoding = {name: {"_FillValue": None} for name in dataset.variables if "_FillValue" not in dataset[name].attrs}
    dataset.to_netcdf(path, engine=engine, encoding=encoding)
    return path


def opened(base: Path, file: str, trust: Any = None, **layer: Any) -> tuple[Any, Problems]:
    """The source of a layer called `soil_ph`, and what was told on the way."""
    problems = Problems()
    source = open_source("soil_ph", SimpleNamespace(file=file, **layer), base, trust, problems)
    return source, problems


def codes(problems: Problems) -> list[str]:
    """Codes of faults, then of warnings."""
    return [fault.code for fault in (*problems.faults, *problems.warnings)]


def whole(source: Any) -> np.ndarray:
    """All values of a source."""
    return source.read(source.grid.window).values
