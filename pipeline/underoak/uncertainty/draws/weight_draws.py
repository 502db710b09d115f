"""Uncertain weights: their distribution, and draws from it.

The numbers that a draw of a criterion's weight is made from depend only on the seed, the criterion's name and the
number of the draw. So neither the order of the criteria nor a further draw changes a draw.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems
from underoak.overlay import normalise
from underoak.uncertainty.draws.cell_draws import hash_seed

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Kind = Literal["fixed", "uniform", "ranked", "dirichlet", "bounded"]

_SUM = 1e-9
_TRIALS = 4096  # proposals of each kind, to see which is accepted most
_RAREST = 1e-3  # share of proposals that must be accepted


@dataclass(frozen=True, slots=True)
class WeightDistribution:
    """A distribution of the weights of n criteria; make one with the constructors below.

    >>> WeightDistribution.ranked([1, 3, 2]).count
    3
    """

    kind: Kind
    count: int
    first: tuple[float, ...] = ()  # weights (fixed), ranks, parameters (dirichlet) or lower bounds, by criterion
    second: tuple[float, ...] = ()  # upper bounds

    @classmethod
    def fixed(cls, weights: Sequence[float]) -> WeightDistribution:
        """Return the distribution of these weights and no others.

        >>> WeightDistribution.fixed([2, 1, 1]).draw(1).tolist()
        [[0.5, 0.25, 0.25]]

        Raises:
            UnderoakError: E310, E311 weights that cannot be.
        """
        normal = normalise(weights)
        return cls("fixed", len(normal), normal)

    @classmethod
    def uniform(cls, count: int) -> WeightDistribution:
        """Return the distribution in which every set of weights that sum to 1 is as likely as any other.

        >>> WeightDistribution.uniform(3).draw(2, seed=1).sum(axis=1).round(12).tolist()
        [1.0, 1.0]

        Raises:
            UnderoakError: E361 when there is no criterion.
        """
        problems = Problems()
        if count < 1:
            problems.add("E361", f"there are no weights of {count} criteria", fix="name at least one criterion")
        problems.stop_if_any()
        return cls("uniform", count)

    @classmethod
    def ranked(cls, ranks: Sequence[float]) -> WeightDistribution:
        """Return the distribution of ranked weights: rank 1 is highest; criteria of equal rank are in any order.

        >>> w = WeightDistribution.ranked([1, 3, 2]).draw(100)
        >>> bool(((w[:, 0] >= w[:, 2]) & (w[:, 2] >= w[:, 1])).all())
        True

        Raises:
            UnderoakError: E361 when there are no ranks, or one that is not a number.
        """
        problems = Problems()
        if not len(ranks) or not all(map(math.isfinite, ranks)):
            problems.add("E361", "ranks must be numbers, one for each criterion", fix="write 1 for the weightiest")
        problems.stop_if_any()
        return cls("ranked", len(ranks), tuple(map(float, ranks)))

    @classmethod
    def dirichlet(cls, weights: Sequence[float], strength: float) -> WeightDistribution:
        """Return a Dirichlet distribution about a mean; the sd of w is (w (1 - w) / (strength + 1))**0.5. 0 stays 0.

        >>> WeightDistribution.dirichlet([0.5, 0.3, 0.2], 40).draw(20_000).mean(axis=0).round(2).tolist()
        [0.5, 0.3, 0.2]

        Raises:
            UnderoakError: E310, E311 weights that cannot be, E361 a strength that is not above 0.
        """
        normal = normalise(weights)
        problems = Problems()
        if not 0.0 < strength < math.inf:
            fix = "give a number above 0; 40 leaves a weight of 0.5 a standard deviation of 0.08"
            problems.add("E361", f"the strength of weights cannot be {strength:g}", fix=fix)
        problems.stop_if_any()
        return cls("dirichlet", len(normal), tuple(strength * w for w in normal))

    @classmethod
    def bounded(cls, low: Sequence[float], high: Sequence[float]) -> WeightDistribution:
        """Return the distribution in which every set of weights within bounds that sum to 1 is as likely as any other.

        >>> w = WeightDistribution.bounded([0.4, 0.1, 0.0], [0.6, 0.4, 0.5]).draw(1000)
        >>> w.min(axis=0).round(1).tolist(), w.max(axis=0).round(1).tolist()
        ([0.4, 0.1, 0.0], [0.6, 0.4, 0.5])

        Raises:
            UnderoakError: E361 bounds that no weights keep, or so few that they cannot be drawn.
        """
        lower, upper = tuple(map(float, low)), tuple(map(float, high))
        problems = Problems()
        if len(lower) != len(upper) or not lower:
            problems.add("E361", f"{len(lower)} lower and {len(upper)} upper bounds", fix="give two for each weight")
        elif not all(0.0 <= a <= b <= 1.0 for a, b in zip(lower, upper, strict=True)):
            problems.add("E361", "bounds of weights must lie within 0..1, the lower first", fix="write 0.2 and 0.4")
        elif math.fsum(lower) > 1.0 + _SUM or math.fsum(upper) < 1.0 - _SUM:
            what = f"no weights sum to 1 within bounds that sum to {math.fsum(lower):g} and {math.fsum(upper):g}"
            problems.add("E361", what, fix="lower the lower bounds, or raise the upper ones")
        problems.stop_if_any()
        spread = cls("bounded", len(lower), lower, upper)
        if not spread._rigid and _proposal(spread)[1] < _RAREST:
            what = "the bounds leave too thin a set of weights to draw from"
            problems.add("E361", what, fix="widen the bounds of some criteria, or use weights with a strength")
        problems.stop_if_any()
        return spread

    def take(self, order: Sequence[int]) -> WeightDistribution:
        """Return the distribution with its criteria in another order.

        >>> WeightDistribution.fixed([0.5, 0.3, 0.2]).take([2, 0, 1]).first
        (0.2, 0.5, 0.3)
        """
        first, second = (tuple(each[k] for k in order) if each else () for each in (self.first, self.second))
        return WeightDistribution(self.kind, self.count, first, second)

    @property
    def _rigid(self) -> bool:
        """Return True if the bounds allow only one set of weights."""
        moves = sum(b > a for a, b in zip(self.first, self.second, strict=True))
        return moves < 2 or math.fsum(self.first) >= 1.0 - _SUM or math.fsum(self.second) <= 1.0 + _SUM

    def draw(self, draws: int, seed: int = 0, start: int = 0, names: Sequence[str] | None = None) -> Floats:
        """Return draws `start` to `start + draws` of the weights, (draws, criteria), each summing to 1.

        A draw depends on the seed, its number and the criteria by name (by number, where no names are given). uniform:
        exponentials over their sum. ranked: the same, put in order. dirichlet: gamma variates over their sum. bounded:
        rejection, from the one of three that is accepted most: weights spread uniformly above the lower bounds, or
        below the upper ones, or all but one within their bounds and that one the rest; independent and exactly uniform,
        all three. Textbook methods (Devroye 1986, from memory).

        >>> spread = WeightDistribution.uniform(4)
        >>> bool((spread.draw(3000)[2000:2500] == spread.draw(500, start=2000)).all())
        True
        >>> one, other = spread.draw(9, 1, names="abcd"), spread.draw(9, 1, names="dbca")
        >>> bool((one == other[:, [3, 1, 2, 0]]).all())
        True

        Raises:
            ValueError: when there is not one name for each criterion.
        """
        if names is not None and not len(set(names)) == len(names) == self.count:
            raise ValueError(f"{self.count} criteria, and the names {list(names)}")
        if self.kind == "fixed" or (self.kind == "bounded" and self._rigid):
            return np.tile(_only(self), (draws, 1))
        listed = [f"{k:06d}" for k in range(self.count)] if names is None else list(names)
        order = sorted(range(self.count), key=listed.__getitem__)
        by_name = self.take(order)
        numbers = _Numbers(seed, tuple(listed[k] for k in order), np.arange(start, start + draws))
        weights = np.empty((draws, self.count))
        weights[:, order] = _DRAWN[self.kind](by_name, numbers)
        return weights


@dataclass(frozen=True, slots=True, eq=False)
class _Numbers:
    """The uniform numbers of some draws, from 0 to 1."""

    seed: int
    names: tuple[str, ...]  # of the criteria, in order
    draws: Places

    def take(self, number: int) -> Floats:
        """Return the `number`-th of each draw and criterion, (draws, criteria)."""
        from underoak.uncertainty.draws import draw_kernels as kernels

        taken = np.empty((len(self.names), len(self.draws)))
        for name, into in zip(self.names, taken, strict=True):
            kernels.uniforms(hash_seed(self.seed, f"weight of {name}"), self.draws, number, into)
        return taken.T

    def some(self, selected: npt.NDArray[np.intp]) -> _Numbers:
        """Return those of some of the draws."""
        return _Numbers(self.seed, self.names, self.draws[selected])


def _flat(uniform: Floats) -> Floats:
    """Return draws that are uniform on the weights that sum to 1, from uniform numbers."""
    return _whole(-np.log(uniform))


def _whole(parts: Floats) -> Floats:
    """Return weights divided by their sum."""
    result: Floats = parts / parts.sum(axis=1, keepdims=True)
    return result


def _uniform(spread: WeightDistribution, numbers: _Numbers) -> Floats:
    return _flat(numbers.take(0))


def _ranked(spread: WeightDistribution, numbers: _Numbers) -> Floats:
    falling = np.sort(_flat(numbers.take(0)), axis=1)[:, ::-1]
    chance = numbers.take(1)  # decides between equal ranks
    order = np.lexsort((chance, np.broadcast_to(spread.first, chance.shape)), axis=1)
    out = np.empty_like(chance)
    np.put_along_axis(out, order, falling, axis=1)
    return out


def _dirichlet(spread: WeightDistribution, numbers: _Numbers) -> Floats:
    """Return draws by Gamma(a) = Gamma(a + 1) U**(1 / a), in logarithms, so that small parameters do not vanish."""
    from scipy.special import gammaincinv

    shape = np.array(spread.first)
    free = shape > 0.0
    logs = np.log(gammaincinv(shape[free] + 1.0, numbers.take(0)[:, free]))
    logs += np.log(numbers.take(1)[:, free]) / shape[free]
    out = np.zeros((len(logs), spread.count))
    out[:, free] = _whole(np.exp(logs - logs.max(axis=1, keepdims=True)))
    return out


def _bounded(spread: WeightDistribution, numbers: _Numbers) -> Floats:
    propose, _ = _proposal(spread)
    out = np.empty((len(numbers.draws), spread.count))
    waiting, trial = np.arange(len(out)), 0
    while len(waiting):
        weights = propose(spread, numbers.some(waiting).take(trial))
        fits = _fits(spread, weights)
        out[waiting[fits]] = weights[fits]
        waiting, trial = waiting[~fits], trial + 1
    return out


_DRAWN: dict[Kind, Callable[[WeightDistribution, _Numbers], Floats]] = {
    "uniform": _uniform,
    "ranked": _ranked,
    "dirichlet": _dirichlet,
    "bounded": _bounded,
}

Proposal = Callable[[WeightDistribution, Floats], Floats]  # uniform numbers (draws, criteria) -> weights


def _from_below(spread: WeightDistribution, uniform: Floats) -> Floats:
    low, free = np.array(spread.first), _free(spread)
    out = np.tile(low, (len(uniform), 1))
    out[:, free] += (1.0 - math.fsum(low)) * _flat(uniform[:, free])
    return out


def _from_above(spread: WeightDistribution, uniform: Floats) -> Floats:
    high, free = np.array(spread.second), _free(spread)
    out = np.tile(high, (len(uniform), 1))
    out[:, free] -= (math.fsum(high) - 1.0) * _flat(uniform[:, free])
    return out


def _from_sides(spread: WeightDistribution, uniform: Floats) -> Floats:
    """Return proposals: all but the widest within their bounds, which takes the rest."""
    low, high = np.array(spread.first), np.array(spread.second)
    widest = int(np.argmax(high - low))
    out: Floats = low + (high - low) * uniform
    out[:, widest] = 0.0
    out[:, widest] = 1.0 - out.sum(axis=1)
    return out


_PROPOSALS: tuple[Proposal, ...] = (_from_below, _from_above, _from_sides)


def _free(spread: WeightDistribution) -> npt.NDArray[np.intp]:
    """Return the criteria whose bounds differ."""
    return np.flatnonzero(np.array(spread.second) > np.array(spread.first))


def _fits(spread: WeightDistribution, weights: Floats) -> npt.NDArray[np.bool_]:
    inside = (weights >= np.array(spread.first)) & (weights <= np.array(spread.second))
    result: npt.NDArray[np.bool_] = np.all(inside, axis=1)
    return result


@lru_cache(maxsize=64)
def _proposal(spread: WeightDistribution) -> tuple[Proposal, float]:
    """Return the proposal that is accepted most, and how often it is."""
    numbers = _Numbers(0, tuple(f"trial {k:06d}" for k in range(spread.count)), np.arange(_TRIALS)).take(0)
    accepted = [int(_fits(spread, propose(spread, numbers)).sum()) for propose in _PROPOSALS]
    best = int(np.argmax(accepted))
    return _PROPOSALS[best], accepted[best] / _TRIALS


def _only(spread: WeightDistribution) -> Floats:
    """Return the one set of weights that is possible."""
    if spread.kind == "fixed":
        return np.array(spread.first)
    low, high = np.array(spread.first), np.array(spread.second)
    room = math.fsum(high - low)
    weights: Floats = low + (high - low) * ((1.0 - math.fsum(low)) / room if room > 0.0 else 0.0)
    return weights
