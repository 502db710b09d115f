"""All layers of a run on the analysis grid, tile by tile: each source is read once a tile and resampled once."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.meshes import Meshes, extent_window
from underoak.layers.resampling.resample import kernel_reach, resample_layers
from underoak.layers.resampling.source_layer import SourceLayer, clip_to_source, read_window
from underoak.layers.source import Reading, Source

_RESIDENT_VALUES = 3_000_000  # a layer that has fewer over the whole region is derived once and kept


@dataclass(frozen=True, slots=True)
class StackedLayer:
    """One layer and how it comes onto the analysis grid."""

    name: str
    source_layer: SourceLayer
    method: str
    share_of: tuple[float, ...] = ()


class Stacked(NamedTuple):
    """Layers on one window of the analysis grid, and what had to be dropped on the way."""

    values: dict[str, FloatArray]  # name -> (rows, cols)
    implausible: dict[str, int]  # name -> source cells dropped
    read: dict[str, int]  # name -> source cells read
    missing: dict[str, int]  # name -> cells of the window without a value


@dataclass
class _Kept:
    """What a process keeps between tiles; in another process it begins empty."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    arrays: dict[int, tuple[FloatArray, Window, int, int]] = field(default_factory=dict)
    together: dict[tuple[int, ...], FloatArray] = field(default_factory=dict)  # some of them in one, layers first

    def __reduce__(self) -> tuple[type[_Kept], tuple[()]]:
        return _Kept, ()


class Stack:
    """The layers of a run over one analysis grid."""

    def __init__(self, grid: Grid, layers: tuple[StackedLayer, ...], meshes: Meshes | None = None) -> None:
        self.grid = grid
        self.layers = layers
        sources: list[Source] = []
        for layer in layers:
            for source in layer.source_layer.sources:
                if source not in sources:
                    sources.append(source)
        self._sources = sources
        self._sources_of = [tuple(sources.index(source) for source in layer.source_layer.sources) for layer in layers]
        self._source_of = [at[0] for at in self._sources_of]
        self._groups = _joined(self._sources_of, len(sources))
        self._meshes = meshes or Meshes(grid)
        self._mesh_of = [self._meshes.number(source) for source in sources]
        self._kept = _Kept()

    def select(self, names: frozenset[str]) -> Stack:
        """Some of the layers; what is known of their grids is known there, too."""
        return Stack(self.grid, tuple(layer for layer in self.layers if layer.name in names), self._meshes)

    def with_sources(self, wrap: Callable[[Source], Source]) -> Stack:
        """The same layers with `view` of every source in its place."""
        layers = tuple(replace(layer, source_layer=layer.source_layer.with_sources(wrap)) for layer in self.layers)
        return Stack(self.grid, layers, self._meshes)

    def region_window(self, layer: StackedLayer) -> Window:
        """The source cells that the whole analysis grid may ask of a layer; may be empty or reach outside."""
        at = self._mesh_of[self._source_of[self.layers.index(layer)]]
        extent = self._meshes.extent(at)
        return extent_window(extent, kernel_reach(self._meshes[at], layer.method)) if extent else Window(0, 0, 0, 0)

    def read(self, window: Window, names: frozenset[str] | None = None) -> Stacked:
        """Every layer (or the named ones) on a window of the analysis grid."""
        out = Stacked({}, {}, {}, {})
        coordinates: dict[int, Coordinates] = {}
        alike: dict[tuple[int, Window, str, tuple[float, ...]], list[int]] = {}  # layers that are resampled together
        for group in self._groups:
            wanted = [
                (i, layer)
                for i, layer in enumerate(self.layers)
                if self._source_of[i] in group and (names is None or layer.name in names)
            ]
            if not wanted:
                continue
            which = self._mesh_of[group[0]]
            mesh = self._meshes[which]
            if which not in coordinates:
                coordinates[which] = self._meshes.coordinates(which, window)
            fresh = []
            for i, layer in wanted:
                kept = self._resident(i, layer)
                if kept is None:
                    fresh.append(layer)
                    continue
                _, held, implausible, read = kept
                alike.setdefault((which, held, layer.method, layer.share_of), []).append(i)
                out.implausible[layer.name], out.read[layer.name] = implausible, read
            if fresh:
                self._read_group(fresh, mesh, coordinates[which], window, out)
        for (which, held, method, share_of), members in alike.items():
            together, mesh, at = self._together(tuple(members)), self._meshes[which], coordinates[which]
            found = resample_layers(together, held, mesh, at, window, method, share_of)
            for i, values, missing in zip(members, *found, strict=True):
                out.values[self.layers[i].name], out.missing[self.layers[i].name] = values, missing
        return out

    def mesh_of(self, name: str) -> Mesh:
        """The way from the analysis grid to a layer's own."""
        return self._meshes[self._mesh_of[self._source_of[self._index(name)]]]

    def source_cells(self, name: str, window: Window) -> tuple[FloatArray, Window]:
        """A layer's cells on a window of its own grid, and which of them its source has."""
        index = self._index(name)
        layer = self.layers[index]
        wanted = clip_to_source(layer.source_layer.source, window)
        kept = self._resident(index, layer)
        if kept is not None and kept[1].union(wanted) == kept[1]:
            return kept[0][wanted.relative_to(kept[1]).slices], wanted
        wide = layer.source_layer.input_window(window)
        read = [read_window(source, wide) for source in layer.source_layer.sources]
        return _derive(layer, read, wide, wanted), wanted

    def _index(self, name: str) -> int:
        return next(i for i, layer in enumerate(self.layers) if layer.name == name)

    def _resident(self, index: int, layer: StackedLayer) -> tuple[FloatArray, Window, int, int] | None:
        """A coarse layer over the whole region, derived once; None for one that is too large."""
        if index in self._kept.arrays:
            values, held, _, _ = self._kept.arrays[index]
            return values, held, 0, 0  # what it dropped was told the first time
        sources = layer.source_layer.sources
        region = self.region_window(layer)
        wide = layer.source_layer.input_window(region)
        if wide.rows * wide.cols * sum(max(len(source.months), 1) for source in sources) > _RESIDENT_VALUES:
            return None
        with self._kept.lock:
            if index not in self._kept.arrays:
                read = [read_window(source, wide) for source in sources]
                inner = clip_to_source(sources[0], region)
                values = _derive(layer, read, wide, inner)
                self._kept.arrays[index] = (values, inner, *_counts(read))
                return self._kept.arrays[index]
        values, held, _, _ = self._kept.arrays[index]
        return values, held, 0, 0

    def _together(self, members: tuple[int, ...]) -> FloatArray:
        """Coarse layers that hold the same cells of one grid, in one array; what is kept of each becomes part of it."""
        with self._kept.lock:
            if members not in self._kept.together:
                kept = self._kept.arrays
                together = np.stack([kept[i][0] for i in members])
                for i, values in zip(members, together, strict=True):
                    kept[i] = values, *kept[i][1:]
                self._kept.together[members] = together
            return self._kept.together[members]

    def _read_group(
        self, layers: list[StackedLayer], mesh: Mesh, at: Coordinates, window: Window, out: Stacked
    ) -> None:
        """Layers whose sources share a grid: each source is read once, for all of them."""
        extent = at.extent
        if extent is None:
            for layer in layers:
                out.values[layer.name] = np.full(window.shape, np.nan, np.float32)
                out.implausible[layer.name] = out.read[layer.name] = 0
                out.missing[layer.name] = window.rows * window.cols
            return
        inner = {layer.name: extent_window(extent, kernel_reach(mesh, layer.method)) for layer in layers}
        wide = {layer.name: layer.source_layer.input_window(inner[layer.name]) for layer in layers}
        need: dict[int, Window] = {}
        for layer in layers:
            for source in self._sources_of[self.layers.index(layer)]:
                need[source] = need.get(source, wide[layer.name]).union(wide[layer.name])
        if any(_too_wide(each, mesh, window) for each in need.values()):
            self._read_apart(layers, mesh, at, window, out)
            return
        read = {source: read_window(self._sources[source], each) for source, each in need.items()}
        for layer in layers:
            own = [read[source] for source in self._sources_of[self.layers.index(layer)]]
            wanted = clip_to_source(layer.source_layer.source, inner[layer.name])
            values = _derive(layer, own, wide[layer.name], wanted)
            found = resample_layers([values], wanted, mesh, at, window, layer.method, layer.share_of)
            (out.values[layer.name],), (out.missing[layer.name],) = found
            out.implausible[layer.name], out.read[layer.name] = _counts(own)

    def _read_apart(
        self, layers: list[StackedLayer], mesh: Mesh, at: Coordinates, window: Window, out: Stacked
    ) -> None:
        """A window whose cells lie far apart on the source: by quarters, and at last by clusters of cells."""
        totals = Stacked(
            {layer.name: np.full(window.shape, np.nan, np.float32) for layer in layers},
            dict.fromkeys((layer.name for layer in layers), 0),
            dict.fromkeys((layer.name for layer in layers), 0),
            {},
        )
        for part, coordinates in _apart(mesh, at, window):
            piece = Stacked({}, {}, {}, {})
            self._read_group(layers, mesh, coordinates, part, piece)
            rows, cols = part.relative_to(window).slices
            for layer in layers:
                into = totals.values[layer.name][rows, cols]
                np.copyto(into, piece.values[layer.name], where=np.isnan(into))
                totals.implausible[layer.name] += piece.implausible[layer.name]
                totals.read[layer.name] += piece.read[layer.name]
        out.values.update(totals.values)
        out.missing.update({name: int(np.isnan(values).sum()) for name, values in totals.values.items()})
        out.implausible.update(totals.implausible)
        out.read.update(totals.read)


Read = list[tuple[Reading, Window]]  # what was read of each source of a layer, and where


def _derive(layer: StackedLayer, read: Read, wide: Window, wanted: Window) -> FloatArray:
    """A layer on the `wanted` cells, from the `wide` ones around them, of which what was read may be more."""
    native = layer.source_layer
    held = clip_to_source(native.source, wide)
    if held.is_empty or wanted.is_empty:
        return np.empty((0, 0), np.float32)
    first, *more = (
        reading.values if held == there else reading.values[..., *held.relative_to(there).slices]
        for reading, there in read
    )
    return native.derive(first, held, wanted, *more)


def _counts(read: Read) -> tuple[int, int]:
    """Source cells dropped, and read."""
    return sum(reading.implausible for reading, _ in read), sum(reading.values.size for reading, _ in read)


def _joined(sources_of: list[tuple[int, ...]], count: int) -> list[tuple[int, ...]]:
    """Sources that some layer needs together, in groups; every other one is a group of its own.

    >>> _joined([(0,), (1, 2), (2, 3)], 5)
    [(0,), (1, 2, 3), (4,)]
    """
    groups: list[set[int]] = []
    for together in [*sources_of, *((source,) for source in range(count))]:
        touching = [group for group in groups if group & set(together)]
        groups = [group for group in groups if group not in touching]
        groups.append(set(together).union(*touching))
    return sorted(tuple(sorted(group)) for group in groups)


def _too_wide(need: Window, mesh: Mesh, window: Window) -> bool:
    """True when far more source cells span the window than can lie under it: its ground is torn apart there."""
    a, b, c, d = mesh.jacobian
    across, down = math.hypot(a, b) * window.cols, math.hypot(c, d) * window.rows
    return need.cols > 4 * (across + down) + 4096 or need.rows > 4 * (across + down) + 4096


def _apart(mesh: Mesh, at: Coordinates, window: Window) -> Iterator[tuple[Window, Coordinates]]:
    if window.rows > at.step or window.cols > at.step:
        half_rows = max(at.step, window.rows // 2 // at.step * at.step)
        half_cols = max(at.step, window.cols // 2 // at.step * at.step)
        for row in range(window.row // at.step * at.step, window.row + window.rows, half_rows):
            for col in range(window.col // at.step * at.step, window.col + window.cols, half_cols):
                first_row, first_col = max(row, window.row), max(col, window.col)
                rows = min(row + half_rows, window.row + window.rows) - first_row
                cols = min(col + half_cols, window.col + window.cols) - first_col
                part = Window(first_row, first_col, rows, cols)
                yield part, mesh.at(part)
        return
    for places in (at.exact_u, at.exact_v):
        finite = np.sort(places[np.isfinite(places)])
        gaps = np.diff(finite)
        if gaps.size and gaps.max() > 1024:
            cut = finite[gaps.argmax()]
            for side in (places <= cut, places > cut):
                u, v = np.where(side, at.exact_u, np.inf), np.where(side, at.exact_v, np.inf)
                yield window, replace(at, exact_u=u, exact_v=v)
            return
    raise AssertionError(f"cells of one mesh square span too many source cells along no axis: {window}")
