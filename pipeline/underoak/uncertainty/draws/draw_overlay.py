"""Overlay of draws: every draw of the uncertain layers is judged as the layers themselves are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.overlay import Curve, Rules, membership
from underoak.overlay.combine import RULES, combine
from underoak.overlay.curves import pieces
from underoak.uncertainty.draws.rank_sums import RankSums, RankWeights

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int32]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TIE = 1e-6  # a score this little below a cut has reached it
_BATCH = 1 << 17  # numbers judged at a time: they stay in the processor's own memory


@dataclass(frozen=True, slots=True, eq=False)
class SourceWeights:
    """A table of the source cells under each cell, with their weights.

    Cell i takes index[start[i]] and the next, count[i] of them in all; a cell that takes none is not drawn.
    """

    start: Places
    count: Whole
    index: Whole
    weight: Singles


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCriterion:
    """A criterion in all draws."""

    criterion: int  # in plan order
    table: Singles  # (source cells, draws): values of its layer, or memberships where `curve` is None
    source_weights: SourceWeights
    curve: Curve | None


@dataclass(frozen=True, slots=True, eq=False)
class CellGroups:
    """A table of shares of cells by group, such as parcel: cell i is in groups group[first[i]] up to first[i + 1]."""

    first: Places  # (cells + 1,)
    group: Whole
    share: Doubles

    def at(self, cells: Places) -> CellGroups:
        """Return the table of some of the cells, in their order."""
        count = self.first[cells + 1] - self.first[cells]
        first = np.concatenate([np.zeros(1, np.int64), np.cumsum(count)])
        entries = np.repeat(self.first[cells] - first[:-1], count) + np.arange(first[-1])
        return CellGroups(first, self.group[entries], self.share[entries])


@dataclass(frozen=True, slots=True, eq=False)
class GroupSums:
    """A set of sums by group over judged cells, in every draw."""

    figures: Doubles  # (groups, 1 + uncertain criteria, draws): suitability, then memberships
    values: Doubles  # of each uncertain layer in its unit, (groups, layers, draws)
    ground: Doubles  # where that layer has a value, (groups, layers)
    ranks: RankSums | None = None  # of suitability in joint draws of data and weights

    @classmethod
    def of(
        cls, groups: int, figures: int, layers: int, draws: int, rank_weights: RankWeights | None = None
    ) -> GroupSums:  # fmt: skip
        """Return sums that are all 0."""
        ranks = None if rank_weights is None else RankSums.of(groups, rank_weights)
        values = np.zeros((groups, layers, draws))
        return cls(np.zeros((groups, figures, draws)), values, np.zeros((groups, layers)), ranks)

    def add_values(self, layer: int, table: Singles, sources: SourceWeights, judged: Flags, groups: CellGroups) -> None:
        """Add a layer's drawn values, table (source cells, draws), over the judged cells."""
        from underoak.uncertainty.draws import draw_overlay_kernels as kernels

        kernels.add_values(
            table, sources.start, sources.count, sources.index, sources.weight, judged, groups.first, groups.group,
            groups.share, layer, self.values, self.ground,
        )  # fmt: skip


class DrawSummary(NamedTuple):
    """A summary of the draws of cells' suitability, (cells,); NaN where they are not judged."""

    mean: Singles
    sd: Singles  # standard deviation over draws
    reached: Singles  # share of draws of class S2 or better
    quantiles: Singles  # (levels, cells)


def judge_draws(
    memberships: Singles, judged: Flags, drawn: Sequence[DrawnCriterion], draws: int, rules: Rules,
    groups: CellGroups | None = None, sums: GroupSums | None = None, levels: Sequence[float] = (),
) -> DrawSummary:  # fmt: skip
    """Judge cells once for every draw of the uncertain criteria; the others keep their memberships.

    Args:
        memberships: (criteria, cells), NaN missing.
        judged: (cells,), True where suitability is known; nothing else is drawn.
        drawn: the uncertain criteria, in plan order.
        draws: how many.
        rules: as for `overlay.judge`; `reached` refers to the class, held by the cap and by essential criteria.
        groups: of cells, for `sums`.
        sums: to their `figures` are added the suitability and the memberships of judged cells, times their shares, and
            to their `ranks` the suitability under the weights of each rank draw.
        levels: of the quantiles, by straight lines between the draws in order.
    """
    from underoak.uncertainty.draws import draw_overlay_kernels as kernels

    cells, cut = judged.size, rules.cuts[1]
    needed = _needed_for_s2(rules)
    of = np.array([one.criterion for one in drawn], np.int64)
    weights = np.array(rules.weights)
    size = max(_BATCH // draws, 1)
    values = np.empty((size, len(drawn), draws), np.float32)
    scores = np.empty((size, draws), np.float32)
    margins = np.empty((size if (needed >= 0.0).any() else 0, draws), np.float32)
    mean, sd, reached = (np.empty(cells, np.float32) for _ in range(3))
    row = np.empty(draws, np.float32)
    quantiles, level_array = np.empty((len(levels), cells), np.float32), np.array(levels, np.float64)
    for begin in range(0, cells, size):
        n = min(size, cells - begin)
        if not judged[begin : begin + n].any():
            for into in (mean, sd, reached, *quantiles):
                into[begin : begin + n] = np.nan
            continue
        counts = np.empty((n, len(drawn)), np.int32)
        for j, one in enumerate(drawn):
            sources = one.source_weights
            kernels.take_source_draws(
                one.table, sources.start, sources.count, sources.index, sources.weight, judged, begin, j, values, counts
            )
            if one.curve is not None:
                _judge(values, j, n, one.curve)
        if rules.rule == "ordered":
            scores[:n] = _ordered(memberships[:, begin : begin + n], values[:n], counts, of, rules)
        else:
            rule, lenient = RULES.index(rules.rule), rules.missing == "renormalise"
            kernels.scores(memberships, begin, values, counts, of, weights, rule, lenient, scores)
        if len(margins):
            kernels.class_margins(memberships, begin, values, counts, of, needed, margins)
        kernels.spread(scores, margins, n, judged, begin, cut, TIE, row, mean, sd, reached)
        if levels:
            kernels.quantiles(scores, n, judged, begin, level_array, quantiles)
        if groups is not None and sums is not None:
            kernels.add(scores, values, counts, of, memberships, judged, begin, groups.first, groups.group,
                        groups.share, sums.figures)  # fmt: skip
            if sums.ranks is not None:
                sums.ranks.add(memberships, begin, values, counts, of, judged, groups.first, groups.group, groups.share,
                               rules)  # fmt: skip
    return DrawSummary(mean, sd, reached, quantiles)


def _needed_for_s2(rules: Rules) -> Singles:
    """Return the membership that each criterion needs for class S2, (criteria,); -1 for those that never hold it.

    Under the cap a criterion with a weight must be S3 itself, and an essential one S2. Under the minimum rule the score
    already needs more than the cap does.
    """
    _, second, third = rules.cuts
    needed = np.full(len(rules.weights), -1.0, np.float32)
    if rules.cap == "weakest" and rules.rule != "minimum":
        needed[np.array(rules.weights) > 0.0] = third
    needed[list(rules.essential)] = second
    return needed


def _judge(values: Singles, j: int, n: int, curve: Curve) -> None:
    """Write memberships in place of values (cells, criteria, draws): those of criterion j in the first n cells."""
    if curve.kind != "linear":
        values[:n, j] = membership(values[:n, j], curve)
        return
    from underoak.uncertainty.draws import draw_overlay_kernels as kernels

    start, x, y, slope = pieces(curve.x, curve.y)
    # a piece that begins just below a place holds at the place itself, in single precision too
    single = start.astype(np.float32)
    first = np.where(start < single, np.nextafter(single, np.float32(-np.inf)), single)
    at, level, by = (part.astype(np.float32) for part in (x, y, slope))
    kernels.piecewise(values, j, n, first, at, level, by, np.empty(values.shape[2], np.float32))


def _ordered(memberships: Singles, values: Singles, counts: Whole, of: Places, rules: Rules) -> Doubles:
    """Return suitability by the ordered rule, whose ranks differ from draw to draw, (cells, draws)."""
    every = np.repeat(memberships[:, :, None], values.shape[2], axis=2)
    for j, k in enumerate(of):
        known = (counts[:, j] > 0) & ~np.isnan(memberships[k])
        every[k][known] = values[known, j]
    suitability: Doubles = combine(every, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    return suitability
