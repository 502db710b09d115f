"""How far off a parcel may be: its mean suitability and memberships in every draw.

Sums are added cell by cell inside a block of the grid, then block by block, so that tiles, workers and the order of
parcels change no bit. All parcels are judged in the same draws: what two of them share, they share in every draw.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled
from underoak.engine.judge.reducer import JudgedBlock
from underoak.layers.shapes.coverage import AREA_STEPS, Edges, box_cells, covered_area, polygons_in_window
from underoak.uncertainty.draws.draw_overlay import TIE, CellGroups, GroupSums

if TYPE_CHECKING:
    import pandas as pd

    from underoak.engine.judge.block_draws import CaseUncertainty
    from underoak.overlay import Rules

Doubles = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
LOW, HIGH = 0.05, 0.95  # quantiles of `low` and `high`


@dataclass(frozen=True, slots=True, eq=False)
class ParcelDraws:
    """What every draw makes of every parcel, NaN where nothing is judged: means over its judged ground."""

    ids: tuple[str, ...]
    suitability: Doubles  # (parcels, draws)
    drawn: tuple[int, ...]  # the criteria that are in doubt, in plan order
    memberships: Doubles  # theirs, (parcels, doubtful criteria, draws)
    steady: Doubles  # of every criterion as judged once, (parcels, criteria)
    judged_by: tuple[int, ...] = ()  # the layer of each doubtful criterion, as a place in `values`
    values: Doubles = field(default_factory=lambda: np.empty((0, 0, 0)))  # means of doubtful layers in their units,
    # (parcels, layers, draws): what a test of the whole parcel would show in each draw

    @property
    def every(self) -> Doubles:
        """(parcels, draws, 1 + criteria): the mean suitability, then the mean membership of each criterion."""
        parcels, draws = self.suitability.shape
        found = np.empty((parcels, draws, 1 + self.steady.shape[1]))
        found[:, :, 0] = self.suitability
        found[:, :, 1:] = self.steady[:, None, :]
        for j, k in enumerate(self.drawn):
            found[:, :, 1 + k] = self.memberships[:, j]
        return found

    def held(self, rules: Rules) -> Doubles:
        """Suitability, held where the weakest criterion holds the class below S2 by the rules, (parcels, draws).

        It reaches the cut of S2 in just those draws in which the parcel's class is S2 or better: its weakest mean
        membership is then that of class S3 at least, and it is no more than the cuts' difference above that.
        """
        if rules.cap != "weakest":
            return self.suitability
        weighing = [k for k, weight in enumerate(rules.weights) if weight > 0.0]
        sure = [k for k in weighing if k not in self.drawn]
        least = np.fmin.reduce(self.steady[:, sure], axis=1, initial=np.inf)[:, None]
        for j, k in enumerate(self.drawn):
            if k in weighing:
                least = np.fmin(least, self.memberships[:, j])
        _, second, third = rules.cuts
        held: Doubles = np.minimum(self.suitability, least + (second - third))
        return held

    def columns(self, rules: Rules) -> pd.DataFrame:
        """One row for every parcel: `id` · `p_s2` (share of draws with class S2 or better) · `sd` · `low`, `high`.

        `sd`, and the 5 % and 95 % quantiles `low` and `high`, are of its suitability over draws.
        """
        import pandas as pd

        known = ~np.isnan(self.suitability).any(axis=1)
        p, sd, low, high = (np.full(len(self.ids), np.nan) for _ in range(4))
        values = self.suitability[known]
        if values.size:
            p[known] = (self.held(rules)[known] >= rules.cuts[1] - TIE).mean(axis=1)
            sd[known] = values.std(axis=1)
            low[known], high[known] = np.quantile(values, (LOW, HIGH), axis=1)
        return pd.DataFrame({"id": list(self.ids), "p_s2": p, "sd": sd, "low": low, "high": high})

    def joined(self, table: pd.DataFrame, rules: Rules) -> pd.DataFrame:
        """The table of parcels with these columns before `valid_share`; empty for parcels that are not judged."""
        columns = self.columns(rules).set_index("id").loc[table["id"]]
        at = list(table.columns).index("valid_share")
        made = table.copy()
        judged = made["rank"].notna().to_numpy()
        for name in reversed(columns.columns):
            made.insert(at, name, np.where(judged, columns[name].to_numpy(), np.nan))
        return made


@dataclass(frozen=True, slots=True, eq=False)
class ParcelDrawsReducer:
    """The reducer of draws for parcels."""

    ids: tuple[str, ...]
    edges: Edges
    criteria: int  # how many there are
    drawn: tuple[int, ...]  # those in doubt, in plan order
    judged_by: tuple[int, ...]  # the doubtful layer of each of those
    layers: int  # how many doubtful ones there are
    draws: int
    name: str = "spread"
    case: int = 0

    def groups(self, block: JudgedBlock) -> tuple[Places, CellGroups]:
        """The parcels that lie in a block, and the share of each cell that each of them covers."""
        window = block.window
        which, cell, parcel, share = _shares(self.edges, window.row, window.col, window.rows, window.cols)
        order = np.argsort(cell, kind="stable")
        first = np.concatenate([[0], np.cumsum(np.bincount(cell, minlength=window.rows * window.cols))])
        return which, CellGroups(first.astype(np.int64), parcel[order].astype(np.int32), share[order])

    def reduce_draws(
        self, block: JudgedBlock, which: Places, groups: CellGroups, sums: GroupSums
    ) -> Mapping[str, npt.NDArray[Any]]:
        """`parcel` (n,); `sums`, `values` and `ground` of draws; `judged` (n,); `known`, `steady` as judged once."""
        judged, known, steady = _steady(
            groups.first, groups.group, groups.share, len(which),
            np.ascontiguousarray(block.memberships).reshape(self.criteria, -1),
            np.ascontiguousarray(block.suitability).reshape(-1),
        )  # fmt: skip
        return {
            "parcel": which, "sums": sums.figures, "values": sums.values, "ground": sums.ground, "judged": judged,
            "known": known, "steady": steady,
        }  # fmt: skip

    def finish(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> ParcelDraws:
        """What every draw makes of every parcel, in the file's order."""
        n, k = len(self.ids), len(self.drawn)
        sums = np.zeros((n, 1 + k, self.draws))
        values, ground = np.zeros((n, self.layers, self.draws)), np.zeros((n, self.layers))
        judged, known, steady = np.zeros(n), np.zeros((n, self.criteria)), np.zeros((n, self.criteria))
        into_by_name = (
            (sums, "sums"), (values, "values"), (ground, "ground"), (judged, "judged"), (known, "known"),
            (steady, "steady"),
        )  # fmt: skip
        for part in parts:
            at = part["parcel"]
            for into, name in into_by_name:
                into[at] += part[name]
        with np.errstate(invalid="ignore", divide="ignore"):
            suitability = sums[:, 0] / judged[:, None]
            memberships = sums[:, 1:] / known[:, self.drawn][:, :, None]
            means = values / ground[:, :, None]
            return ParcelDraws(self.ids, suitability, self.drawn, memberships, steady / known, self.judged_by, means)


@compiled
def _shares(edges: Edges, row: int, col: int, rows: int, cols: int) -> tuple[Places, Places, Places, Doubles]:
    """Parcels that meet a block; then cell, parcel (its place among these) and share, parcel after parcel."""
    which = polygons_in_window(edges, row, col, rows, cols)
    room = 0
    for polygon in which:
        _, _, height, width = box_cells(edges, polygon, row, col, rows, cols)
        room += height * width
    cell, parcel, share = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room)
    count = 0
    for n in range(len(which)):
        r0, c0, height, width = box_cells(edges, which[n], row, col, rows, cols)
        area = covered_area(edges, which[n], r0, c0, height, width)
        for i in range(height):
            for j in range(width):
                if area[i, j] > 0:
                    cell[count] = (r0 - row + i) * cols + c0 - col + j
                    parcel[count] = n
                    share[count] = area[i, j] / AREA_STEPS
                    count += 1
    return which, cell[:count], parcel[:count], share[:count]


@compiled
def _steady(
    first: Places, group: npt.NDArray[np.int32], share: Doubles, count: int,
    memberships: npt.NDArray[np.float32], suitability: npt.NDArray[np.float32],
) -> tuple[Doubles, Doubles, Doubles]:  # fmt: skip
    """Judged ground of each group, and sums of memberships over it with the ground that has them."""
    k = memberships.shape[0]
    judged, known, steady = np.zeros(count), np.zeros((count, k)), np.zeros((count, k))
    for i in range(suitability.size):
        if suitability[i] != suitability[i]:
            continue
        for n in range(first[i], first[i + 1]):
            g = group[n]
            judged[g] += share[n]
            for j in range(k):
                value = memberships[j, i]
                if value == value:
                    known[g, j] += share[n]
                    steady[g, j] += share[n] * value
    return judged, known, steady


def spreading_of(
    ids: Sequence[str], edges: Edges, criteria: Sequence[str], uncertainty: CaseUncertainty, name: str, case: int
) -> ParcelDrawsReducer:
    """The reducer for parcels; `criteria` are the layers that each criterion is judged by."""
    uncertain = [each.layer for each in uncertainty.layers]
    drawn = tuple(k for k, layer in enumerate(criteria) if layer in uncertain)
    judged_by = tuple(uncertain.index(criteria[k]) for k in drawn)
    return ParcelDrawsReducer(
        tuple(ids), edges, len(criteria), drawn, judged_by, len(uncertain), uncertainty.draws, name, case
    )
