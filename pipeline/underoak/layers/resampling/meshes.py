"""The meshes from one analysis grid to those of its sources, each computed once, with the region's extent on each."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field

from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.source import Source

_RESIDENT_BYTES = 4_000_000  # coordinates of the region that take less are computed once and stay in memory
_SURVEY_CELLS = 1024  # side of the windows by which a region is surveyed

Extent = tuple[float, float, float, float]  # least and greatest u, least and greatest v


@dataclass
class _ProcessCache:
    """A process's extents and coordinates in memory; in another process it starts empty."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    extents: dict[int, Extent | None] = field(default_factory=dict)
    coordinates: dict[int, Coordinates] = field(default_factory=dict)  # of the whole region, where they are small

    def __reduce__(self) -> tuple[type[_ProcessCache], tuple[()]]:
        return _ProcessCache, ()


class Meshes:
    """A list of meshes, one for each source grid. Several threads may use it at once."""

    def __init__(self, grid: Grid, resident_bytes: int = _RESIDENT_BYTES, survey_cells: int = _SURVEY_CELLS) -> None:
        self.grid = grid
        self._resident_bytes = resident_bytes
        self._survey_cells = survey_cells
        self._indices: dict[tuple[Grid, bool], int] = {}
        self._meshes: list[Mesh] = []
        self._cache = _ProcessCache()

    def __getitem__(self, index: int) -> Mesh:
        return self._meshes[index]

    def index_of(self, source: Source) -> int:
        """Return the index of the mesh to a source's grid; add the mesh if there is none yet."""
        key = (source.grid, source.is_periodic)
        if key not in self._indices:
            self._meshes.append(Mesh.between(self.grid, source.grid, source.is_periodic))
            self._indices[key] = len(self._meshes) - 1
        return self._indices[key]

    def extent(self, index: int) -> Extent | None:
        """Return the extent of the whole region on the source grid; None if it lies nowhere on it."""
        with self._cache.lock:
            if index not in self._cache.extents:
                self._cache.extents[index], coordinates = self._survey(self._meshes[index])
                if coordinates is not None:
                    self._cache.coordinates[index] = coordinates
        return self._cache.extents[index]

    def coordinates(self, index: int, window: Window) -> Coordinates:
        """Return `Mesh.coordinates` of a window, cut from those of the region where these are in memory."""
        self.extent(index)
        of_region = self._cache.coordinates.get(index)
        of_window = of_region.subset(window) if of_region is not None else None
        return self._meshes[index].coordinates(window) if of_window is None else of_window

    def _survey(self, mesh: Mesh) -> tuple[Extent | None, Coordinates | None]:
        """Return the extent of the region on a source grid, and its coordinates unless they take much memory."""
        region = self.grid.window
        n_bytes = 16 * (region.rows // (mesh.step or 1) + 2) * (region.cols // (mesh.step or 1) + 2)
        if n_bytes <= self._resident_bytes:
            coordinates = mesh.coordinates(region)
            return coordinates.extent, coordinates if coordinates.nbytes <= self._resident_bytes else None
        extents: list[Extent] = []
        for part in region.tiles(self._survey_cells):
            extent = mesh.coordinates(part).extent
            extents += [extent] if extent is not None else []
        if not extents:
            return None, None
        least_u, most_u, least_v, most_v = zip(*extents, strict=True)
        return (min(least_u), max(most_u), min(least_v), max(most_v)), None


def extent_window(extent: Extent, margin: int) -> Window:
    """Return the source cells of an extent, with a margin [cells] on all sides.

    >>> extent_window((1.5, 3.2, 7.0, 7.9), 1)
    Window(row=6, col=0, rows=3, cols=5)
    """
    least_u, most_u, least_v, most_v = extent
    row, col = math.floor(least_v) - margin, math.floor(least_u) - margin
    return Window(row, col, math.floor(most_v) + margin + 1 - row, math.floor(most_u) + margin + 1 - col)
