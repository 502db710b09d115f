"""Rank acceptability: how often each parcel has each rank, over draws of weights and data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from underoak.overlay import Rules
from underoak.overlay.combine import kernel_rules
from underoak.uncertainty.draws.weight_draws import BLOCK, WeightDistribution

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TIE = 1e-6
MAX_SHARES = 4_000_000  # numbers in the table of shares: 32 MB
FEWEST_RANKS = 10
_DUST = 1e-6  # of one draw: what rounding may leave of shares that cancel


@dataclass(frozen=True, slots=True, eq=False)
class ParcelCells:
    """A table of cells of every parcel, all or a fair draw, for rules that need more than mean memberships.

    memberships (cells, criteria) or (data draws, cells, criteria), NaN = missing; `stands_for` (cells,): for how many
    cells each counts; the cells of parcel i are offsets[i] to offsets[i + 1]. Means are weighted by it: exact with all
    cells, right on average with a fair draw (but for the small bias of a ratio when weights differ).
    """

    memberships: Values
    stands_for: Floats
    offsets: Places


@dataclass(frozen=True, slots=True, eq=False)
class RankAcceptability:
    """A result of rank acceptability. NaN: a parcel that is not judged, or a figure that is not defined for it."""

    shares: Floats  # (parcels, ranks): share of draws in which the parcel has the rank; the first ranks, maybe not all
    mean_rank: Floats  # (parcels,)
    first_error: Floats  # (parcels,): standard error of the share of first ranks, over weights and data together
    central_weights: Floats  # (parcels, criteria): mean weights of the draws in which the parcel is first
    confidence: Floats  # (parcels,): share of data draws in which it is first under its central weights
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
    memberships: npt.ArrayLike | ParcelCells,
    draws: int = 10_000,
    seed: int = 1,
    weights: WeightDistribution | None = None,
    rules: Rules | None = None,
    scale: npt.ArrayLike | None = None,
    n_compared: int = 100,
    max_shares: int = MAX_SHARES,
) -> RankAcceptability:
    """Return ranks of parcels over draws of weights and data (stochastic multicriteria acceptability analysis).

    memberships (parcels, criteria), or (data draws, parcels, criteria): the means over each parcel, which are enough
    under the linear rule; other `rules` need `ParcelCells`, and suitability is the mean over cells of the rule on each.
    `weights`: their distribution, uniform by default; the weights of `rules` are not used. `scale` (parcels,): a factor
    on suitability, such as the share that is not excluded. Parcels with a missing value are not judged: they are NaN,
    and the others are ranked.

    Draw n takes weights n of the seed and data draw n * data_draws // draws, the same for all parcels, so that errors
    that parcels share do not change their order. Values within 1e-6 of the best of them tie, and t parcels that tie
    share their ranks, 1/t each. The table has all ranks of up to 2000 parcels and the first 80 of 50,000: `max_shares`
    numbers, 10 ranks at least. Pairs are compared among the `n_compared` parcels of best mean rank, and confidence is
    computed for the `n_compared` that are most often first.
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
    source = _source(memberships, rules, scale)
    spread = WeightDistribution.uniform(source.criteria) if weights is None else weights
    if spread.count != source.criteria:
        raise ValueError(f"weights of {spread.count} criteria, memberships of {source.criteria}")
    judged = np.flatnonzero(source.judged(spread))
    total, source = source.parcels, source.of(judged)
    tally = _count_ranks(source, draws, seed, spread, max_shares)
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
        wins=_wins(source.of(compared), draws, seed, spread),
        draws=draws,
        data_draws=min(source.data_draws, draws),
    )


class _Source(Protocol):
    """A source of the values of parcels."""

    @property
    def data_draws(self) -> int: ...

    @property
    def parcels(self) -> int: ...

    @property
    def criteria(self) -> int: ...

    def judged(self, spread: WeightDistribution) -> Flags:
        """Return which parcels have a value under any weights."""

    def of(self, parcels: Places) -> _Source:
        """Return the source of these parcels only."""

    def fill(self, data: int, weights: Floats, out: Floats) -> None:
        """Write the value of each parcel in one data draw under these weights."""


@dataclass(frozen=True, slots=True, eq=False)
class _Means:
    memberships: Values  # (data draws, parcels, criteria)
    scale: Floats

    @property
    def data_draws(self) -> int:
        return int(self.memberships.shape[0])

    @property
    def parcels(self) -> int:
        return int(self.memberships.shape[1])

    @property
    def criteria(self) -> int:
        return int(self.memberships.shape[2])

    def judged(self, spread: WeightDistribution) -> Flags:
        idle = ~_weighing(spread)
        known = np.isfinite(self.scale)
        for data in self.memberships:  # one at a time: a mask of all would be large
            known &= (np.isfinite(data) | idle).all(axis=1)
        return known

    def of(self, parcels: Places) -> _Means:
        if np.array_equal(parcels, np.arange(self.parcels)):
            return self
        return _Means(np.ascontiguousarray(self.memberships[:, parcels]), self.scale[parcels])

    def fill(self, data: int, weights: Floats, out: Floats) -> None:
        from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

        kernels.weighted(self.memberships[data], weights, self.scale, out)


@dataclass(frozen=True, slots=True, eq=False)
class _OverCells:
    memberships: Values  # (data draws, criteria, cells)
    stands_for: Floats
    offsets: Places
    scale: Floats
    rules: Rules

    @property
    def data_draws(self) -> int:
        return int(self.memberships.shape[0])

    @property
    def parcels(self) -> int:
        return len(self.offsets) - 1

    @property
    def criteria(self) -> int:
        return int(self.memberships.shape[1])

    def judged(self, spread: WeightDistribution) -> Flags:
        known = np.isfinite(self.scale)
        value = np.empty(self.parcels)
        for data in range(self.data_draws):
            self.fill(data, spread.draw(1)[0], value)
            known &= np.isfinite(value)
        return known

    def of(self, parcels: Places) -> _OverCells:
        if np.array_equal(parcels, np.arange(self.parcels)):
            return self
        sizes = np.diff(self.offsets)[parcels]
        offsets = np.concatenate(([0], np.cumsum(sizes)))
        cells = np.arange(offsets[-1]) + np.repeat(self.offsets[parcels] - offsets[:-1], sizes)
        some = np.ascontiguousarray(self.memberships[:, :, cells])
        return replace(
            self, memberships=some, stands_for=self.stands_for[cells], offsets=offsets, scale=self.scale[parcels]
        )

    def fill(self, data: int, weights: Floats, out: Floats) -> None:
        from underoak.overlay import combine_kernels as overlay
        from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

        rules = self.rules
        drawn = weights.tolist()
        terms = kernel_rules(drawn, rules.rule, rules.order_weights, rules.alpha, rules.missing, limits=False)
        scores = np.empty(len(self.stands_for))
        overlay.combine(self.memberships[data], terms, scores)
        kernels.averaged(scores, self.stands_for, self.offsets, self.scale, out)


def _weighing(spread: WeightDistribution) -> Flags:
    """Return which criteria can have a weight above 0."""
    result: Flags = spread.draw(16).max(axis=0) > 0.0
    return result


def _source(given: npt.ArrayLike | ParcelCells, rules: Rules | None, scale: npt.ArrayLike | None) -> _Source:
    rule = "linear" if rules is None else rules.rule
    if isinstance(given, ParcelCells):
        cells = _as_floats(given.memberships)
        cells = cells[None] if cells.ndim == 2 else cells
        offsets = np.asarray(given.offsets, np.int64)
        stands_for = np.asarray(given.stands_for, np.float64)
        fits = cells.ndim == 3 and cells.shape[1] == len(stands_for) == offsets[-1] and cells.shape[2] > 0
        if not fits or offsets[0] != 0 or (np.diff(offsets) < 0).any():
            raise ValueError(f"cells {np.shape(given.memberships)}, {len(stands_for)} weights and offsets do not fit")
        each = _scale(scale, len(offsets) - 1)
        by_criterion = np.ascontiguousarray(cells.transpose(0, 2, 1))
        return _OverCells(by_criterion, stands_for, offsets, each, rules or Rules((1.0,) * cells.shape[2]))
    if rule != "linear":
        raise ValueError(f"the rule {rule} needs the cells of each parcel: its mean memberships do not settle it")
    means = _as_floats(given)
    means = means[None] if means.ndim == 2 else means
    if means.ndim != 3 or means.shape[0] == 0 or means.shape[2] == 0:
        raise ValueError(f"memberships are {np.shape(given)}, not ([data draws,] parcels, criteria)")
    return _Means(means, _scale(scale, means.shape[1]))


def _as_floats(given: npt.ArrayLike) -> Values:
    values = np.asarray(given)
    return np.asarray(values, values.dtype if values.dtype in (np.float32, np.float64) else np.float64, order="C")


def _scale(scale: npt.ArrayLike | None, parcels: int) -> Floats:
    if scale is None:
        return np.ones(parcels)
    each = np.asarray(scale, np.float64)
    if each.shape != (parcels,):
        raise ValueError(f"scale is {each.shape}, but there are {parcels} parcels")
    return each


def _each_draw(draws: int, data_draws: int, seed: int, spread: WeightDistribution) -> Iterator[tuple[int, Floats]]:
    """Yield the data draw and the weights of every draw."""
    for start in range(0, draws, BLOCK):
        some = min(BLOCK, draws - start)
        for n, weights in enumerate(spread.draw(some, seed, start), start):
            yield n * data_draws // draws, weights


class _RankCounts(NamedTuple):
    """A set of means over draws, of the parcels that are judged."""

    shares: Floats
    ranks: Floats
    first: Floats
    first_error: Floats
    central: Floats  # of weights times the share of the first rank


def _count_ranks(source: _Source, draws: int, seed: int, spread: WeightDistribution, max_shares: int) -> _RankCounts:
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    n, data_draws = source.parcels, min(source.data_draws, draws)
    n_ranks = min(n, max(FEWEST_RANKS, max_shares // max(n, 1)))
    steps, central = np.zeros((n, n_ranks + 1)), np.zeros((n, source.criteria))
    values, ranks, first, before, within, squares = (np.zeros(n) for _ in range(6))
    last, since = 0, 0
    for draw, (data, weights) in enumerate(_each_draw(draws, source.data_draws, seed, spread)):
        if data != last:
            part = (first - before) / (draw - since)
            within += part
            squares += part * part
            before[:] = first
            last, since = data, draw
        source.fill(data, weights, values)
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


def _confidence(source: _Source, first: Floats, central: Floats, n_compared: int) -> Floats:
    """Return how often each parcel is first over the data under its central weights, of those most often first."""
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    confidence, values = np.full(source.parcels, np.nan), np.empty(source.parcels)
    for parcel in np.argsort(-first, kind="stable")[:n_compared]:
        if first[parcel] > 0.0:
            total = 0.0
            for data in range(source.data_draws):
                source.fill(data, central[parcel], values)
                total += kernels.share_of_first(values, parcel, TIE)
            confidence[parcel] = total / source.data_draws
    return confidence


def _wins(source: _Source, draws: int, seed: int, spread: WeightDistribution) -> Floats:
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    values, wins = np.empty(source.parcels), np.zeros((source.parcels, source.parcels))
    for data, weights in _each_draw(draws, source.data_draws, seed, spread):
        source.fill(data, weights, values)
        kernels.compare(values, TIE, wins)
    return wins / draws


def _for_all(total: int, judged: Places, values: Floats) -> Floats:
    """Return values of the judged among all parcels, NaN for the others."""
    out = np.full((total, *values.shape[1:]), np.nan)
    out[judged] = values
    return out
