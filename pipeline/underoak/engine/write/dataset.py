"""A run's rasters as one labelled dataset, read only where it is looked at."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import xarray as xr
from xarray.backends import BackendArray
from xarray.core import indexing

from underoak.base.grid import Grid
from underoak.engine.write.outputs import CLASS_NAMES, STATE_NAMES
from underoak.layers.formats.gdal import gdal_settings

_FILES = {"suitability": "suitability.tif", "class": "class.tif", "limiting": "limiting.tif",
          "membership": "memberships.tif", "missing_weight": "missing_weight.tif", "spread": "spread.tif",
          "quantiles": "quantiles.tif"}  # fmt: skip


class _TiffArray(BackendArray):
    """The bands of a GeoTIFF, (band, y, x), by windows."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with gdal_settings(), rasterio.open(path) as source:
            self.shape = (source.count, source.height, source.width)
            self.dtype = np.dtype(source.dtypes[0])

    def __getitem__(self, key: indexing.ExplicitIndexer) -> Any:
        return indexing.explicit_indexing_adapter(key, self.shape, indexing.IndexingSupport.BASIC, self._read)

    def _read(self, key: tuple[Any, ...]) -> Any:
        bands, rows, cols = (
            np.arange(size)[k] if isinstance(k, slice) else k for k, size in zip(key, self.shape, strict=True)
        )
        spans = []
        for at in (rows, cols):
            low, high = (int(np.min(at)), int(np.max(at)) + 1) if np.size(at) else (0, 0)
            spans.append((low, high))
        wanted = [int(b) + 1 for b in np.atleast_1d(bands)]
        if not wanted or 0 in (spans[0][1], spans[1][1]):
            return np.empty([np.size(k) for k in (bands, rows, cols) if np.ndim(k)], self.dtype)
        with gdal_settings(), rasterio.open(self.path) as source:
            cells = source.read(wanted, window=tuple(spans))
        picked = []
        for at, (low, _) in zip((rows, cols), spans, strict=True):
            picked.append(at - low)
        cells = cells[0] if np.ndim(bands) == 0 else cells
        cells = cells[..., :, picked[1]]
        return cells[..., picked[0]] if np.ndim(picked[1]) == 0 else cells[..., picked[0], :]


def open_run(folder: Path, grid: Grid, criteria: list[str]) -> xr.Dataset:
    """The rasters of a run folder as a dataset; nothing is read yet.

    `suitability`, `missing_weight`, `spread`, `quantiles` and `p_meets_<rule>` are in 0..1 with NaN where not judged or
    not asked; `class`, `limiting` and `membership` are codes as stored, explained in their attributes.
    """
    rows, cols = np.arange(grid.rows) + 0.5, np.arange(grid.cols) + 0.5
    x, y = grid.xy(cols, 0.0)[0], grid.xy(0.0, rows)[1]
    coords: dict[str, Any] = {
        "x": ("x", x, {"standard_name": "projection_x_coordinate", "units": "m"}),
        "y": ("y", y, {"standard_name": "projection_y_coordinate", "units": "m"}),
        "criterion": ("criterion", np.array(criteria, dtype=object)),
        "limit": ("limit", np.array(["weakest", "most_gainful"], dtype=object)),
    }
    third = {"limiting": "limit", "membership": "criterion", "spread": "figure", "quantiles": "level"}
    files = _FILES | {f"p_meets_{path.name.split('.')[1]}": path.name for path in sorted(folder.glob("p_meets.*.tif"))}
    variables = {}
    for name, file in files.items():
        if not (folder / file).exists():
            continue
        data = indexing.LazilyIndexedArray(_TiffArray(folder / file))
        dims = (third.get(name, "band"), "y", "x")
        variable = xr.Variable(dims, data, _attributes(name))
        if name not in third:
            variable = variable.isel(band=0)
        if variable.dtype == np.uint16:
            variable.attrs.update(scale_factor=1.0 / 60000, _FillValue=65535)
            variable = xr.conventions.decode_cf_variable(name, variable)
        variables[name] = variable
    if "spread" in variables:
        coords["figure"] = ("figure", np.array(["mean", "sd", "p_s2"], dtype=object))
    if "quantiles" in variables:
        with gdal_settings(), rasterio.open(folder / _FILES["quantiles"]) as source:
            coords["level"] = ("level", np.array([float(text.split()[-1]) for text in source.descriptions]))
    return xr.Dataset(variables, coords, {"crs": grid.crs, "source": "underoak"})


def _attributes(name: str) -> dict[str, Any]:
    states = ", ".join(f"{code} {text}" for code, text in STATE_NAMES.items())
    match name:
        case "suitability":
            return {"units": "1", "long_name": "suitability"}
        case "missing_weight":
            return {"units": "1", "long_name": "share of weight missing"}
        case "spread":
            return {
                "units": "1",
                "long_name": "suitability over draws: mean, standard deviation, share that reaches S2",
            }
        case "quantiles":
            return {"units": "1", "long_name": "quantiles of suitability over draws"}
        case "class":
            codes = ", ".join(f"{code} {text}" for code, text in CLASS_NAMES.items())
            return {"long_name": "class", "codes": f"{codes}, {states}"}
        case "limiting":
            return {"long_name": "limiting factor", "codes": f"index of the criterion, 253 nothing limits, {states}"}
        case _ if name.startswith("p_meets_"):
            return {"units": "1", "long_name": f"probability that the rule {name.removeprefix('p_meets_')} is met"}
        case _:
            return {"long_name": "membership x 250", "codes": f"254 {STATE_NAMES[250]}, 255 {STATE_NAMES[255]}"}
