"""The rasters of a run as one labelled dataset, read lazily by windows."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from xarray.backends import BackendArray
from xarray.core import indexing

from underoak.base.codes import CLASS_LABELS, NOTHING_LIMITS, STATE_LABELS
from underoak.base.grid import Grid, Window
from underoak.engine.write.finished_rasters import (
    CLASS_TIF,
    LIMITING_TIF,
    MEETS_TIF,
    MEMBERSHIPS_TIF,
    MISSING_WEIGHT_TIF,
    QUANTILES_TIF,
    SPREAD_TIF,
    SUITABILITY_TIF,
    open_finished,
)  # fmt: skip
from underoak.engine.write.outputs import (
    MEMBERSHIP_STEPS,
    MEMBERSHIP_UNJUDGED,
    UINT16_MISSING,
    UINT16_STEPS,
)

Reading = Callable[[], contextlib.AbstractContextManager[None]]

_FILES = {"suitability": SUITABILITY_TIF, "class": CLASS_TIF, "limiting": LIMITING_TIF, "membership": MEMBERSHIPS_TIF,
          "missing_weight": MISSING_WEIGHT_TIF, "spread": SPREAD_TIF, "quantiles": QUANTILES_TIF}  # fmt: skip


class _LazyRaster(BackendArray):
    """The bands of a finished raster, (band, y, x), read by windows."""

    def __init__(self, folder: Path, name: str, reading: Reading) -> None:
        self.folder, self.name, self.reading = folder, name, reading
        with open_finished(folder, name) as raster:
            self.shape, self.dtype = raster.shape, raster.dtype

    def __getitem__(self, key: indexing.ExplicitIndexer) -> Any:
        return indexing.explicit_indexing_adapter(key, self.shape, indexing.IndexingSupport.BASIC, self._read)

    def _read(self, key: tuple[int | slice, ...]) -> Any:
        bands, rows, cols = (
            np.arange(size)[k] if isinstance(k, slice) else np.asarray(k)
            for k, size in zip(key, self.shape, strict=True)
        )
        if 0 in (bands.size, rows.size, cols.size):
            return np.empty([indices.size for indices in (bands, rows, cols) if indices.ndim], self.dtype)
        top, left = int(rows.min()), int(cols.min())
        window = Window(top, left, int(rows.max()) + 1 - top, int(cols.max()) + 1 - left)
        with self.reading(), open_finished(self.folder, self.name) as raster:
            cells = raster.stored_bands(window, [int(band) for band in np.atleast_1d(bands)])
        picked = cells[:, np.atleast_1d(rows - top)][:, :, np.atleast_1d(cols - left)]
        return picked.reshape([indices.size for indices in (bands, rows, cols) if indices.ndim])


def open_run(
    folder: Path, grid: Grid, criteria: list[str], reading: Reading = contextlib.nullcontext
) -> xr.Dataset:  # fmt: skip
    """Return the rasters of a run folder as a dataset; nothing is read yet.

    `reading` is entered around each later read.

    `suitability`, `membership`, `missing_weight`, `spread`, `quantiles` and `p_meets_<rule>` are in 0..1 with NaN where
    not judged or not computed; `class` and `limiting` are codes as stored, explained in their attributes.
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
    files = _FILES | {
        f"p_meets_{path.name.split('.')[1]}": path.name for path in sorted(folder.glob(MEETS_TIF.format("*")))
    }
    variables = {}
    for name, file in files.items():
        if not (folder / file).exists():
            continue
        data = indexing.LazilyIndexedArray(_LazyRaster(folder, file, reading))
        dims = (third.get(name, "band"), "y", "x")
        variable = xr.Variable(dims, data, _attributes(name))
        if name not in third:
            variable = variable.isel(band=0)
        if variable.dtype == np.uint16:
            variable.attrs.update(scale_factor=1.0 / UINT16_STEPS, _FillValue=UINT16_MISSING)
            variable = xr.conventions.decode_cf_variable(name, variable)
        elif name == "membership":
            variable.attrs.update(scale_factor=1.0 / MEMBERSHIP_STEPS, _FillValue=MEMBERSHIP_UNJUDGED)
            variable = xr.conventions.decode_cf_variable(name, variable)
        variables[name] = variable
    if "spread" in variables:
        coords["figure"] = ("figure", np.array(["mean", "sd", "p_s2"], dtype=object))
    if "quantiles" in variables:
        with open_finished(folder, QUANTILES_TIF) as raster:
            coords["level"] = ("level", np.array([float(band.split()[-1]) for band in raster.bands]))
    return xr.Dataset(variables, coords, {"crs": grid.crs, "source": "underoak"})


def _attributes(name: str) -> dict[str, Any]:
    states = ", ".join(f"{code} {text}" for code, text in STATE_LABELS.items())
    match name:
        case "suitability":
            return {"units": "1", "long_name": "suitability"}
        case "missing_weight":
            return {"units": "1", "long_name": "share of weight missing"}
        case "spread":
            return {
                "units": "1",
                "long_name": "suitability over draws: mean, standard deviation, share of class S2 or better",
            }
        case "quantiles":
            return {"units": "1", "long_name": "quantiles of suitability over draws"}
        case "class":
            codes = ", ".join(f"{code} {text}" for code, text in CLASS_LABELS.items())
            return {"long_name": "class", "codes": f"{codes}, {states}"}
        case "limiting":
            return {
                "long_name": "limiting factor",
                "codes": f"index of the criterion, {NOTHING_LIMITS} nothing limits, {states}",
            }
        case _ if name.startswith("p_meets_"):
            return {"units": "1", "long_name": f"probability that the rule {name.removeprefix('p_meets_')} is met"}
        case _:
            return {"units": "1", "long_name": "membership"}
