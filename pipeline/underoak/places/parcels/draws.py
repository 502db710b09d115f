"""The mean suitability and memberships of parcels in every draw.

Sums are added cell by cell inside a block of the grid, then block by block, so that tiles, workers and the order of
parcels change no bit. All parcels are judged in the same draws: two parcels share the draws of a shared cell.
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
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS
from underoak.uncertainty.draws.draw_overlay import TIE, CellGroups, GroupSums

if TYPE_CHECKING:
    import pandas as pd

    from underoak.engine.judge.block_draws import CaseUncertainty
    from underoak.overlay import Rules
    from underoak.places.parcels.parcel_sums import ParcelSums
    from underoak.uncertainty.draws.rank_sums import RankWeights

Doubles = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
LOW, HIGH = 0.05, 0.95  # quantiles of `low` and `high`


@dataclass(frozen=True, slots=True, eq=False)
class ParcelDraws:
    """Means over the judged land of every parcel in every draw; NaN where nothing is judged."""

    ids: tuple[str, ...]
    suitability: Doubles  # (parcels, draws)
    drawn: tuple[int, ...]  # the uncertain criteria, in plan order
    memberships: Doubles  # theirs, (parcels, uncertain criteria, draws)
    steady: Doubles  # of every criterion without draws, (parcels, criteria)
    judged_by: tuple[int, ...] = ()  # the layer of each uncertain criterion, as an index into `values`
    values: Doubles = field(default_factory=lambda: np.empty((0, 0, 0)))  # means of uncertain layers in their units,
    # (parcels, layers, draws): the result of a test of the parcel in each draw
    ranked: Doubles | None = None  # suitability in joint draws of data and weights, (parcels, rank draws)

    @property
    def every(self) -> Doubles:
        """(parcels, draws, 1 + criteria): the mean suitability, then the mean membership of each criterion."""
        parcels, draws = self.suitability.shape
        scores = np.empty((parcels, draws, 1 + self.steady.shape[1]))
        scores[:, :, 0] = self.suitability
        scores[:, :, 1:] = self.steady[:, None, :]
        for j, k in enumerate(self.drawn):
            scores[:, :, 1 + k] = self.memberships[:, j]
        return scores

    def capped(self, rules: Rules) -> Doubles:
        """Return suitability, capped where the class is held below S2, (parcels, draws).

        It reaches the cut of S2 in exactly those draws in which the parcel's class is S2 or better. Under the cap, its
        lowest mean membership is then that of class S3 at least, and it is at most the difference of the cuts above
        that. It is at most the mean membership of each essential criterion.
        """
        _, second, third = rules.cuts
        capped = self.suitability
        if rules.cap == "weakest":
            weighing = [k for k, weight in enumerate(rules.weights) if weight > 0.0]
            capped = np.minimum(capped, self._lowest(weighing) + (second - third))
        if rules.essential:
            capped = np.minimum(capped, self._lowest(rules.essential))
        return capped

    def outside_n(self, rules: Rules) -> Doubles:
        """Return suitability, 0 in draws in which an essential criterion makes the class N, (parcels, draws)."""
        if not rules.essential:
            return self.suitability
        return np.where(self._lowest(rules.essential) < rules.cuts[2] - TIE, 0.0, self.suitability)

    def _lowest(self, criteria: Sequence[int]) -> Doubles:
        """Return the lowest mean membership of some criteria in each draw, (parcels, 1 or draws)."""
        sure = [k for k in criteria if k not in self.drawn]
        least: Doubles = np.fmin.reduce(self.steady[:, sure], axis=1, initial=np.inf)[:, None]
        for j, k in enumerate(self.drawn):
            if k in criteria:
                least = np.fmin(least, self.memberships[:, j])
        return least

    def columns(self, rules: Rules) -> pd.DataFrame:
        """Return one row for every parcel: `id`, `p_s2`, and `sd`, `low`, `high` of suitability over the draws."""
        import pandas as pd

        known = ~np.isnan(self.suitability).any(axis=1)
        p, sd, low, high = (np.full(len(self.ids), np.nan) for _ in range(4))
        values = self.suitability[known]
        if values.size:
            p[known] = (self.capped(rules)[known] >= rules.cuts[1] - TIE).mean(axis=1)
            sd[known] = values.std(axis=1)
            low[known], high[known] = np.quantile(values, (LOW, HIGH), axis=1)
        return pd.DataFrame({"id": list(self.ids), "p_s2": p, "sd": sd, "low": low, "high": high})

    def add_to(self, table: pd.DataFrame, rules: Rules) -> pd.DataFrame:
        """Return the table of parcels with these columns; empty for parcels that are not judged."""
        columns = self.columns(rules).set_index("id").loc[table["id"]]
        judged = table["rank"].notna().to_numpy()
        return arrange(
            table.assign(**{str(name): np.where(judged, columns[name].to_numpy(), np.nan) for name in columns}), PARCELS
        )


@dataclass(frozen=True, slots=True, eq=False)
class ParcelDrawsReducer:
    """The reducer of draws for parcels."""

    ids: tuple[str, ...]
    edges: Edges
    criteria: int  # their count
    drawn: tuple[int, ...]  # the uncertain ones, in plan order
    judged_by: tuple[int, ...]  # the uncertain layer of each of those
    layers: int  # count of the uncertain ones
    draws: int
    rank_weights: RankWeights | None = None
    name: str = "spread"

    def groups(self, block: JudgedBlock) -> tuple[Places, CellGroups]:
        """Return the parcels that lie in a block, and the share of each cell that each of them covers."""
        window = block.window
        parcels, cell, parcel, share = _shares(self.edges, window.row, window.col, window.rows, window.cols)
        order = np.argsort(cell, kind="stable")
        first = np.concatenate([[0], np.cumsum(np.bincount(cell, minlength=window.rows * window.cols))])
        return parcels, CellGroups(first.astype(np.int64), parcel[order].astype(np.int32), share[order])

    def reduce_draws(
        self, block: JudgedBlock, parcels: Places, groups: CellGroups, sums: GroupSums
    ) -> Mapping[str, npt.NDArray[Any]]:
        """Return `parcel` (n,); sums over draws; `judged` (n,); `known`, `steady` as judged once; those of ranks."""
        judged, known, steady = _steady(
            groups.first, groups.group, groups.share, len(parcels),
            np.ascontiguousarray(block.memberships).reshape(self.criteria, -1),
            np.ascontiguousarray(block.suitability).reshape(-1),
        )  # fmt: skip
        part = {
            "parcel": parcels, "sums": sums.figures, "values": sums.values, "ground": sums.ground, "judged": judged,
            "known": known, "steady": steady,
        }  # fmt: skip
        if sums.ranks is not None:
            part |= {"ranked": sums.ranks.suitability, "rank_ground": sums.ranks.ground}
        return part

    def finish(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> ParcelDraws:
        """Return the means of every parcel in every draw, in the file's order."""
        n, k = len(self.ids), len(self.drawn)
        sums = np.zeros((n, 1 + k, self.draws))
        values, ground = np.zeros((n, self.layers, self.draws)), np.zeros((n, self.layers))
        judged, known, steady = np.zeros(n), np.zeros((n, self.criteria)), np.zeros((n, self.criteria))
        ranked = np.zeros((n, 0 if self.rank_weights is None else self.rank_weights.draws))
        rank_ground = np.zeros(n)
        into_by_name = [
            (sums, "sums"), (values, "values"), (ground, "ground"), (judged, "judged"), (known, "known"),
            (steady, "steady"),
        ]  # fmt: skip
        if self.rank_weights is not None:
            into_by_name += [(ranked, "ranked"), (rank_ground, "rank_ground")]
        for part in parts:
            at = part["parcel"]
            for into, name in into_by_name:
                into[at] += part[name]
        with np.errstate(invalid="ignore", divide="ignore"):
            suitability = sums[:, 0] / judged[:, None]
            memberships = sums[:, 1:] / known[:, self.drawn][:, :, None]
            means = values / ground[:, :, None]
            return ParcelDraws(
                self.ids, suitability, self.drawn, memberships, steady / known, self.judged_by, means,
                None if self.rank_weights is None else ranked / rank_ground[:, None],
            )  # fmt: skip


def exact_draws(sums: ParcelSums, draws: int) -> ParcelDraws:
    """Return the draws of parcels where no layer has an error: the same in every draw."""
    with np.errstate(invalid="ignore", divide="ignore"):
        suitability, steady = sums.suitability / sums.judged, sums.membership / sums.known
    n = len(sums.ids)
    repeated = np.repeat(suitability[:, None], draws, axis=1)
    return ParcelDraws(sums.ids, repeated, (), np.empty((n, 0, draws)), steady, (), np.empty((n, 0, draws)))


@compiled
def _shares(edges: Edges, row: int, col: int, rows: int, cols: int) -> tuple[Places, Places, Places, Doubles]:
    """Return parcels in a block; then cell, parcel (its index among these) and share, parcel by parcel."""
    parcels = polygons_in_window(edges, row, col, rows, cols)
    room = 0
    for polygon in parcels:
        _, _, height, width = box_cells(edges, polygon, row, col, rows, cols)
        room += height * width
    cell, parcel, share = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room)
    count = 0
    for n in range(len(parcels)):
        r0, c0, height, width = box_cells(edges, parcels[n], row, col, rows, cols)
        area = covered_area(edges, parcels[n], r0, c0, height, width)
        for i in range(height):
            for j in range(width):
                if area[i, j] > 0:
                    cell[count] = (r0 - row + i) * cols + c0 - col + j
                    parcel[count] = n
                    share[count] = area[i, j] / AREA_STEPS
                    count += 1
    return parcels, cell[:count], parcel[:count], share[:count]


@compiled
def _steady(
    first: Places, group: npt.NDArray[np.int32], share: Doubles, count: int,
    memberships: npt.NDArray[np.float32], suitability: npt.NDArray[np.float32],
) -> tuple[Doubles, Doubles, Doubles]:  # fmt: skip
    """Return the judged land of each group, its land with each membership, and the sums of these memberships."""
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


def draws_reducer(
    ids: Sequence[str], edges: Edges, criteria: Sequence[str], uncertainty: CaseUncertainty,
    rank_weights: RankWeights | None = None,
) -> ParcelDrawsReducer:  # fmt: skip
    """Return the reducer for parcels; `criteria` are the layers of the criteria."""
    uncertain = [each.layer for each in uncertainty.layers]
    drawn = tuple(k for k, layer in enumerate(criteria) if layer in uncertain)
    judged_by = tuple(uncertain.index(criteria[k]) for k in drawn)
    return ParcelDrawsReducer(
        tuple(ids), edges, len(criteria), drawn, judged_by, len(uncertain), uncertainty.draws, rank_weights
    )
