"""Zones: connected land of a class or better, searched block by block in the finished rasters.

Labels are made inside blocks and joined across their borders, so memory grows with the length of borders, not with the
area. All sums are whole numbers, so no figure and no corner depends on the block size.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.grid import Grid, Window
from underoak.engine.judge.reducer import ByteArray
from underoak.engine.write.finished_rasters import CLASS_TIF, LIMITING_TIF, SUITABILITY_TIF, open_finished
from underoak.indicators import cell_areas
from underoak.overlay.classes import CUTS, Cuts
from underoak.places.columns.column import arrange
from underoak.places.columns.zones import ZONES
from underoak.places.geometry.outlines import corners, outlines
from underoak.places.parcels.ranking import CLASSES, largest
from underoak.places.wild.zone_parts import colours, cut, part_name, square_side, squares_in

if TYPE_CHECKING:
    import geopandas as gpd

Longs = npt.NDArray[np.int64]
BLOCK = 512
STEPS = 2**30  # whole numbers that the area of a cell is counted in
# Columns of the sums: three classes after CLASS; the criteria after WEAKEST, and last the area that nothing limits.
FIRST, COUNT, AREA, GOOD, CLASS, LOWERED, WEAKEST = 0, 1, 2, 3, 4, 7, 8
FIELDS = 9
_STORED = 1e-5  # a stored suitability may be so far from the one that its class follows from
_NONE = np.empty(0, np.int64)


class FinishedCells(NamedTuple):
    """The finished cells of a window, (rows, cols)."""

    classes: ByteArray  # 1..4, 250, 255
    suitability: FloatArray  # NaN = not judged
    weakest: ByteArray  # criterion index, 253, 250, 255


Read = Callable[[Window], FinishedCells]


def find_zones(
    read: Read,
    grid: Grid,
    criteria: Sequence[str],
    at_least: Literal["S1", "S2", "S3"] = "S2",
    min_area_m2: float = 10_000.0,
    connect: Literal[4, 8] = 8,
    block: int = BLOCK,
    cuts: Cuts = CUTS,
    max_area_m2: float = math.inf,
) -> gpd.GeoDataFrame:
    """Return every zone of class `at_least` or better and of `min_area_m2` or more, the largest `good_ha` first.

    `connect` 8 joins cells that touch at a corner only, 4 does not. Zones are ranked by `good_ha`, the sum of
    suitability times true cell area; equal zones by their first cell. `cuts` tell the class of a suitability, for
    `held_share`. Zones larger than `max_area_m2` are cut into parts (`zone_parts`), named z12-7.1, z12-7.2 and so on.
    Columns: those of `columns.zones` that a run always has, and a geometry along the cells, in the grid's CRS.
    """
    search = _Search(read, grid, len(criteria), 1 + CLASSES.index(at_least), min_area_m2, connect, block, cuts)
    zones = search.join()
    if math.isfinite(max_area_m2):
        zones = search.cut(zones, max_area_m2)
    return _table(zones, search.shapes(zones), grid, tuple(criteria))


@contextmanager
def reading(folder: Path) -> Iterator[tuple[Read, Grid]]:
    """Open the rasters of a run folder for `find_zones`; give a reader and their grid.

    Raises:
        UnderoakError: E230 when one of them cannot be read.
    """
    with (
        open_finished(folder, CLASS_TIF) as classes,
        open_finished(folder, SUITABILITY_TIF) as suitability,
        open_finished(folder, LIMITING_TIF) as limiting,
    ):

        def read(window: Window) -> FinishedCells:
            scores = suitability.values(window).astype(np.float32)
            return FinishedCells(classes.stored(window), scores, limiting.stored(window))

        yield read, classes.grid


class _Zones(NamedTuple):
    """Whole-number sums of zones, in rank order; areas in units of `unit_m2`."""

    first: Longs  # index of the first cell, row by row
    cells: Longs
    area: Longs
    good: Longs
    classes: Longs  # (zones, 3)
    lowered: Longs  # where the class is below that of the suitability
    weakest: Longs  # (zones, criteria + 1)
    unit_m2: float
    of_label: Longs  # zone before cuts of each label, -1 for none; label 0 is no land
    names: tuple[str, ...]
    of_zone: Longs  # zone of each zone before cuts; -1 where it was cut
    of_square: dict[tuple[int, int, int], int]  # zone of each square of a zone that was cut
    side: int = 1  # of squares [cells]


@dataclass
class _Search:
    read: Read
    grid: Grid
    criteria: int
    worst: int
    min_area_m2: float
    connect: int
    block: int
    cuts: Cuts = CUTS
    unit_m2: float = 0.0
    known: int = 0  # labels given so far
    sums: list[Longs] = field(default_factory=list)
    pairs: list[Longs] = field(default_factory=list)
    labels: dict[Window, tuple[Longs, Longs]] = field(default_factory=dict)  # block -> its labels, ours

    def join(self) -> _Zones:
        """Label the cells block by block, and join the labels of one zone."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        self.unit_m2 = _unit(self.grid)
        above = np.zeros(self.grid.cols + 2, np.int64)  # labels along the last row of blocks, with a margin
        below = above.copy()
        left = np.zeros(self.block, np.int64)
        for window in self.grid.tiles(self.block):
            if window.col == 0:
                above, below = below, np.zeros_like(below)
                left = np.zeros(window.rows, np.int64)
            labels = self._label(window)
            self._pair(labels[0], above[window.col : window.col + window.cols + 2])
            self._pair(labels[:, 0], np.pad(left, 1))
            below[1 + window.col : 1 + window.col + window.cols] = labels[-1]
            left = labels[:, -1]
        pairs = np.concatenate([np.empty((0, 2), np.int64), *self.pairs])
        graph = coo_array((np.ones(len(pairs), bool), tuple(pairs.T)), shape=(self.known + 1,) * 2)
        zones, of_label = connected_components(graph, directed=False)
        sums = np.concatenate([np.zeros((1, FIELDS + self.criteria), np.int64), *self.sums])
        first = np.full(zones, np.iinfo(np.int64).max)
        np.minimum.at(first, of_label[1:], sums[1:, FIRST])
        total = np.zeros((zones, sums.shape[1]), np.int64)
        np.add.at(total, of_label, sums)
        large = total[:, AREA] * self.unit_m2 >= self.min_area_m2 * (1.0 - 1e-9)
        large[of_label[0]] = False
        order = np.flatnonzero(large)
        order = order[np.lexsort((first[order], -total[order, GOOD]))]
        place = np.full(zones, -1)
        place[order] = np.arange(len(order))
        total = total[order]
        total[:, FIRST] = first[order]
        names = tuple(f"z{cell // self.grid.cols}-{cell % self.grid.cols}" for cell in first[order].tolist())
        return self._zones_of(total, place[of_label], names, np.arange(len(order)), {}, 1)

    def _zones_of(
        self, total: Longs, of_label: Longs, names: tuple[str, ...], of_zone: Longs,
        of_square: dict[tuple[int, int, int], int], side: int,
    ) -> _Zones:  # fmt: skip
        return _Zones(
            total[:, FIRST], total[:, COUNT], total[:, AREA], total[:, GOOD], total[:, CLASS:LOWERED],
            total[:, LOWERED], total[:, WEAKEST:], self.unit_m2, of_label, names, of_zone, of_square, side,
        )  # fmt: skip

    def cut(self, zones: _Zones, max_area_m2: float) -> _Zones:
        """Cut zones that are larger into parts, and rank all anew; only blocks that hold such a zone are read again."""
        most = math.floor(max_area_m2 / self.unit_m2 * (1.0 + 1e-9))
        is_large = zones.area > most
        if not is_large.any():
            return zones
        side = square_side(self.grid, max_area_m2)
        sums = self._square_sums(zones, is_large, side)
        rows = [_row(zones, i) for i in np.flatnonzero(~is_large).tolist()]
        names = [zones.names[i] for i in np.flatnonzero(~is_large)]
        keys: list[list[tuple[int, int, int]]] = [[] for _ in rows]
        for zone in np.flatnonzero(is_large).tolist():
            zone_keys = sorted(key for key in sums if key[0] == zone)
            table = np.array([sums[key] for key in zone_keys])
            parts = cut(np.array([key[1:] for key in zone_keys]), table[:, AREA], most)
            for number, part in enumerate(parts, start=1):
                total = table[part].sum(axis=0)
                total[FIRST] = table[part, FIRST].min()
                rows.append(total)
                names.append(part_name(zones.names[zone], number))
                keys.append([zone_keys[i] for i in part])
        every = np.array(rows)
        order = np.lexsort((every[:, FIRST], -every[:, GOOD])).tolist()
        of_zone = np.full(len(zones.first), -1)
        for place, i in enumerate(order):
            if not keys[i]:
                of_zone[zones.names.index(names[i])] = place
        of_square = {key: place for place, i in enumerate(order) for key in keys[i]}
        return self._zones_of(every[order], zones.of_label, tuple(names[i] for i in order), of_zone, of_square, side)

    def _square_sums(
        self, zones: _Zones, is_large: npt.NDArray[np.bool_], side: int
    ) -> dict[tuple[int, int, int], Longs]:
        """Return the sums of each square of the zones that are cut, by zone, row and column of the square."""
        sums: dict[tuple[int, int, int], Longs] = {}
        cuts = np.array(self.cuts) + _STORED
        for window in self.grid.tiles(self.block):
            zone = self._before_cuts(window, zones)
            if np.ndim(zone) == 0 or not is_large[zone[zone >= 0]].any():
                continue
            is_cut = (zone >= 0) & is_large[zone]
            squares, number = squares_in(zone, is_cut, window, side)
            labels = np.zeros(window.shape, np.int32)
            labels[is_cut] = number + 1
            added = np.zeros((len(squares), FIELDS + self.criteria), np.int64)
            cells = self.read(window)
            area = np.nan_to_num(cell_areas(self.grid, window) / self.unit_m2)
            first = window.row * self.grid.cols + window.col
            _add(labels, cells.classes, cells.suitability, cells.weakest, area, first, self.grid.cols, cuts, added)
            for key, row in zip(squares, added, strict=True):
                before = sums.get(key)
                sums[key] = row if before is None else _joined(before, row)
        return sums

    def shapes(self, zones: _Zones) -> npt.NDArray[Any]:
        """Return the outlines along the cells, in rank order; only blocks that hold a zone are read again."""
        rows, cols = self.grid.shape
        above = np.full(cols + 2, -1, np.int32)  # zones along the last row of blocks, with a margin
        below = above.copy()
        left = np.full(0, -1, np.int32)
        # neighbours are traced apart: outlines must not share edges
        colour = colours(zones.of_square, len(zones.first))
        corner_lists = [[np.empty((0, 4), np.int32)] for _ in range(int(colour.max(initial=0)) + 1)]
        for window in self.grid.tiles(self.block):
            first, stop = window.col, window.col + window.cols
            if first == 0:
                above, below = below, np.full_like(below, -1)
                left = np.full(window.rows, -1, np.int32)
            height = window.rows + 1 + (window.row + window.rows == rows)  # at the grid's end a margin below too
            numbers = np.full((height, window.cols + 1 + (stop == cols)), -1, np.int32)
            numbers[0] = above[first : first + numbers.shape[1]]
            numbers[1 : window.rows + 1, 0] = left
            numbers[1 : window.rows + 1, 1 : window.cols + 1] = self._zones(window, zones)
            below[1 + first : 1 + stop] = numbers[window.rows, 1 : window.cols + 1]
            left = numbers[1 : window.rows + 1, window.cols]
            if numbers.max() >= 0:
                for i, corner_list in enumerate(corner_lists):
                    traced = np.where((numbers >= 0) & (colour[numbers] == i), numbers, -1).astype(np.int32)
                    corner_list.append(corners(traced, window.row, window.col))
        shapes = np.empty(len(zones.first), object)
        for i, corner_list in enumerate(corner_lists):
            traced_shapes = outlines(np.concatenate(corner_list), len(zones.first), self.grid)
            shapes[colour == i] = traced_shapes[colour == i]
        return shapes

    def _zones(self, window: Window, zones: _Zones) -> Any:
        """Return the zone of each cell of a block, -1 for none, (rows, cols)."""
        before = self._before_cuts(window, zones)
        if np.ndim(before) == 0:
            return before
        numbers = np.where(before >= 0, zones.of_zone[before], -1).astype(np.int32)
        is_cut = (before >= 0) & (numbers < 0)
        if is_cut.any():
            squares, number = squares_in(before, is_cut, window, zones.side)
            numbers[is_cut] = np.array([zones.of_square[square] for square in squares], np.int32)[number]
        return numbers

    def _before_cuts(self, window: Window, zones: _Zones) -> Any:
        """Return the zone before cuts of each cell of a block, -1 for none, (rows, cols); -1 where a block has none."""
        block_labels, search_labels = self.labels.get(window, (_NONE, _NONE))
        zone = zones.of_label[search_labels]
        if not (zone >= 0).any():
            return -1
        labels, count = self._components(self.read(window).classes)
        lookup = np.full(count + 1, -1, np.int32)
        lookup[block_labels] = zone
        return lookup[labels]

    def _components(self, classes: ByteArray) -> tuple[npt.NDArray[np.int32], int]:
        from scipy import ndimage

        good = (classes >= 1) & (classes <= self.worst)
        labels, count = ndimage.label(good, np.ones((3, 3), int) if self.connect == 8 else None)
        return labels, int(count)

    def _label(self, window: Window) -> Longs:
        """Return the search's labels of a block's cells, (rows, cols); areas in it that are too small get none."""
        cells = self.read(window)
        labels, count = self._components(cells.classes)
        if not count:
            return np.zeros(window.shape, np.int64)
        sums = np.zeros((count, FIELDS + self.criteria), np.int64)
        first = window.row * self.grid.cols + window.col
        area = np.nan_to_num(cell_areas(self.grid, window) / self.unit_m2)
        cuts = np.array(self.cuts) + _STORED
        _add(labels, cells.classes, cells.suitability, cells.weakest, area, first, self.grid.cols, cuts, sums)
        border = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
        keep = sums[:, AREA] * self.unit_m2 >= self.min_area_m2 * (1.0 - 1e-9)
        keep[border[border > 0] - 1] = True
        block_labels = np.flatnonzero(keep) + 1
        search_labels = self.known + 1 + np.arange(len(block_labels))
        self.known += len(block_labels)
        self.sums.append(sums[keep])
        self.labels[window] = block_labels, search_labels
        lookup = np.zeros(count + 1, np.int64)
        lookup[block_labels] = search_labels
        return lookup[labels]

    def _pair(self, here: Longs, there: Longs) -> None:
        """Note which labels along a line of cells belong with those along the next; `there` has a margin of one."""
        shifts = (0, 1, 2) if self.connect == 8 else (1,)
        met = [np.column_stack([here, there[shift : shift + len(here)]]) for shift in shifts]
        both = np.concatenate(met)
        both = both[(both > 0).all(axis=1)]
        if len(both):
            self.pairs.append(np.unique(both, axis=0))


def _row(zones: _Zones, i: int) -> Longs:
    """Return the sums of a zone as one row."""
    head = [zones.first[i], zones.cells[i], zones.area[i], zones.good[i]]
    return np.concatenate([head, zones.classes[i], [zones.lowered[i]], zones.weakest[i]]).astype(np.int64)


def _joined(one: Longs, other: Longs) -> Longs:
    total = one + other
    total[FIRST] = min(one[FIRST], other[FIRST])
    return total


def _unit(grid: Grid) -> float:
    """Return a power of two, about 2^-30 of the largest cell [m2]."""
    places = [(0, 0), (0, grid.cols - 1), (grid.rows - 1, 0), (grid.rows - 1, grid.cols - 1)]
    places += [(grid.rows // 2, grid.cols // 2)]
    largest = np.nanmax([cell_areas(grid, Window(row, col, 1, 1))[0, 0] for row, col in places])
    return 2.0 ** math.ceil(math.log2(largest)) / STEPS


@compiled
def _add(
    labels: npt.NDArray[np.int32],
    classes: ByteArray,
    suitability: FloatArray,
    weakest: ByteArray,
    area: npt.NDArray[np.float64],
    first: int,
    stride: int,
    cuts: npt.NDArray[np.float64],
    sums: Longs,
) -> None:
    """Add first cell, count and whole-number sums of every label of a block to `sums`."""
    last = sums.shape[1] - FIELDS
    for row in range(labels.shape[0]):
        for col in range(labels.shape[1]):
            if labels[row, col] == 0:
                continue
            line = sums[labels[row, col] - 1]
            if line[COUNT] == 0:
                line[FIRST] = first + row * stride + col
            units = np.int64(area[row, col] + 0.5)
            line[COUNT] += 1
            line[AREA] += units
            line[GOOD] += np.int64(units * np.float64(suitability[row, col]) + 0.5)
            line[CLASS + classes[row, col] - 1] += units
            score = np.float64(suitability[row, col])
            alone = 1 + int(score < cuts[0]) + int(score < cuts[1]) + int(score < cuts[2])
            line[LOWERED] += units if classes[row, col] > alone else 0
            line[WEAKEST + min(np.int64(weakest[row, col]), last)] += units


def _table(zones: _Zones, shapes: npt.NDArray[Any], grid: Grid, criteria: tuple[str, ...]) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pandas as pd

    ha = zones.unit_m2 / 10_000.0
    area = np.maximum(zones.area, 1).astype(np.float64)
    weakest = zones.weakest / area[:, None]
    columns: dict[str, Any] = {
        "id": list(zones.names),
        "rank": np.arange(1, len(area) + 1),
        "good_ha": zones.good * ha,
        "area_ha": zones.area * ha,
        "cells": zones.cells,
        "suitability": zones.good / area,
        **{f"share_{name.lower()}": zones.classes[:, i] / area for i, name in enumerate(CLASSES[:3])},
        "held_share": zones.lowered / area,
        "limiting": pd.Series([largest(row, criteria) for row in weakest], dtype=object),
        "limiting_share": weakest.max(axis=1, initial=0.0),
    }
    return arrange(gpd.GeoDataFrame(columns, geometry=shapes, crs=grid.crs), ZONES)
