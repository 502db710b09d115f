"""What each parcel holds: sums over the judged ground, weighted by the exact share of every cell it covers.

Sums are added cell by cell inside a block of the grid, then block by block, so that tiles and workers change no bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.grid import Grid, Window
from underoak.engine.judge.reducer import ByteArray, JudgedBlock
from underoak.layers.shapes.coverage import (
    AREA_STEPS,
    Edges,
    box_cells,
    coverage,
    covered_area,
    covers_centre,
    polygons_in_window,
)
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.parcel_sums import ParcelSums
from underoak.places.parcels.ranking import rank_parcels

if TYPE_CHECKING:
    import pandas as pd

    from underoak.overlay import Curve, Rules

Doubles = npt.NDArray[np.float64]
# Columns of the sums; after the four classes come memberships and their weights, weakest and gainful, values and what
# is lost below and above full membership, by criterion, then the ground that each constraint excludes, and last the
# ground inside the region that is missing because a criterion has no membership there, by criterion.
COVERED, JUDGED, EXCLUDED, BEYOND, SUITABILITY, SHARED, CLASSES = range(7)


@dataclass(frozen=True, slots=True, eq=False)
class ParcelSumsReducer:
    """The reducer for parcels: what to keep of a block, and the sums at the end (see `ranking.rank_parcels`)."""

    ids: tuple[str, ...]
    refused: tuple[NotJudged | None, ...]  # why a parcel is not judged, known before any cell is
    area_ha: Doubles
    edges: Edges
    criteria: tuple[str, ...]  # as a person reads them, in plan order
    rules: Rules
    region: Edges | None = None  # ground outside it is off the map
    curves: tuple[Curve, ...] = ()  # of the criteria; without them no values are kept
    constraints: tuple[str, ...] = ()  # in plan order
    layers: tuple[str, ...] = ()  # of the criteria, to name those without data
    name: str = "parcels"

    @property
    def needs_values(self) -> bool:
        """True when values or constraints are wanted, and not memberships alone."""
        return bool(self.curves or self.constraints)

    @classmethod
    def of(
        cls,
        parcels: Parcels,
        grid: Grid,
        criteria: Sequence[str],
        rules: Rules,
        region: Edges | None = None,
        curves: Sequence[Curve] = (),
        constraints: Sequence[str] = (),
        layers: Sequence[str] = (),
    ) -> ParcelSumsReducer:
        """The parcels on an analysis grid of their CRS; `region` is its outline, where it has one."""
        refused = tuple(
            None if shape is not None else NotJudged(Cause.NO_SHAPE, note="" if note == Cause.NO_SHAPE else note)
            for shape, note in zip(parcels.shapes, parcels.notes, strict=True)
        )
        edges = parcels.on(grid)
        return cls(
            parcels.ids, refused, parcels.area_ha, edges, tuple(criteria), rules, region, tuple(curves),
            tuple(constraints), tuple(layers),
        )  # fmt: skip

    def reduce(self, block: JudgedBlock) -> Mapping[str, npt.NDArray[Any]]:
        """`parcel` (n,): which parcels lie in the block; `sums` (n, figures): their sums over it [cells]."""
        total = coverage(self.edges, block.window)
        if not total.any():
            return {}
        inside = (
            np.ones(block.window.shape, np.bool_) if self.region is None else covers_centre(self.region, block.window)
        )
        parcel, sums = _sums(
            self.edges,
            block.window.row,
            block.window.col,
            total,
            inside,
            block.memberships,
            block.suitability,
            block.classes,
            block.weakest,
            block.gainful,
            _stacked(block.values if self.curves else None, len(self.curves), block.window, np.float32(np.nan)),
            np.array([curve.full for curve in self.curves], np.float32).reshape(-1, 2),
            _stacked(self._excludes(block), len(self.constraints), block.window, np.False_),
        )
        return {"parcel": parcel, "sums": sums}

    def _excludes(self, block: JudgedBlock) -> list[npt.NDArray[np.bool_]] | None:
        return None if block.exclusions is None else [block.exclusions[name] for name in self.constraints]

    def table(self, sums: ParcelSums) -> pd.DataFrame:
        """Return one row for every parcel, best first."""
        return rank_parcels(sums, self.criteria, self.rules, self.curves, self.constraints)

    def finish(self, parts: Iterable[Mapping[str, npt.NDArray[Any]]]) -> ParcelSums:
        """The sums over all blocks, parcel by parcel in the file's order."""
        k, v = len(self.criteria), len(self.curves)
        sums = np.zeros((len(self.ids), CLASSES + 4 + 4 * k + 2 + 3 * v + len(self.constraints) + k))
        for part in parts:
            if part:
                sums[part["parcel"]] += part["sums"]
        at = CLASSES + 4
        to = at + 4 * k + 2
        return ParcelSums(
            ids=self.ids,
            refused=self.refused,
            area_ha=self.area_ha,
            area=self.edges.areas,
            covered=sums[:, COVERED],
            judged=sums[:, JUDGED],
            excluded=sums[:, EXCLUDED],
            beyond=sums[:, BEYOND],
            suitability=sums[:, SUITABILITY],
            shared=sums[:, SHARED],
            classes=sums[:, CLASSES:at],
            membership=sums[:, at : at + k],
            known=sums[:, at + k : at + 2 * k],
            weakest=sums[:, at + 2 * k : at + 3 * k + 1],
            gainful=sums[:, at + 3 * k + 1 : to],
            value=sums[:, to : to + v],
            below=sums[:, to + v : to + 2 * v],
            above=sums[:, to + 2 * v : to + 3 * v],
            excluded_by=sums[:, to + 3 * v : to + 3 * v + len(self.constraints)],
            missing_by=sums[:, to + 3 * v + len(self.constraints) :],
            layers=self.layers,
        )


def _stacked(layers: Sequence[npt.NDArray[Any]] | None, count: int, window: Window, blank: Any) -> npt.NDArray[Any]:
    """Arrays of a block as one; blank ones when there are none."""
    if layers is None or not count:
        return np.full((count, *window.shape), blank)
    return np.stack(layers)


@compiled
def _sums(
    edges: Edges,
    row: int,
    col: int,
    total: Doubles,
    inside: npt.NDArray[np.bool_],
    memberships: FloatArray,
    suitability: FloatArray,
    classes: ByteArray,
    weakest: ByteArray,
    gainful: ByteArray,
    values: FloatArray,
    full: FloatArray,
    excludes: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.int64], Doubles]:
    """Sums of every parcel in a block."""
    rows, cols = total.shape
    k, v = memberships.shape[0], values.shape[0]
    parcel = polygons_in_window(edges, row, col, rows, cols)
    sums = np.zeros((len(parcel), CLASSES + 4 + 4 * k + 2 + 3 * v + excludes.shape[0] + k))
    to = CLASSES + 4 + 4 * k + 2
    for n in range(len(parcel)):
        r0, c0, height, width = box_cells(edges, parcel[n], row, col, rows, cols)
        area = covered_area(edges, parcel[n], r0, c0, height, width)
        line = sums[n]
        for i in range(height):
            for j in range(width):
                if area[i, j] <= 0:
                    continue
                share = area[i, j] / AREA_STEPS
                r, c = r0 - row + i, c0 - col + j
                line[COVERED] += share
                line[SHARED] += min(max(total[r, c] - 1.0, 0.0), share)
                kind = classes[r, c]
                if kind == 250:
                    line[EXCLUDED] += share
                    for constraint in range(excludes.shape[0]):
                        if excludes[constraint, r, c]:
                            line[to + 3 * v + constraint] += share
                elif kind < 1 or kind > 4:
                    if not inside[r, c]:
                        line[BEYOND] += share
                        continue
                    for criterion in range(k):
                        if memberships[criterion, r, c] != memberships[criterion, r, c]:
                            line[to + 3 * v + excludes.shape[0] + criterion] += share
                else:
                    line[JUDGED] += share
                    line[SUITABILITY] += share * suitability[r, c]
                    line[CLASSES + kind - 1] += share
                    at = CLASSES + 4
                    for criterion in range(k):
                        value = memberships[criterion, r, c]
                        if value == value:
                            line[at + criterion] += share * value
                            line[at + k + criterion] += share
                            if v:
                                worth = values[criterion, r, c]
                                line[to + criterion] += share * worth
                                if worth < full[criterion, 0]:
                                    line[to + v + criterion] += share * (1.0 - value)
                                elif worth > full[criterion, 1]:
                                    line[to + 2 * v + criterion] += share * (1.0 - value)
                    line[at + 2 * k + min(weakest[r, c], k)] += share
                    line[at + 3 * k + 1 + min(gainful[r, c], k)] += share
    return parcel, sums
