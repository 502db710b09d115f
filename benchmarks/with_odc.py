"""Baseline: odc-geo's lazy reprojection, xarray-spatial's slope, and odc-geo's COG writer, all in one dask graph.

Slope is derived after warping, on the analysis grid.
"""

from __future__ import annotations

import numpy as np
import rioxarray
import xarray as xr
from odc.geo.cog import save_cog_with_dask
from odc.geo.geobox import GeoBox
from odc.geo.xr import wrap_xr, xr_reproject
from rasterio.transform import from_origin

from lazy import begin, suitability
from measure import Clock, arguments, report
from model import BLOCK, CHUNK, LEVEL, Ground


def main() -> None:
    """Build the graph, compute and write."""
    given = arguments(__doc__).parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    ground = Ground.of(given.inputs)
    begin()
    clock = Clock()
    transform = from_origin(ground.left, ground.top, ground.cell, ground.cell)
    box = GeoBox((ground.cells, ground.cells), transform, ground.crs)
    chunks = {"x": CHUNK, "y": CHUNK}

    def layer(file: str, how: str) -> xr.DataArray:
        source = rioxarray.open_rasterio(given.inputs / file, masked=how != "nearest", chunks=chunks, lock=False)
        return xr_reproject(source.squeeze("band", drop=True), box, resampling=how, chunks=(CHUNK, CHUNK))

    score = wrap_xr(suitability(layer).data, box, nodata=np.nan)
    clock.lap("graph")
    save_cog_with_dask(
        score, str(given.out / "suitability.tif"), compression="deflate", level=LEVEL, predictor=True,
        blocksize=[BLOCK], stats=False, overview_resampling="average",
    ).compute()  # fmt: skip
    clock.lap("compute and write")
    report("odc", ground, clock)


if __name__ == "__main__":
    main()
