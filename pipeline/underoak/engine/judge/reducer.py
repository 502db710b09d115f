"""Blocks of results, and the protocols of reducers that sum them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.plan.case import SINGLE, Case

if TYPE_CHECKING:
    from underoak.uncertainty.draws.draw_overlay import CellGroups, GroupSums
    from underoak.uncertainty.draws.rank_sums import RankWeights

ByteArray = npt.NDArray[np.uint8]
BoolArray = npt.NDArray[np.bool_]
Parts = Iterable[Mapping[str, npt.NDArray[Any]]]
R_co = TypeVar("R_co", covariant=True)


@dataclass(frozen=True, slots=True)
class JudgedBlock:
    """A block of results of a case, on one window of the analysis grid; arrays are (rows, cols) unless noted."""

    window: Window
    memberships: FloatArray  # (criteria, rows, cols), NaN = missing
    suitability: FloatArray  # NaN = not judged
    classes: ByteArray  # 1..4, 250 excluded, 255 missing
    weakest: ByteArray  # criterion index, 253 nothing limits, 250, 255
    gainful: ByteArray
    missing_weight: FloatArray | None = None
    values: tuple[FloatArray, ...] | None = None  # of each criterion's layer in its unit; only if a reducer needs them
    exclusions: Mapping[str, BoolArray] | None = None  # where each constraint excludes; only if a reducer needs it
    meets: FloatArray | None = None  # (probability rules, rows, cols): probability that each is met
    spread: FloatArray | None = (
        None  # (3 + quantiles, rows, cols) over draws: mean, sd, share of class S2 or better, ...
    )
    case: Case = SINGLE

    def at(self, window: Window) -> JudgedBlock:
        """Return the part on a window inside this one (grid coordinates)."""
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
            None if self.exclusions is None else {name: holds[rows, cols] for name, holds in self.exclusions.items()},
            None if self.meets is None else self.meets[:, rows, cols],
            None if self.spread is None else self.spread[:, rows, cols],
            self.case,
        )


class Finisher(Protocol[R_co]):
    """A reducer as seen once all tiles are done."""

    @property
    def name(self) -> str:
        """Name of its results; no two reducers of a case share one."""
        ...

    def finish(self, parts: Parts) -> R_co:
        """Return the result, from the saved parts in row-by-row block order."""
        ...


class Reducer(Finisher[R_co], Protocol[R_co]):
    """A reducer sums over judged cells. Blocks are anchored to the grid, so no figure depends on tiles or workers."""

    @property
    def needs_values(self) -> bool:
        """True if its blocks must hold `values` and `exclusions`."""
        ...

    def reduce(self, block: JudgedBlock) -> Mapping[str, npt.NDArray[Any]]:
        """Return what to save of one block, as arrays; an empty mapping if nothing lies in it."""
        ...


class DrawReducer(Finisher[R_co], Protocol[R_co]):
    """A reducer that sums over judged cells in every draw, by groups such as parcels."""

    @property
    def rank_weights(self) -> RankWeights | None:
        """The weights of joint draws of data and weights; None if it needs none."""
        ...

    def groups(self, block: JudgedBlock) -> tuple[npt.NDArray[np.int64], CellGroups]:
        """Return the groups that lie in a block, and the shares of its cells by the index of a group."""
        ...

    def reduce_draws(
        self, block: JudgedBlock, selected: npt.NDArray[np.int64], groups: CellGroups, sums: GroupSums
    ) -> Mapping[str, npt.NDArray[Any]]:
        """Return what to save of one block, as arrays; `selected` are its groups, `sums` are over its judged cells."""
        ...
