"""How other rooms look at a block of results while it is in memory, without the engine knowing them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window

if TYPE_CHECKING:
    from underoak.uncertainty.draws.draw_overlay import CellGroups, GroupSums

ByteArray = npt.NDArray[np.uint8]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class JudgedBlock:
    """The results on one window of the analysis grid; arrays are (rows, cols) unless said."""

    window: Window
    memberships: FloatArray  # (criteria, rows, cols), NaN = missing
    suitability: FloatArray  # NaN = not judged
    classes: ByteArray  # 1..4, 250 excluded, 255 missing
    weakest: ByteArray  # criterion index, 253 nothing limits, 250, 255
    gainful: ByteArray
    missing_weight: FloatArray | None = None
    values: tuple[FloatArray, ...] | None = None  # each criterion's layer in its own unit; only when a reducer asks
    held: Mapping[str, BoolArray] | None = None  # where each constraint excludes; only when a reducer asks
    meets: FloatArray | None = None  # (rules asked about, rows, cols): probability that each is met
    spread: FloatArray | None = None  # (3 + quantiles, rows, cols) over draws: mean, sd, share that reaches S2, ...

    def at(self, window: Window) -> JudgedBlock:
        """The part on a window inside this one (grid coordinates)."""
        rows, cols = window.relative_to(self.window).slices
        return JudgedBlock(
            window,
            self.memberships[:, rows, cols],
            self.suitability[rows, cols],
            self.classes[rows, cols],
            self.weakest[rows, cols],
            self.gainful[rows, cols],
            None if self.missing_weight is None else self.missing_weight[rows, cols],
            None if self.values is None else tuple(values[rows, cols] for values in self.values),
            None if self.held is None else {name: holds[rows, cols] for name, holds in self.held.items()},
            None if self.meets is None else self.meets[:, rows, cols],
            None if self.spread is None else self.spread[:, rows, cols],
        )


class Reducer(Protocol):
    """Sums over the judged ground. Blocks are anchored to the grid, so no figure depends on tiles or workers.

    One that has an attribute `needs_values`, and it is true, finds `values` and `held` in the blocks.
    """

    @property
    def name(self) -> str:
        """What its results are called; no two of a run have the same name."""
        ...

    @property
    def case(self) -> int:
        """Which variant of the recipe it looks at."""
        ...

    def reduce(self, block: JudgedBlock) -> Mapping[str, npt.NDArray[Any]]:
        """What to keep of one block, as arrays; an empty mapping when nothing lies in it."""
        ...

    def finish(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> Any:
        """The result, from the kept parts in row-by-row block order."""
        ...


@runtime_checkable
class DrawReducer(Protocol):
    """Sums over the judged ground of every draw, by groups such as parcels: kept and finished as those of a reducer."""

    @property
    def name(self) -> str:
        """What its results are called; no two of a run have the same name."""
        ...

    @property
    def case(self) -> int:
        """Which variant of the recipe it looks at."""
        ...

    def groups(self, block: JudgedBlock) -> tuple[npt.NDArray[np.int64], CellGroups]:
        """The groups that lie in a block, and the shares of its cells by their place among these."""
        ...

    def reduce_draws(
        self, block: JudgedBlock, which: npt.NDArray[np.int64], groups: CellGroups, sums: GroupSums
    ) -> Mapping[str, npt.NDArray[Any]]:
        """What to keep of one block, as arrays; `sums` are of its judged ground."""
        ...

    def finish(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> Any:
        """The result, from the kept parts in row-by-row block order."""
        ...
