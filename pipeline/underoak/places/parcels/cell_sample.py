"""A few cells of every parcel, drawn so that sums over them stand for sums over all of its judged ground.

Each cell gets a number from 0 to 1 by a hash of its row and column, and the priority (share of the cell that the parcel
covers) / number; the k cells of highest priority are kept. With t the priority of the best cell left out, a kept cell
stands for max(share, t) cells. That is priority sampling (Duffield, Lund and Thorup 2007, J. ACM 54:32, from
memory), and sums so weighted are right on average: whatever the other cells drew, cell i is kept when its own number is
below share / t', t' being the kth priority among the others, and then t = t'; its weight is expected to be
min(1, share / t') max(share, t') = share. A parcel of k cells or fewer keeps them all, and its sums are exact.

The choice depends on nothing but the grid and the parcel, so no tile, worker or other parcel changes it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked
from underoak.base.grid import Grid
from underoak.engine.judge.reducer import ByteArray, JudgedBlock
from underoak.layers.shapes.coverage import AREA_STEPS, Edges, box_cells, covered_area, polygons_in_window
from underoak.places.geometry.parcel_shapes import Parcels

Doubles = npt.NDArray[np.float64]
Longs = npt.NDArray[np.int64]
ALL_PARCELS = 2**19  # cells kept for all parcels together: some 60 MB with ten criteria
AT_MOST = 2**22  # where parcels are so many that this makes less than FEWEST of each
LEAST, FEWEST, MOST = 4, 16, 1024  # cells of one parcel


def cells_each(parcels: int) -> int:
    """How many cells of each parcel are kept, so that memory stays bounded.

    The share of the ground above a value, the hardest figure to tell from a sample, is then known to 0.5 / sqrt(k) at
    worst: 0.016 with 1024 cells, 0.13 with 16, and 0.25 with the 4 that are left of each of a million parcels.

    >>> [cells_each(parcels) for parcels in (1, 40, 1000, 10_000, 50_000, 1_000_000)]
    [1024, 1024, 524, 52, 16, 4]
    """
    count = max(parcels, 1)
    return max(min(max(ALL_PARCELS // count, FEWEST), MOST, AT_MOST // count), LEAST)


@dataclass(frozen=True, slots=True, eq=False)
class SampledCells:
    """Sampled judged cells of parcels; those of parcel i are offsets[i] to offsets[i + 1], row by row of the grid."""

    offsets: Longs  # (parcels + 1,)
    cell: Longs  # row * columns of the grid + column, (cells,)
    fraction: Doubles  # share of the cell that lies in the parcel
    weight: Doubles  # cells it stands for; the share itself where all cells of the parcel are held
    memberships: FloatArray  # (cells, criteria), NaN = missing
    values: FloatArray  # (cells, criteria), each in its criterion's unit
    suitability: FloatArray

    def __len__(self) -> int:
        return len(self.cell)

    @property
    def owner(self) -> Longs:
        """The parcel of each cell, (cells,)."""
        return np.repeat(np.arange(len(self.offsets) - 1), np.diff(self.offsets))

    def of(self, parcel: int) -> slice:
        """Where the cells of a parcel are."""
        return slice(int(self.offsets[parcel]), int(self.offsets[parcel + 1]))

    def sums(self, figures: npt.ArrayLike) -> Doubles:
        """Estimated sum over each parcel of a figure of every cell, (parcels,); missing figures count for nothing."""
        known = np.nan_to_num(np.asarray(figures, np.float64))
        return np.bincount(self.owner, self.weight * known, len(self.offsets) - 1).astype(np.float64)

    def means(self, figures: npt.ArrayLike) -> Doubles:
        """Estimated mean over each parcel where the figure is known, (parcels,); NaN where it nowhere is."""
        figures = np.asarray(figures, np.float64)
        with np.errstate(invalid="ignore", divide="ignore"):
            return self.sums(figures) / self.sums(~np.isnan(figures))


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """The reducer that draws the cells."""

    edges: Edges
    columns: int  # of the grid
    k: int
    seed: int = 0
    name: str = "cells"
    needs_values: bool = True

    @classmethod
    def of(cls, parcels: Parcels, grid: Grid, k: int | None = None) -> Sample:
        """The parcels on an analysis grid of their CRS; k as `cells_each` says unless given."""
        return cls(parcels.on(grid), grid.cols, k or cells_each(len(parcels)))

    @property
    def most_cells(self) -> int:
        """About how many cells are kept at most."""
        return int(np.minimum(np.ceil(self.edges.areas), self.k).sum())

    def reduce(self, block: JudgedBlock) -> Mapping[str, npt.NDArray[Any]]:
        """The k + 1 cells of highest priority of each parcel in the block, one after the other."""
        window = block.window
        parcel, row, col, fraction, priority = _drawn(
            self.edges, window.row, window.col, block.classes, self.k + 1, np.uint64(self.seed)
        )
        if not len(parcel):
            return {}
        assert block.values is not None
        return {
            "parcel": parcel,
            "cell": (window.row + row) * self.columns + window.col + col,
            "fraction": fraction,
            "priority": priority,
            "memberships": block.memberships[:, row, col].T,
            "values": np.stack([values[row, col] for values in block.values], axis=1),
            "suitability": block.suitability[row, col],
        }

    def finish(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> SampledCells:
        """The sample, from the cells of all blocks."""
        pending, pending_cells = [], 0
        for part in parts:
            pending.append(part)
            pending_cells += len(part["parcel"]) if part else 0
            if pending_cells > 2 * (self.k + 1) * self.edges.polygons + ALL_PARCELS:
                pending = [self._best(pending)]
                pending_cells = len(pending[0]["parcel"])
        best = self._best(pending)
        first = np.searchsorted(best["parcel"], np.arange(self.edges.polygons + 1))
        rank = np.arange(len(best["parcel"])) - first[best["parcel"]]
        left_out = np.zeros(self.edges.polygons)  # the priority of the best cell that is not in the sample
        left_out[best["parcel"][rank == self.k]] = best["priority"][rank == self.k]
        drawn = np.flatnonzero(rank < self.k)
        drawn = drawn[np.lexsort((best["cell"][drawn], best["parcel"][drawn]))]
        parcel, fraction = best["parcel"][drawn], best["fraction"][drawn]
        return SampledCells(
            offsets=np.searchsorted(parcel, np.arange(self.edges.polygons + 1)),
            cell=best["cell"][drawn],
            fraction=fraction,
            weight=np.maximum(fraction, left_out[parcel]),
            memberships=best["memberships"][drawn],
            values=best["values"][drawn],
            suitability=best["suitability"][drawn],
        )

    def _best(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> Mapping[str, npt.NDArray[Any]]:
        """The k + 1 cells of highest priority of each parcel, best first."""
        full = [part for part in parts if part]
        if not full:
            return _NONE
        joined = {name: np.concatenate([part[name] for part in full]) for name in full[0]}
        order = np.lexsort((joined["cell"], -joined["priority"], joined["parcel"]))
        parcel = joined["parcel"][order]
        first = np.searchsorted(parcel, np.arange(self.edges.polygons + 1))
        selected = order[np.arange(len(order)) - first[parcel] <= self.k]
        return {name: array[selected] for name, array in joined.items()}


_NONE: Mapping[str, npt.NDArray[Any]] = {
    "parcel": np.empty(0, np.int64), "cell": np.empty(0, np.int64), "fraction": np.empty(0), "priority": np.empty(0),
    "memberships": np.empty((0, 0), np.float32), "values": np.empty((0, 0), np.float32),
    "suitability": np.empty(0, np.float32),
}  # fmt: skip


@compiled
def _number(row: int, col: int, seed: np.uint64) -> float:
    """A number above 0 and up to 1 for a cell of the grid: the finaliser of splitmix64 (Steele, Lea and Flood 2014)."""
    z = (np.uint64(row) << np.uint64(32)) ^ np.uint64(col)
    z = z + (seed + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return np.float64((z >> np.uint64(11)) + np.uint64(1)) * 2.0**-53


@compiled_checked
def _drawn(
    edges: Edges, row: int, col: int, classes: ByteArray, most: int, seed: np.uint64
) -> tuple[Longs, Longs, Longs, Doubles, Doubles]:
    """Parcel, row and column in the block, share and priority of the `most` judged cells of highest priority of each
    parcel.
    """
    rows, cols = classes.shape
    n = 0
    parcel, down, across = np.empty(64, np.int64), np.empty(64, np.int64), np.empty(64, np.int64)
    fraction, priority = np.empty(64), np.empty(64)
    for polygon in polygons_in_window(edges, row, col, rows, cols):
        r0, c0, height, width = box_cells(edges, polygon, row, col, rows, cols)
        area = covered_area(edges, polygon, r0, c0, height, width)
        priorities = np.empty(height * width)
        count = 0
        for i in range(height):
            for j in range(width):
                own_class = classes[r0 - row + i, c0 - col + j]
                if area[i, j] > 0 and 1 <= own_class <= 4:
                    priorities[count] = area[i, j] / AREA_STEPS / _number(r0 + i, c0 + j, seed)
                    count += 1
        if count == 0:
            continue
        least = 0.0
        if count > most:
            least = np.partition(priorities[:count], count - most)[count - most]
        while n + count > len(parcel):
            parcel, down, across = np.append(parcel, parcel), np.append(down, down), np.append(across, across)
            fraction, priority = np.append(fraction, fraction), np.append(priority, priority)
        index = 0
        for i in range(height):
            for j in range(width):
                own_class = classes[r0 - row + i, c0 - col + j]
                if area[i, j] > 0 and 1 <= own_class <= 4:
                    if priorities[index] >= least:
                        parcel[n], down[n], across[n] = polygon, r0 - row + i, c0 - col + j
                        fraction[n], priority[n] = area[i, j] / AREA_STEPS, priorities[index]
                        n += 1
                    index += 1
    return parcel[:n], down[:n], across[:n], fraction[:n], priority[:n]
