"""What the two dask baselines share: the model on lazy arrays that are already on the analysis grid."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import dask
import dask.array
import numpy as np
import xarray as xr
from xrspatial import slope

from model import BARRED, COVER, CRITERIA, STEEP, THREADS


def begin() -> None:
    """Two threads; and compile xarray-spatial's slope, which it does anew in every process, before the clock runs."""
    dask.config.set(scheduler="threads", num_workers=THREADS)
    plane = dask.array.zeros((8, 8), dtype="float32", chunks=4)
    slope(xr.DataArray(plane, dims=("y", "x"), coords={"y": np.arange(8.0), "x": np.arange(8.0)})).compute()


def suitability(layer: Callable[[str, str], xr.DataArray]) -> xr.DataArray:
    """The lazy score; `layer(file, resampling)` gives a layer on the grid. Excluded and missing cells are NaN."""
    score: Any = 0
    excluded: Any = False
    for criterion in CRITERIA:
        values = layer(criterion.file, "bilinear")
        if criterion.name == "slope":
            values = slope(values)
            excluded = values > STEEP
        if criterion.scale != 1:
            values = values * np.float32(criterion.scale)
        score = score + np.float32(criterion.weight) * xr.apply_ufunc(
            lambda block, x=criterion.x, y=criterion.y: np.interp(block, x, y).astype("float32"),
            values, dask="parallelized", output_dtypes=["float32"],
        )  # fmt: skip
    score = score / np.float32(sum(criterion.weight for criterion in CRITERIA))
    barred = layer(COVER, "nearest").isin((0, *BARRED))
    return score.where(~(barred | excluded)).astype("float32")
