"""How much of each zone is good ground in the draws, on average: what the map of their chances adds up to.

The mean over a zone of the chance of each cell is the share of the zone that is expected to be good, however the errors
of cells hang together. It is no chance of the zone as a whole: for that its mean would have to be drawn, and where
zones lie is known only when all draws are done.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Grid
from underoak.engine.write.finished_rasters import SPREAD_TIF, open_finished
from underoak.indicators import cell_areas
from underoak.layers.shapes.coverage import add_shares, polygon_edges

Doubles = npt.NDArray[np.float64]
COLUMN = "s2_share_drawn"
_BAND, _BLOCK = "p_s2", 512


def s2_shares(folder: Path, grid: Grid, shapes: npt.ArrayLike) -> Doubles | None:
    """Share of each shape's judged ground of class S2 or better, mean of all draws, (shapes,).

    None for a run without draws; NaN for a shape without judged ground. Shapes are in the grid's CRS.

    Raises:
        UnderoakError: E230 when the raster cannot be read.
    """
    if not (folder / SPREAD_TIF).exists():
        return None
    edges = polygon_edges(shapes, grid)
    sums = np.zeros((edges.polygons, 2))
    with open_finished(folder, SPREAD_TIF) as spread:
        band = spread.bands.index(_BAND)
        for block in grid.tiles(_BLOCK):
            chances = spread.values(block, band)
            areas = np.where(np.isnan(chances), 0.0, cell_areas(grid, block))
            add_shares(edges, block, np.stack([areas * np.nan_to_num(chances), areas]), sums)
    with np.errstate(invalid="ignore"):
        shares: Doubles = sums[:, 0] / sums[:, 1]
    return shares
