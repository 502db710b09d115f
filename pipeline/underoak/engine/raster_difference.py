"""The difference between the rasters of two runs on one grid, read block by block, so that memory stays flat."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.engine.write.cog import BLOCK
from underoak.engine.write.finished_rasters import (
    CLASS_TIF,
    MEMBERSHIPS_TIF,
    SUITABILITY_TIF,
    FinishedRaster,
    open_finished,
)
from underoak.indicators import cell_areas

CHANGED = 1e-6  # a smaller difference of suitability is no change
_MOST_BLOCKS = 5
_FINENESS = 100  # steps of the histogram in a factor of e: percentiles come out to 1 %
_STEPS = math.ceil(math.log(1.0 / CHANGED) * _FINENESS) + 1

Codes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class BlockChange:
    """The change of one block."""

    window: Window
    cells: int  # whose suitability, class or being judged changed
    amount: float  # sum of the differences; a cell that became judged, or ceased to be, counts 1


@dataclass(frozen=True, slots=True)
class RasterDifference:
    """The changes of the cells from the first run to the second."""

    cells: int
    judged: int  # in both runs
    changed: int  # of those, with suitability moved by more than `tolerance`
    tolerance: float
    mean: float  # of the absolute differences of the changed cells; NaN when none changed
    shift: float  # mean of the signed differences over all cells judged in both; NaN when there are none
    p99: float  # 99th percentile of the absolute differences of the changed cells, to 1 % of itself
    most: float
    most_at: tuple[int, int] | None  # (row, col) of the largest difference, the first of equals
    most_from_to: tuple[float, float] | None
    moves: Mapping[tuple[int, int], float]  # (class code in the first, in the second) -> area [ha]
    memberships: Mapping[str, int]  # criterion -> cells judged in both whose stored membership differs
    blocks: tuple[BlockChange, ...]  # the most changed, most first


@dataclass
class _Sums:
    """The sums over all blocks."""

    judged: int = 0
    changed: int = 0
    total: float = 0.0
    signed: float = 0.0
    most: float = 0.0
    most_at: tuple[int, int] | None = None
    most_from_to: tuple[float, float] | None = None
    histogram: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(_STEPS + 1, np.int64))
    moves: dict[tuple[int, int], float] = field(default_factory=dict)
    memberships: dict[str, int] = field(default_factory=dict)
    blocks: list[tuple[float, int, Window]] = field(default_factory=list)


def difference(first: Path, second: Path, grid: Grid) -> RasterDifference:
    """Compare `suitability.tif`, `class.tif` and `memberships.tif` of two folders that lie on one grid.

    Raises:
        UnderoakError: E603 when a raster is not there, E230 when one cannot be read.
    """
    sums = _Sums()
    with ExitStack() as stack:
        one, other = (stack.enter_context(_reading(folder)) for folder in (first, second))
        steps = one.suitability.step, other.suitability.step
        # stored steps round by up to half a step, which is no change
        tolerance = CHANGED + (max(steps) / 2 if steps[0] != steps[1] else 0.0)
        shared = [name for name in one.criteria if name in other.criteria]
        for window in grid.tiles(BLOCK):
            judged = _compare(one, other, window, tolerance, grid, sums)
            for name in shared:
                differs = (one.membership(name, window) != other.membership(name, window)) & judged
                sums.memberships[name] = sums.memberships.get(name, 0) + int(np.count_nonzero(differs))
    worst = heapq.nlargest(_MOST_BLOCKS, sums.blocks, key=lambda b: (b[0], -b[2].row, -b[2].col))
    return RasterDifference(
        cells=grid.rows * grid.cols,
        judged=sums.judged,
        changed=sums.changed,
        tolerance=tolerance,
        mean=sums.total / sums.changed if sums.changed else math.nan,
        shift=sums.signed / sums.judged if sums.judged else math.nan,
        p99=min(_percentile(sums.histogram, 0.99), sums.most) if sums.changed else math.nan,
        most=sums.most,
        most_at=sums.most_at,
        most_from_to=sums.most_from_to,
        moves=dict(sorted(sums.moves.items())),
        memberships=sums.memberships,
        blocks=tuple(BlockChange(window, cells, amount) for amount, cells, window in worst),
    )


@dataclass(frozen=True)
class _Rasters:
    """The open rasters of one run folder."""

    suitability: FinishedRaster
    classes: FinishedRaster
    memberships: FinishedRaster
    criteria: Mapping[str, int]  # name -> band

    def scores(self, window: Window) -> FloatArray:
        return self.suitability.values(window).astype(np.float32)

    def membership(self, name: str, window: Window) -> Codes:
        cells: Codes = self.memberships.stored(window, self.criteria[name])
        return cells


@contextmanager
def _reading(folder: Path) -> Iterator[_Rasters]:
    names = SUITABILITY_TIF, CLASS_TIF, MEMBERSHIPS_TIF
    missing = [name for name in names if not (folder / name).is_file()]
    if missing:
        raise UnderoakError(Fault("E603", f"lacks {', '.join(missing)}", str(folder), "run the plan again"))
    with ExitStack() as stack:
        suitability, classes, memberships = (stack.enter_context(open_finished(folder, name)) for name in names)
        criteria = {name: band for band, name in enumerate(memberships.bands)}
        yield _Rasters(suitability, classes, memberships, criteria)


def _compare(
    one: _Rasters, other: _Rasters, window: Window, tolerance: float, grid: Grid, sums: _Sums
) -> npt.NDArray[np.bool_]:
    """Add a block to the sums; return the mask of cells judged in both runs, (rows, cols)."""
    before, after = one.scores(window), other.scores(window)
    class_before, class_after = one.classes.stored(window), other.classes.stored(window)
    change = after.astype(np.float64) - before
    is_judged = ~np.isnan(change)
    size = np.where(is_judged, np.abs(change), 0.0)
    is_changed = size > tolerance
    is_judged_once = np.isnan(before) != np.isnan(after)
    changed = int(np.count_nonzero(is_changed))
    sums.judged += int(np.count_nonzero(is_judged))
    sums.changed += changed
    sums.signed += float(change[is_judged].sum())
    if changed:
        sums.total += float(size[is_changed].sum())
        steps = np.floor(np.log(size[is_changed] / CHANGED) * _FINENESS).astype(np.int64)
        sums.histogram += np.bincount(np.clip(steps, 0, _STEPS), minlength=_STEPS + 1)
        row, col = np.unravel_index(int(size.argmax()), size.shape)
        if size[row, col] > sums.most:
            sums.most, sums.most_at = float(size[row, col]), (window.row + int(row), window.col + int(col))
            sums.most_from_to = float(before[row, col]), float(after[row, col])
    middle = Window(window.row + window.rows // 2, window.col + window.cols // 2, 1, 1)
    hectares = float(cell_areas(grid, middle)[0, 0]) / 1e4  # alike within a block
    counts = np.bincount((class_before.astype(np.int64) * 256 + class_after).ravel())
    for pair in np.flatnonzero(counts):
        key = (int(pair) // 256, int(pair) % 256)
        sums.moves[key] = sums.moves.get(key, 0.0) + int(counts[pair]) * hectares
    cells = int(np.count_nonzero(is_changed | is_judged_once | (class_before != class_after)))
    if cells:
        amount = float(size[is_changed].sum()) + int(np.count_nonzero(is_judged_once))
        sums.blocks.append((amount, cells, window))
    return is_judged


def _percentile(histogram: npt.NDArray[np.int64], share: float) -> float:
    """Return the upper end of the histogram step of the percentile."""
    i_step = int(np.searchsorted(np.cumsum(histogram), math.ceil(share * histogram.sum())))
    return CHANGED * math.exp((i_step + 1) / _FINENESS)
