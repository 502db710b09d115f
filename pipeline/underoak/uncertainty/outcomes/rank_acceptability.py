"""Rank acceptability: how often each parcel has each rank, over draws of weights and data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.overlay import Rules
from underoak.uncertainty.draws.weight_draws import WeightDistribution
from underoak.uncertainty.outcomes.rank_sources import (
    Joint,
    JointDraws,
    ParcelCells,
    RankSource,
    WeightDraws,
    rank_source,
)

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TIE = 1e-6
MAX_SHARES = 4_000_000  # numbers in the table of shares: 32 MB
FEWEST_RANKS = 10
_DUST = 1e-6  # of one draw: what rounding may leave of shares that cancel


@dataclass(frozen=True, slots=True, eq=False)
class RankAcceptability:
    """A result of rank acceptability. NaN: a parcel that is not judged, or a figure that is not defined for it."""

    shares: Floats  # (parcels, ranks): share of draws in which the parcel has the rank; the first ranks, maybe not all
    mean_rank: Floats  # (parcels,)
    first_error: Floats  # (parcels,): standard error of the share of first ranks, from the draws of data and weights
    central_weights: Floats  # (parcels, criteria): mean weights of the draws in which the parcel is first
    confidence: Floats  # (parcels,): share of data draws in which it is first under its central weights; NaN if unknown
    compared: Places  # (n,): the parcels of best mean rank, best first
    wins: Floats  # (n, n): probability that the row's parcel is better than the column's, ties half
    draws: int
    data_draws: int

    @property
    def first(self) -> Floats:
        """Return the share of draws in which each parcel is first, (parcels,)."""
        return self.shares[:, 0]

    @property
    def error(self) -> Floats:
        """Return the standard error of `shares` from the number of draws alone: (p (1 - p) / draws)**0.5."""
        p = np.clip(self.shares, 0.0, 1.0)
        result: Floats = np.sqrt(p * (1.0 - p) / self.draws)
        return result

    def top(self, k: int) -> Floats:
        """Return the share of draws in which each parcel is among the first k, (parcels,).

        Raises:
            ValueError: if the table has fewer ranks.
        """
        if not 1 <= k <= self.shares.shape[1]:
            raise ValueError(f"the table has the first {self.shares.shape[1]} ranks, not {k}")
        result: Floats = self.shares[:, :k].sum(axis=1)
        return result


def rank_acceptability(
    memberships: npt.ArrayLike | ParcelCells | JointDraws,
    draws: int = 10_000,
    seed: int = 1,
    weights: WeightDistribution | None = None,
    rules: Rules | None = None,
    scale: npt.ArrayLike | None = None,
    n_compared: int = 100,
    max_shares: int = MAX_SHARES,
    names: Sequence[str] | None = None,
) -> RankAcceptability:
    """Return ranks of parcels over draws of weights and data (stochastic multicriteria acceptability analysis).

    memberships (parcels, criteria), or (data draws, parcels, criteria): the means over each parcel, which are enough
    under the linear rule; other `rules` need `ParcelCells`, and suitability is the mean over cells of the rule on each.
    `weights`: their distribution, uniform by default; the weights of `rules` are not used. `scale` (parcels,): a factor
    on suitability, such as the share that is not excluded. Parcels with a missing value are not judged: they are NaN,
    and the others are ranked.

    Draw n takes weights n of the seed and data draw n * data_draws // draws, the same for all parcels, so that errors
    that parcels share do not change their order. `JointDraws` hold weights and values of every draw already; `draws`,
    `weights` and `rules` are then not used. `names` of the criteria key the draws of their weights. Values within 1e-6
    of the best of them tie, and t parcels that tie share their ranks, 1/t each. The table has all ranks of up to 2000
    parcels and the first 80 of 50,000: `max_shares` numbers, 10 ranks at least. Pairs are compared among the
    `n_compared` parcels of best mean rank, and confidence is computed for the `n_compared` that are most often first.
    `first_error` is that of a mean over data draws, or over all draws where there is one of the data.
    Lahdelma, Hokkanen and Salminen (1998), Lahdelma and Salminen (2001), from memory.

    >>> result = rank_acceptability([[1.0, 0.0], [0.0, 1.0], [0.6, 0.6]], draws=40_000)
    >>> result.first.round(2), result.central_weights[0].round(2)
    (array([0.4, 0.4, 0.2]), array([0.8, 0.2]))

    Raises:
        UnderoakError: E316 rules that do not go with the weights (`order_weights` need fixed equal ones).
        ValueError: when shapes do not fit, or a rule needs cells.
    """
    if draws < 1:
        raise ValueError(f"{draws} draws")
    source = rank_source(memberships, rules, scale)
    if isinstance(source, Joint):
        draws = source.draws
    spread = WeightDistribution.uniform(source.criteria) if weights is None else weights
    if spread.count != source.criteria:
        raise ValueError(f"weights of {spread.count} criteria, memberships of {source.criteria}")
    judged = np.flatnonzero(source.judged(spread))
    total, source = source.parcels, source.of(judged)
    order = WeightDraws(draws, seed, spread, None if names is None else tuple(names))
    tally = _count_ranks(source, order, max_shares)
    with np.errstate(invalid="ignore"):
        central = tally.central / tally.first[:, None]
    compared = np.argsort(tally.ranks, kind="stable")[:n_compared]
    return RankAcceptability(
        shares=_for_all(total, judged, tally.shares),
        mean_rank=_for_all(total, judged, tally.ranks),
        first_error=_for_all(total, judged, tally.first_error),
        central_weights=_for_all(total, judged, central),
        confidence=_for_all(total, judged, _confidence(source, tally.first, central, n_compared)),
        compared=judged[compared],
        wins=_wins(source.of(compared), order),
        draws=draws,
        data_draws=min(source.data_draws, draws),
    )


class _RankCounts(NamedTuple):
    """A set of means over draws, of the parcels that are judged."""

    shares: Floats
    ranks: Floats
    first: Floats
    first_error: Floats
    central: Floats  # of weights times the share of the first rank


def _count_ranks(source: RankSource, order: WeightDraws, max_shares: int) -> _RankCounts:
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    draws = order.draws
    n, data_draws = source.parcels, min(source.data_draws, draws)
    n_ranks = min(n, max(FEWEST_RANKS, max_shares // max(n, 1)))
    steps, central = np.zeros((n, n_ranks + 1)), np.zeros((n, source.criteria))
    ranks, first, before, within, squares = (np.zeros(n) for _ in range(5))
    last, since = 0, 0
    for draw, (data, weights, values) in enumerate(source.each_draw(order)):
        if data != last:
            part = (first - before) / (draw - since)
            within += part
            squares += part * part
            before[:] = first
            last, since = data, draw
        kernels.count(values, np.argsort(values), weights, TIE, steps, ranks, first, central)
    part = (first - before) / (draws - since)
    mean = (within + part) / data_draws
    varying = np.maximum((squares + part * part) / data_draws - mean * mean, 0.0)
    share = first / draws
    alone = share * np.maximum(1.0 - share, 0.0) / draws
    error = np.sqrt(varying / (data_draws - 1) if data_draws > 1 else alone)
    np.cumsum(steps, axis=1, out=steps)
    steps[np.abs(steps) < _DUST] = 0.0
    return _RankCounts(steps[:, :n_ranks] / draws, ranks / draws, share, error, central / draws)


def _confidence(source: RankSource, first: Floats, central: Floats, n_compared: int) -> Floats:
    """Return how often each parcel is first over the data under its central weights, of those most often first."""
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    confidence, values = np.full(source.parcels, np.nan), np.empty(source.parcels)
    if isinstance(source, Joint):
        return confidence  # values under other weights are not known
    for parcel in np.argsort(-first, kind="stable")[:n_compared]:
        if first[parcel] > 0.0:
            total = 0.0
            for data in range(source.data_draws):
                source.fill(data, central[parcel], values)
                total += kernels.share_of_first(values, parcel, TIE)
            confidence[parcel] = total / source.data_draws
    return confidence


def _wins(source: RankSource, order: WeightDraws) -> Floats:
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    wins = np.zeros((source.parcels, source.parcels))
    for _, _, values in source.each_draw(order):
        kernels.compare(values, TIE, wins)
    return wins / order.draws


def _for_all(total: int, judged: Places, values: Floats) -> Floats:
    """Return values of the judged among all parcels, NaN for the others."""
    out = np.full((total, *values.shape[1:]), np.nan)
    out[judged] = values
    return out
