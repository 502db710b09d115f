"""All layers of a run on the analysis grid, tile by tile: each source is read and resampled once per tile."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window
from underoak.layers.derivation.source_layer import SourceLayer, clip_to_source, read_window
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.meshes import Meshes, extent_window
from underoak.layers.resampling.resample import kernel_reach, resample_layers
from underoak.layers.source import Reading, Source

RESIDENT_VALUES = 3_000_000  # a layer with fewer values over the whole region is derived once and stays in memory


@dataclass(frozen=True, slots=True)
class StackedLayer:
    """A layer, with the method that resamples it onto the analysis grid."""

    name: str
    source_layer: SourceLayer
    method: str
    share_of: tuple[float, ...] = ()

    @property
    def where(self) -> str:
        """The layer and its files as messages name them."""
        return f"{self.name} ({self.source_layer.facts.name})"


class Stacked(NamedTuple):
    """A set of layers on one window of the analysis grid, with counts of cells, by layer name."""

    values: dict[str, FloatArray]  # (rows, cols)
    implausible: dict[str, int]  # source cells dropped
    read: dict[str, int]  # source cells read
    missing: dict[str, int]  # cells of the window without a value


class _Resident(NamedTuple):
    """A coarse layer over the whole region, in memory."""

    values: FloatArray
    window: Window  # of the source grid
    implausible: int  # counted when it was read, 0 ever after
    read: int


@dataclass
class _ProcessCache:
    """A process's layers in memory; in another process it starts empty."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    layers: dict[int, _Resident] = field(default_factory=dict)
    groups: dict[tuple[int, ...], FloatArray] = field(default_factory=dict)  # several layers in one array, layers first

    def __reduce__(self) -> tuple[type[_ProcessCache], tuple[()]]:
        return _ProcessCache, ()


class Stack:
    """A stack of the layers of a run over one analysis grid."""

    def __init__(
        self,
        grid: Grid,
        layers: tuple[StackedLayer, ...],
        meshes: Meshes | None = None,
        resident_values: int | None = None,
    ) -> None:
        self.grid = grid
        self.layers = layers
        sources: list[Source] = []
        for layer in layers:
            for source in layer.source_layer.sources:
                if source not in sources:
                    sources.append(source)
        self._sources = sources
        self._sources_of = [tuple(sources.index(source) for source in layer.source_layer.sources) for layer in layers]
        self._first_source_of = [indices[0] for indices in self._sources_of]
        self._groups = _group_sources(self._sources_of, len(sources))
        self._meshes = meshes or Meshes(grid)
        self._mesh_of = [self._meshes.index_of(source) for source in sources]
        self._resident_values = resident_values
        self._cache = _ProcessCache()

    def select(self, names: frozenset[str]) -> Stack:
        """Return a stack of some of the layers, which shares the meshes."""
        return self._with_layers(tuple(layer for layer in self.layers if layer.name in names))

    def with_sources(self, wrap: Callable[[Source], Source]) -> Stack:
        """Return a stack of the same layers with `wrap(source)` in place of every source."""
        return self._with_layers(
            tuple(replace(layer, source_layer=layer.source_layer.with_sources(wrap)) for layer in self.layers)
        )

    def _with_layers(self, layers: tuple[StackedLayer, ...]) -> Stack:
        return Stack(self.grid, layers, self._meshes, self._resident_values)

    def region_window(self, layer: StackedLayer) -> Window:
        """Return the source cells that the analysis grid needs of a layer; may be empty or reach beyond the source."""
        i_mesh = self._mesh_of[self._first_source_of[self.layers.index(layer)]]
        extent = self._meshes.extent(i_mesh)
        if extent is None:
            return Window(0, 0, 0, 0)
        return extent_window(extent, kernel_reach(self._meshes[i_mesh], layer.method))

    def read(self, window: Window, names: frozenset[str] | None = None) -> Stacked:
        """Read every layer (or the named ones) on a window of the analysis grid."""
        out = Stacked({}, {}, {}, {})
        coordinates: dict[int, Coordinates] = {}
        alike: dict[tuple[int, Window, str, tuple[float, ...]], list[int]] = {}  # layers that are resampled together
        for group in self._groups:
            requested = [
                (i, layer)
                for i, layer in enumerate(self.layers)
                if self._first_source_of[i] in group and (names is None or layer.name in names)
            ]
            if not requested:
                continue
            i_mesh = self._mesh_of[group[0]]
            if i_mesh not in coordinates:
                coordinates[i_mesh] = self._meshes.coordinates(i_mesh, window)
            fresh = []
            for i, layer in requested:
                resident = self._resident(i, layer)
                if resident is None:
                    fresh.append(layer)
                    continue
                alike.setdefault((i_mesh, resident.window, layer.method, layer.share_of), []).append(i)
                out.implausible[layer.name], out.read[layer.name] = resident.implausible, resident.read
            if fresh:
                self._read_group(fresh, self._meshes[i_mesh], coordinates[i_mesh], window, out)
        for (i_mesh, cells, method, share_of), members in alike.items():
            values = self._in_one_array(tuple(members))
            mesh = self._meshes[i_mesh]
            resampled = resample_layers(values, cells, mesh, coordinates[i_mesh], window, method, share_of)
            for i, layer_values, missing in zip(members, *resampled, strict=True):
                name = self.layers[i].name
                out.values[name], out.missing[name] = layer_values, missing
        return out

    def mesh_of(self, name: str) -> Mesh:
        """Return the mesh from the analysis grid to a layer's source grid."""
        return self._meshes[self._mesh_of[self._first_source_of[self._index(name)]]]

    def source_of(self, name: str) -> Source:
        """Return a layer's (first) source."""
        return self.layers[self._index(name)].source_layer.source

    def source_cells(self, name: str, window: Window) -> tuple[FloatArray, Window]:
        """Return a layer's cells on a window of its source grid, and the part of the window that the source has."""
        index = self._index(name)
        layer = self.layers[index]
        cells = clip_to_source(layer.source_layer.source, window)
        resident = self._resident(index, layer)
        if resident is not None and resident.window.union(cells) == resident.window:
            return resident.values[cells.relative_to(resident.window).slices], cells
        wide = layer.source_layer.input_window(window)
        inputs = [read_window(source, wide) for source in layer.source_layer.sources]
        return _derive(layer, inputs, wide, cells), cells

    def _index(self, name: str) -> int:
        return next(i for i, layer in enumerate(self.layers) if layer.name == name)

    def _resident(self, index: int, layer: StackedLayer) -> _Resident | None:
        """Return a coarse layer over the whole region, derived once; None for one that is too large."""
        if index in self._cache.layers:
            return self._cache.layers[index]._replace(implausible=0, read=0)
        sources = layer.source_layer.sources
        region = self.region_window(layer)
        wide = layer.source_layer.input_window(region)
        limit = RESIDENT_VALUES if self._resident_values is None else self._resident_values
        if wide.rows * wide.cols * sum(max(len(source.months), 1) for source in sources) > limit:
            return None
        with self._cache.lock:
            if index not in self._cache.layers:
                inputs = [read_window(source, wide) for source in sources]
                inner = clip_to_source(sources[0], region)
                self._cache.layers[index] = _Resident(_derive(layer, inputs, wide, inner), inner, *_counts(inputs))
                return self._cache.layers[index]
        return self._cache.layers[index]._replace(implausible=0, read=0)

    def _in_one_array(self, members: tuple[int, ...]) -> FloatArray:
        """Return resident layers on the same source cells as one array, of which each becomes a part."""
        with self._cache.lock:
            if members not in self._cache.groups:
                layers = self._cache.layers
                group = np.stack([layers[i].values for i in members])
                for i, values in zip(members, group, strict=True):
                    layers[i] = layers[i]._replace(values=values)
                self._cache.groups[members] = group
            return self._cache.groups[members]

    def _read_group(
        self, layers: list[StackedLayer], mesh: Mesh, coordinates: Coordinates, window: Window, out: Stacked
    ) -> None:
        """Read layers whose sources share a grid: each source once, for all of them."""
        extent = coordinates.extent
        if extent is None:
            for layer in layers:
                out.values[layer.name] = np.full(window.shape, np.nan, np.float32)
                out.implausible[layer.name] = out.read[layer.name] = 0
                out.missing[layer.name] = window.rows * window.cols
            return
        inner = {layer.name: extent_window(extent, kernel_reach(mesh, layer.method)) for layer in layers}
        wide = {layer.name: layer.source_layer.input_window(inner[layer.name]) for layer in layers}
        windows: dict[int, Window] = {}  # by source
        for layer in layers:
            for i_source in self._sources_of[self.layers.index(layer)]:
                windows[i_source] = windows.get(i_source, wide[layer.name]).union(wide[layer.name])
        if any(_is_too_wide(cells, mesh, window) for cells in windows.values()):
            self._read_parts(layers, mesh, coordinates, window, out)
            return
        readings = {i_source: read_window(self._sources[i_source], cells) for i_source, cells in windows.items()}
        for layer in layers:
            inputs = [readings[i_source] for i_source in self._sources_of[self.layers.index(layer)]]
            cells = clip_to_source(layer.source_layer.source, inner[layer.name])
            values = _derive(layer, inputs, wide[layer.name], cells)
            resampled = resample_layers([values], cells, mesh, coordinates, window, layer.method, layer.share_of)
            (out.values[layer.name],), (out.missing[layer.name],) = resampled
            out.implausible[layer.name], out.read[layer.name] = _counts(inputs)

    def _read_parts(
        self, layers: list[StackedLayer], mesh: Mesh, coordinates: Coordinates, window: Window, out: Stacked
    ) -> None:
        """Read a window whose cells lie far apart on the source: by quarters, and at last by clusters of cells."""
        totals = Stacked(
            {layer.name: np.full(window.shape, np.nan, np.float32) for layer in layers},
            dict.fromkeys((layer.name for layer in layers), 0),
            dict.fromkeys((layer.name for layer in layers), 0),
            {},
        )
        for part, part_coordinates in _split(mesh, coordinates, window):
            piece = Stacked({}, {}, {}, {})
            self._read_group(layers, mesh, part_coordinates, part, piece)
            rows, cols = part.relative_to(window).slices
            for layer in layers:
                target = totals.values[layer.name][rows, cols]
                np.copyto(target, piece.values[layer.name], where=np.isnan(target))
                totals.implausible[layer.name] += piece.implausible[layer.name]
                totals.read[layer.name] += piece.read[layer.name]
        out.values.update(totals.values)
        out.missing.update({name: int(np.isnan(values).sum()) for name, values in totals.values.items()})
        out.implausible.update(totals.implausible)
        out.read.update(totals.read)


Inputs = list[tuple[Reading, Window]]  # the cells of each source of a layer, and where they lie


def _derive(layer: StackedLayer, inputs: Inputs, wide: Window, window: Window) -> FloatArray:
    """Return a layer on `window` of its source, from inputs that hold the `wide` cells around it and perhaps more."""
    source_layer = layer.source_layer
    needed = clip_to_source(source_layer.source, wide)
    if needed.is_empty or window.is_empty:
        return np.empty((0, 0), np.float32)
    first, *more = (
        reading.values if needed == cells else reading.values[..., *needed.relative_to(cells).slices]
        for reading, cells in inputs
    )
    return source_layer.derive(first, needed, window, *more)


def _counts(inputs: Inputs) -> tuple[int, int]:
    """Count the source cells dropped, and read."""
    return sum(reading.implausible for reading, _ in inputs), sum(reading.values.size for reading, _ in inputs)


def _group_sources(sources_of: list[tuple[int, ...]], count: int) -> list[tuple[int, ...]]:
    """Group sources that some layer needs together; every other one is a group by itself.

    >>> _group_sources([(0,), (1, 2), (2, 3)], 5)
    [(0,), (1, 2, 3), (4,)]
    """
    groups: list[set[int]] = []
    for together in [*sources_of, *((source,) for source in range(count))]:
        touching = [group for group in groups if group & set(together)]
        groups = [group for group in groups if group not in touching]
        groups.append(set(together).union(*touching))
    return sorted(tuple(sorted(group)) for group in groups)


def _is_too_wide(cells: Window, mesh: Mesh, window: Window) -> bool:
    """Return whether far more source cells span a window than can lie under it: the projection is torn there."""
    a, b, c, d = mesh.jacobian
    rows, cols = max(window.rows, mesh.step), max(window.cols, mesh.step)  # at least one mesh square is read
    across, down = math.hypot(a, b) * cols, math.hypot(c, d) * rows
    return cells.cols > 4 * (across + down) + 4096 or cells.rows > 4 * (across + down) + 4096


def _split(mesh: Mesh, coordinates: Coordinates, window: Window) -> Iterator[tuple[Window, Coordinates]]:
    """Split a window into quarters, or the cells of one mesh square at a gap between their source cells."""
    step = coordinates.step
    if window.rows > step or window.cols > step:
        half_rows = max(step, window.rows // 2 // step * step)
        half_cols = max(step, window.cols // 2 // step * step)
        for row in range(window.row // step * step, window.row + window.rows, half_rows):
            for col in range(window.col // step * step, window.col + window.cols, half_cols):
                first_row, first_col = max(row, window.row), max(col, window.col)
                rows = min(row + half_rows, window.row + window.rows) - first_row
                cols = min(col + half_cols, window.col + window.cols) - first_col
                part = Window(first_row, first_col, rows, cols)
                yield part, mesh.coordinates(part)
        return
    for positions in (coordinates.exact_u, coordinates.exact_v):
        finite = np.sort(positions[np.isfinite(positions)])
        gaps = np.diff(finite)
        if gaps.size and gaps.max() > 1024:
            cut = finite[gaps.argmax()]
            for is_on_side in (positions <= cut, positions > cut):
                u = np.where(is_on_side, coordinates.exact_u, np.inf)
                v = np.where(is_on_side, coordinates.exact_v, np.inf)
                yield window, replace(coordinates, exact_u=u, exact_v=v)
            return
    raise AssertionError(f"cells of one mesh square span too many source cells along no axis: {window}")
