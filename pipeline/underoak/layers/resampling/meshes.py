"""The meshes from one analysis grid to the grids of its sources: each is made once, and where the region lies on it."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field

from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.source import Source

_RESIDENT_BYTES = 4_000_000  # coordinates of the whole region that take less are computed once and kept
_SURVEY = 1024  # cells along the windows by which a region is surveyed

Extent = tuple[float, float, float, float]  # least and greatest u, least and greatest v


@dataclass
class _Kept:
    """What a process keeps between tiles; in another process it begins empty."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    extents: dict[int, Extent | None] = field(default_factory=dict)
    coordinates: dict[int, Coordinates] = field(default_factory=dict)  # of the whole region, where they are small

    def __reduce__(self) -> tuple[type[_Kept], tuple[()]]:
        return _Kept, ()


class Meshes:
    """One mesh for each grid that sources lie on, by number. Threads may ask side by side."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        self._made: dict[tuple[Grid, bool], int] = {}
        self._meshes: list[Mesh] = []
        self._kept = _Kept()

    def __getitem__(self, which: int) -> Mesh:
        return self._meshes[which]

    def number(self, source: Source) -> int:
        """Which mesh leads to a source's grid; it is made when there is none yet."""
        key = (source.grid, source.is_periodic)
        if key not in self._made:
            self._meshes.append(Mesh.between(self.grid, source.grid, source.is_periodic))
            self._made[key] = len(self._meshes) - 1
        return self._made[key]

    def extent(self, which: int) -> Extent | None:
        """Where the whole region lies on the source grid; None when nowhere."""
        with self._kept.lock:
            if which not in self._kept.extents:
                self._kept.extents[which], found = _surveyed(self._meshes[which], self.grid.window)
                if found is not None:
                    self._kept.coordinates[which] = found
        return self._kept.extents[which]

    def coordinates(self, which: int, window: Window) -> Coordinates:
        """`Mesh.at` a window, from what is kept of the whole region where that is small."""
        self.extent(which)
        whole = self._kept.coordinates.get(which)
        part = whole.part(window) if whole is not None else None
        return self._meshes[which].at(window) if part is None else part


def _surveyed(mesh: Mesh, region: Window) -> tuple[Extent | None, Coordinates | None]:
    """Where a region lies on a source's grid, and its coordinates, unless they take much memory."""
    nodes = 16 * (region.rows // (mesh.step or 1) + 2) * (region.cols // (mesh.step or 1) + 2)
    if nodes <= _RESIDENT_BYTES:
        whole = mesh.at(region)
        return whole.extent, whole if whole.nbytes <= _RESIDENT_BYTES else None
    found: list[Extent] = []
    for part in region.tiles(_SURVEY):
        extent = mesh.at(part).extent
        found += [extent] if extent is not None else []
    if not found:
        return None, None
    least_u, most_u, least_v, most_v = zip(*found, strict=True)
    return (min(least_u), max(most_u), min(least_v), max(most_v)), None


def extent_window(extent: Extent, cells: int) -> Window:
    """The source cells of an extent, and so many more on all sides.

    >>> extent_window((1.5, 3.2, 7.0, 7.9), 1)
    Window(row=6, col=0, rows=3, cols=5)
    """
    least_u, most_u, least_v, most_v = extent
    row, col = math.floor(least_v) - cells, math.floor(least_u) - cells
    return Window(row, col, math.floor(most_v) + cells + 1 - row, math.floor(most_u) + cells + 1 - col)
