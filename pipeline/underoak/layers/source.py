"""What every open raster looks like to the rest of the house: cells on its own grid, in one unit, NaN where missing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window


class Reading(NamedTuple):
    """Decoded cells, and how many were dropped because no such value can be true."""

    values: FloatArray  # (rows, cols), or (months, rows, cols) for a monthly source
    implausible: int = 0


@dataclass(frozen=True, slots=True)
class SourceFacts:
    """What the door found in the file and decided, for `check`, the manifest and the report."""

    path: str
    format: str  # GeoTIFF, VRT, NetCDF, Zarr
    dtype: str
    stored_unit: str
    unit: str  # canonical, after decoding
    decoding: str  # one line: which scale, offset and nodata were applied, and who said so
    block: tuple[int, int] = (1, 1)  # native blocks, (rows, cols)
    files: tuple[str, ...] = field(default=())  # every file that is read, for hashing


class Source(Protocol):
    """One layer's cells on its own grid. Picklable; `read` may be called from several threads at once."""

    @property
    def grid(self) -> Grid:
        """The native grid as stored: it may be rotated or have rows that run north."""
        ...

    @property
    def is_periodic(self) -> bool:
        """True when the columns go once round the Earth, so that the last column touches the first."""
        ...

    @property
    def months(self) -> tuple[int, ...]:
        """Calendar months (1..12) along the first axis of a reading; empty when there is no such axis."""
        ...

    @property
    def facts(self) -> SourceFacts:
        """What was found and decided."""
        ...

    def read(self, window: Window) -> Reading:
        """The decoded cells of a window inside the grid.

        Raises:
            UnderoakError: E230 when the file cannot be read there. A failed read is never nodata.
        """
        ...
