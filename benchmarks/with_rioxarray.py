"""Baseline: rioxarray's reproject_match, xarray-spatial's slope, xarray on dask, and GDAL's COG driver.

Slope is derived after warping, on the analysis grid; the warps are whole arrays, the rest is lazy.
"""

from __future__ import annotations

import dask.array
import numpy as np
import rioxarray
import xarray as xr
from rasterio.enums import Resampling
from rasterio.transform import from_origin

from lazy import begin, suitability
from measure import Clock, arguments, report
from model import BLOCK, CHUNK, LEVEL, THREADS, Ground


def main() -> None:
    """Warp, judge, write."""
    given = arguments(__doc__).parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    ground = Ground.of(given.inputs)
    begin()
    clock = Clock()
    centres = (np.arange(ground.cells) + 0.5) * ground.cell
    like = xr.DataArray(
        dask.array.zeros((ground.cells, ground.cells), dtype="uint8", chunks=CHUNK), dims=("y", "x"),
        coords={"y": ground.top - centres, "x": ground.left + centres},
    )  # fmt: skip
    transform = from_origin(ground.left, ground.top, ground.cell, ground.cell)
    like = like.rio.write_crs(ground.crs).rio.write_transform(transform)
    chunks = {"x": CHUNK, "y": CHUNK}

    def layer(file: str, how: str) -> xr.DataArray:
        source = rioxarray.open_rasterio(given.inputs / file, masked=how != "nearest", chunks=chunks)
        source = source.squeeze("band", drop=True)
        warped = source.rio.reproject_match(like, resampling=Resampling[how], num_threads=THREADS)
        clock.lap("warp")
        return warped.assign_coords(x=like.x, y=like.y).chunk(chunks)

    score = suitability(layer).rio.write_crs(ground.crs).rio.write_nodata(np.nan)
    score.rio.to_raster(
        given.out / "suitability.tif", driver="COG", compress="deflate", level=LEVEL, predictor="yes", blocksize=BLOCK,
        overview_resampling="average", num_threads=THREADS, bigtiff="if_safer",
    )  # fmt: skip
    clock.lap("compute and write")
    report("rioxarray", ground, clock)


if __name__ == "__main__":
    main()
