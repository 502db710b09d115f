"""How much of each zone is good ground in the draws, on average: what the map of their chances adds up to.

The mean over a zone of the chance of each cell is the share of the zone that is expected to be good, however the errors
of cells hang together. It is no chance of the zone as a whole: for that its mean would have to be drawn, and where
zones lie is known only when all draws are done.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid
from underoak.indicators import cell_areas
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.shapes.coverage import add_shares, polygon_edges

Doubles = npt.NDArray[np.float64]
COLUMN = "s2_share_drawn"
_SPREAD, _BAND, _BLOCK = "spread.tif", "p_s2", 512


def s2_shares(folder: Path, grid: Grid, shapes: npt.ArrayLike) -> Doubles | None:
    """Share of each shape's judged ground that is S2 or better by suitability, mean of all draws, (shapes,).

    None for a run without draws; NaN for a shape without judged ground. Shapes are in the grid's CRS.

    Raises:
        UnderoakError: E230 when the raster cannot be read.
    """
    import rasterio

    path = folder / _SPREAD
    if not path.exists():
        return None
    edges = polygon_edges(shapes, grid)
    sums = np.zeros((edges.polygons, 2))
    try:
        with gdal_settings(), rasterio.open(path) as source:
            band = source.descriptions.index(_BAND) + 1
            scale = source.scales[band - 1]
            for block in grid.tiles(_BLOCK):
                at = rasterio.windows.Window(block.col, block.row, block.cols, block.rows)
                chances = source.read(band, window=at, masked=True).astype(np.float64) * scale
                known = np.where(np.ma.getmaskarray(chances), 0.0, cell_areas(grid, block))
                add_shares(edges, block, np.stack([known * chances.filled(0.0), known]), sums)
    except rasterio.errors.RasterioError as error:
        raise UnderoakError(Fault("E230", f"the result cannot be read ({error})", str(path), "run again")) from error
    with np.errstate(invalid="ignore"):
        found: Doubles = sums[:, 0] / sums[:, 1]
    return found
