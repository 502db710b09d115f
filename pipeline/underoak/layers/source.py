"""The form of every open raster: decoded cells on the source grid, in one unit, NaN where missing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window


class Reading(NamedTuple):
    """A block of decoded cells, with the count of those dropped because their value is outside the bounds."""

    values: FloatArray  # (rows, cols), or (months, rows, cols) for a monthly source
    implausible: int = 0


@dataclass(frozen=True, slots=True)
class SourceFacts:
    """A summary of an open file, for `check`, the manifest and the report."""

    path: str
    format: str  # GeoTIFF, VRT, NetCDF, Zarr
    dtype: str
    stored_unit: str
    unit: str  # canonical, after decoding
    decoding: str  # one line: the scale, offset and nodata that are applied, and whether file or plan declares them
    block: tuple[int, int] = (1, 1)  # stored blocks, (rows, cols)
    files: tuple[str, ...] = field(default=())  # every file that is read, for hashing
    file: str = ""  # as the plan names it

    @property
    def name(self) -> str:
        """The file as messages name it."""
        return self.file or self.path


class Source(Protocol):
    """A layer's cells on the source grid. Picklable; several threads may call `read` at once."""

    @property
    def grid(self) -> Grid:
        """The source grid as stored: it may be rotated or have rows that run north."""
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
        """Path, format, units and decoding of the file."""
        ...

    def read(self, window: Window) -> Reading:
        """Read the decoded cells of a window inside the grid.

        Raises:
            UnderoakError: E230 when the file cannot be read there. A failed read is never nodata.
        """
        ...
