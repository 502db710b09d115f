"""A raster in memory: values, where they lie, what they measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.grid import Grid

FloatArray = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Raster:
    """Float32 values (rows, cols) on a grid, in one unit; NaN is missing and nothing else is.

    >>> from underoak.grid import Grid
    >>> r = Raster(np.float32([[1, np.nan]]), Grid.north_up("EPSG:25831", 0, 0, 30, 1, 2), "m")
    >>> r.valid.tolist()
    [[True, False]]

    Raises:
        ValueError: when values and grid differ in shape.
    """

    values: FloatArray
    grid: Grid
    unit: str

    def __post_init__(self) -> None:
        if self.values.shape != self.grid.shape:
            raise ValueError(f"values are {self.values.shape}, the grid is {self.grid.shape}")

    @property
    def valid(self) -> npt.NDArray[np.bool_]:
        """True where there is a value, (rows, cols)."""
        return ~np.isnan(self.values)
