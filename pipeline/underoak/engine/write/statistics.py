"""Statistics of a raster's bands, of the cells as they are stored, the same for any tile size and number of workers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled

Cells = npt.NDArray[Any]
Doubles = npt.NDArray[np.float64]

_FIGURES = 5  # cells with a value, least, greatest, sum, sum of squares


@dataclass(frozen=True, slots=True)
class BandStatistics:
    """The statistics of one band, of stored cells, before scale and offset. `sd` divides by the number of cells."""

    minimum: float
    maximum: float
    mean: float
    sd: float
    valid_share: float  # of all cells

    @property
    def tags(self) -> dict[str, str]:
        """The tags by which raster libraries know them."""
        return {
            "STATISTICS_MINIMUM": repr(self.minimum),
            "STATISTICS_MAXIMUM": repr(self.maximum),
            "STATISTICS_MEAN": repr(self.mean),
            "STATISTICS_STDDEV": repr(self.sd),
            "STATISTICS_VALID_PERCENT": f"{100.0 * self.valid_share:.4g}",
        }


@compiled
def _sum_columns(cells: Cells, nodata: float, out: Doubles) -> None:
    """Fill `out`, (5, cols), with the figures of each column: sums go down a column, several columns at once."""
    out[0], out[1], out[2], out[3], out[4] = 0.0, np.inf, -np.inf, 0.0, 0.0
    for r in range(cells.shape[0]):
        row = cells[r]
        for c in range(row.size):
            value = np.float64(row[c])
            is_valid = (value == value) & (value != nodata)
            counted = value if is_valid else 0.0
            out[0, c] += 1.0 if is_valid else 0.0
            out[1, c] = value if is_valid & (value < out[1, c]) else out[1, c]
            out[2, c] = value if is_valid & (value > out[2, c]) else out[2, c]
            out[3, c] += counted
            out[4, c] += counted * counted


def block_figures(cells: Cells, nodata: float) -> bytes:
    """Return the figures of one block's cells, (bands, rows, cols), for `band_statistics`."""
    figures = np.empty((len(cells), _FIGURES))
    columns = np.empty((_FIGURES, cells.shape[2]))
    for band, plane in enumerate(cells):
        _sum_columns(np.ascontiguousarray(plane), nodata, columns)
        figures[band] = [columns[0].sum(), columns[1].min(), columns[2].max(), columns[3].sum(), columns[4].sum()]
    return figures.tobytes()


def band_statistics(blocks: Iterable[bytes], bands: int, cells: int) -> list[BandStatistics | None]:
    """Return the statistics of each band from the figures of all blocks, in one order; None if no cell has a value.

    `cells`: the number of all cells of a band. Sums of whole numbers are exact.

    >>> figures = block_figures(np.uint8([[[1, 255, 255, 5]]]), 255)
    >>> band_statistics([figures], 1, 4)[0]
    BandStatistics(minimum=1.0, maximum=5.0, mean=3.0, sd=2.0, valid_share=0.5)
    """
    of_blocks = np.array([np.frombuffer(block).reshape(bands, _FIGURES) for block in blocks])
    results: list[BandStatistics | None] = []
    for band in range(bands):
        figures = of_blocks[:, band].T if len(of_blocks) else np.zeros((_FIGURES, 1))
        count, total, squares = (math.fsum(figures[i]) for i in (0, 3, 4))
        if count == 0:
            results.append(None)
            continue
        mean = total / count
        sd = math.sqrt(max(squares / count - mean * mean, 0.0))
        results.append(
            BandStatistics(float(figures[1].min()), float(figures[2].max()), mean, sd, count / cells if cells else 0.0)
        )
    return results
