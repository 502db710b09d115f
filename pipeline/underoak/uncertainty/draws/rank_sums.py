"""The suitability of groups of cells, such as parcels, in joint draws of data and weights: for rules not linear.

Rank draw n takes data draw n % draws and weights n. So each data draw is judged under several sets of weights, which
costs far less than to draw the data as often.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.overlay import Rules
from underoak.overlay.combine import RULES
from underoak.uncertainty.draws.weight_draws import WeightDistribution

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int32]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def needs_joint_draws(rules: Rules) -> bool:
    """Return True if the mean memberships of a parcel do not settle its suitability under other weights.

    >>> needs_joint_draws(Rules((0.5, 0.5))), needs_joint_draws(Rules((0.5, 0.5), "geometric"))
    (False, True)
    """
    return rules.rule != "linear" or rules.missing != "stop"


@dataclass(frozen=True, slots=True, eq=False)
class RankWeights:
    """The weights of every rank draw, by criterion in the order of their names: the plan's order changes nothing."""

    order: Places  # the criterion (in plan order) of each place, (criteria,)
    weights: Doubles  # (sets, criteria in `order`, data draws)

    @classmethod
    def of(
        cls, spread: WeightDistribution, names: Sequence[str], draws: int, rank_draws: int, seed: int
    ) -> RankWeights:  # fmt: skip
        """Return weights for `rank_draws`, or the next multiple of the data draws."""
        order = np.array(sorted(range(len(names)), key=names.__getitem__), np.int64)
        sets = -(-rank_draws // draws)
        drawn = spread.draw(sets * draws, seed, names=names)[:, order]
        return cls(order, np.ascontiguousarray(drawn.reshape(sets, draws, len(names)).transpose(0, 2, 1)))

    @property
    def draws(self) -> int:
        """Number of rank draws."""
        return int(self.weights.shape[0] * self.weights.shape[2])

    @property
    def by_draw(self) -> Doubles:
        """The weights in plan order, (rank draws, criteria)."""
        weights = np.empty((self.draws, len(self.order)))
        weights[:, self.order] = self.weights.transpose(0, 2, 1).reshape(self.draws, -1)
        return weights


@dataclass(frozen=True, slots=True, eq=False)
class RankSums:
    """A set of sums of suitability by group over judged cells, in every rank draw."""

    weights: RankWeights
    suitability: Doubles  # (groups, rank draws)
    ground: Doubles  # (groups,): the shares of the cells that were added

    @classmethod
    def of(cls, groups: int, weights: RankWeights) -> RankSums:
        """Return sums that are all 0."""
        return cls(weights, np.zeros((groups, weights.draws)), np.zeros(groups))

    def add(
        self, memberships: Singles, begin: int, drawn: Singles, counts: Whole, of: Places, judged: Flags,
        first: Places, group: Whole, share: Doubles, rules: Rules,
    ) -> None:  # fmt: skip
        """Add cells, the arguments being those of `draw_overlay_kernels.add`.

        A cell counts where every criterion that can weigh is known, or, if the rules renormalise, any of them.
        """
        from underoak.uncertainty.draws import rank_sums_kernels as kernels

        weights, order = self.weights.weights, self.weights.order
        _, criteria, draws = weights.shape
        can_weigh = np.asarray((weights > 0.0).any(axis=(0, 2)), np.bool_)
        running = np.concatenate([[0.0], np.cumsum(rules.order_weights)]) if rules.order_weights else np.empty(0)
        kernels.add_rank_draws(
            memberships, begin, drawn, counts, of, judged, first, group, share, order, can_weigh,
            weights.astype(np.float32), RULES.index(rules.rule), rules.missing == "renormalise",
            1.0 if rules.alpha is None else rules.alpha, running, np.empty((criteria, draws), np.float32),
            np.empty(criteria, np.bool_), np.empty((2, draws), np.float32), np.empty((2, criteria)), self.suitability,
            self.ground,
        )  # fmt: skip
