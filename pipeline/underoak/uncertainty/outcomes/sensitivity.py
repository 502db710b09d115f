"""Sensitivity of a score: shares of its variance, one input at a time, and weights that would swap two sites."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Score = Callable[[Doubles], npt.ArrayLike]  # (inputs, points) -> (points,)
Difference = Callable[[Sequence[float]], float]  # weights -> score of the first place less that of the second

_EDGE = 2.0**-33  # of the unit interval: a quantile there is 6.3 standard deviations out, and finite
_STEPS, _HALVINGS = 200, 45
_TIE = 1e-9  # changes this near each other are one


@dataclass(frozen=True, slots=True)
class Normal:
    """A normally distributed input."""

    mean: float
    sd: float

    def at(self, share: npt.ArrayLike) -> Doubles:
        """Return its quantiles.

        >>> float(Normal(7.3, 0.4).at(0.5))
        7.3
        """
        from scipy.special import ndtri

        return np.asarray(self.mean + self.sd * ndtri(np.clip(share, _EDGE, 1.0 - _EDGE)), np.float64)


@dataclass(frozen=True, slots=True)
class Uniform:
    """A uniformly distributed input."""

    low: float
    high: float

    def at(self, share: npt.ArrayLike) -> Doubles:
        """Return its quantiles.

        >>> float(Uniform(2.0, 4.0).at(0.25))
        2.5
        """
        return np.asarray(self.low + (self.high - self.low) * np.asarray(share, np.float64), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class SobolIndices:
    """A score's shares of variance by input, (inputs,), and the standard errors of these estimates."""

    first: Doubles  # what knowing this input alone would take away
    total: Doubles  # what would be left if all others were known
    first_error: Doubles
    total_error: Doubles
    mean: float  # of the score
    variance: float


def sobol_indices(
    score: Score, inputs: Sequence[Normal | Uniform], points: int = 1024, repeats: int = 8, seed: int = 1
) -> SobolIndices:
    """Return the first-order and total Sobol' indices of a score of independent inputs.

    First order by the estimator of Saltelli et al. (2010), mean of f(B) (f(AB) - f(A)); total by that of Jansen (1999),
    mean of (f(A) - f(AB))**2 / 2; both over the variance (formulas from memory). A and B are the halves of scrambled
    Sobol' points, new for each of the `repeats`. Results are the mean of the repeats and its standard error. That takes
    points x repeats x (inputs + 2) scores. Small indices may come out a little below 0. A score without variance has
    indices of 0.

    >>> indices = sobol_indices(lambda x: 0.5 * x[0] + 0.3 * x[1] + 0.2 * x[2], [Uniform(0, 1)] * 3)
    >>> indices.first.round(2).tolist(), indices.total.round(2).tolist()
    ([0.66, 0.24, 0.11], [0.66, 0.24, 0.11])

    Args:
        score: takes (inputs, points), gives (points,), finite.
        inputs: how each is distributed.
        points: in each repeat, a power of 2.
        repeats: 2 or more.
        seed: of the scrambling.

    Raises:
        ValueError: for numbers out of bounds, and for scores that are not finite or not one for each point.
    """
    if not inputs or repeats < 2 or points < 2 or points & (points - 1):
        raise ValueError("inputs are needed, 2 repeats or more, and a power of 2 for points")
    n, d = points, len(inputs)
    parts = np.empty((repeats, 2, d))
    means, variances = np.empty(repeats), np.empty(repeats)
    for repeat in range(repeats):
        shares = _sobol_points(2 * d, n, (seed, repeat))
        a, b = (np.array([one.at(u) for one, u in zip(inputs, half, strict=True)]) for half in (shares[:d], shares[d:]))
        f_a, f_b = _scored(score, a, n), _scored(score, b, n)
        both = np.concatenate([f_a, f_b])
        means[repeat], variances[repeat] = both.mean(), both.var()
        for i in range(d):
            mixed = a.copy()
            mixed[i] = b[i]
            f_ab = _scored(score, mixed, n)
            parts[repeat, 0, i] = np.mean((f_b - means[repeat]) * (f_ab - f_a))
            parts[repeat, 1, i] = np.mean((f_a - f_ab) ** 2) / 2.0
    variance = float(variances.mean())
    if not variance > 1e-24 * max(float(np.abs(means).max()) ** 2, 1e-12):
        nothing = np.zeros(d)
        return SobolIndices(nothing, nothing, nothing, nothing, float(means.mean()), 0.0)
    parts /= variance
    errors = parts.std(axis=0, ddof=1) / math.sqrt(repeats)
    first, total = parts.mean(axis=0)
    return SobolIndices(first, total, errors[0], errors[1], float(means.mean()), variance)


def _sobol_points(dimensions: int, n: int, seed: tuple[int, int]) -> Doubles:
    from scipy.stats import qmc

    source = np.random.default_rng(seed)
    try:
        points = qmc.Sobol(dimensions, scramble=True, rng=source)
    except TypeError:  # its name before SciPy 1.15
        points = qmc.Sobol(dimensions, scramble=True, seed=source)
    return np.ascontiguousarray(points.random(n).T)


def _scored(score: Score, inputs: Doubles, n: int) -> Doubles:
    scores = np.asarray(score(inputs), np.float64)
    if scores.shape != (n,) or not np.isfinite(scores).all():
        raise ValueError(f"a score gives one finite number for each of {n} points, not {scores.shape}")
    return scores


def one_at_a_time(score: Score, inputs: Sequence[Normal | Uniform], low: float = 0.05, high: float = 0.95) -> Doubles:
    """Return the score with each input at its `low` and `high` quantile, the others at their middle, (inputs, 2).

    It ignores interactions of inputs; `sobol_indices` includes them. Common practice, no source.

    >>> one_at_a_time(lambda x: x[0] + 2 * x[1], [Uniform(0, 1), Uniform(0, 1)]).round(6).tolist()
    [[1.05, 1.95], [0.6, 2.4]]

    Raises:
        ValueError: as in `sobol_indices`.
    """
    d = len(inputs)
    middle = np.array([float(one.at(0.5)) for one in inputs])
    places = np.repeat(middle[:, None], 2 * d, axis=1)
    for i, one in enumerate(inputs):
        places[i, 2 * i : 2 * i + 2] = one.at((low, high))
    return _scored(score, places, 2 * d).reshape(d, 2)


@dataclass(frozen=True, slots=True)
class WeightChange:
    """A change of one weight, the least that makes two sites equal; the others keep their proportions."""

    criterion: int
    weight: float  # that it would need
    change: float  # from what it is
    weights: tuple[float, ...]  # all of them, then

    @property
    def total_change(self) -> float:
        """Return the sum of all changes, up and down: twice that of the one weight."""
        return 2.0 * abs(self.change)


def smallest_weight_change(
    first: Sequence[float], second: Sequence[float], weights: Sequence[float]
) -> WeightChange | None:
    """Return the least weight change that makes two sites equal under the linear rule, exactly; None if there is none.

    first, second: memberships of the two sites (times the share that is not excluded, where ranks count that). Of
    criterion k with difference d, and D of the others' by their proportions, the weight is D / (D - d). The least
    change along one criterion is least in the sum of changes too. Of equal ones the first in plan order.

    >>> change = smallest_weight_change([0.9, 0.4], [0.5, 0.7], [0.6, 0.4])
    >>> change.criterion, round(change.weight, 6), round(change.change, 6)
    (0, 0.428571, -0.171429)

    Raises:
        ValueError: when there is not one membership of each place for each weight, or the weights do not sum to 1.
    """
    w, one, other = _checked(weights), np.asarray(first, np.float64), np.asarray(second, np.float64)
    if not one.shape == other.shape == w.shape:
        raise ValueError(f"{w.size} weights for memberships {one.shape} and {other.shape}")
    gap = one - other
    levels = []
    for k in range(w.size):
        rest = 1.0 - w[k]
        if rest <= 0.0:
            continue  # the others have no proportions
        others = float(np.delete(w * gap, k).sum()) / rest
        if others == gap[k]:
            if others == 0.0:
                levels.append((k, float(w[k])))
            continue
        level = float(others / (others - gap[k]))
        if 0.0 <= level <= 1.0:
            levels.append((k, level))
    return _least(levels, w)


def smallest_weight_change_of(difference: Difference, weights: Sequence[float]) -> WeightChange | None:
    """Return `smallest_weight_change` for any rule; `difference` is the lead of the first site with given weights.

    Each weight is moved down and up in steps of a two hundredth of its way, and the first step in which the difference
    passes 0 is halved down to twelve digits; two crossings within one step are missed.

    >>> m, n = np.array([0.9, 0.4]), np.array([0.5, 0.7])
    >>> change = smallest_weight_change_of(lambda w: float(np.prod(m**w) - np.prod(n**w)), [0.6, 0.4])
    >>> change.criterion, round(change.weight, 6)  # log(7/4) / (log(7/4) + log(9/5))
    (0, 0.487724)

    Raises:
        ValueError: when the weights do not sum to 1.
    """
    w = _checked(weights)
    now = difference(tuple(w.tolist()))
    levels: list[tuple[int, float]] = []
    least = 1.0
    for k in range(w.size):
        if w[k] >= 1.0:
            continue
        for end in (0.0, 1.0):
            level = _crossing(difference, w, k, end, now, least)
            if level is not None:
                levels.append((k, level))
                least = min(least, abs(level - float(w[k])))
    return _least(levels, w)


def _crossing(difference: Difference, w: Doubles, k: int, end: float, now: float, least: float) -> float | None:
    """Return the nearest weight of criterion k towards `end` at which the difference is 0; None beyond `least`."""
    before = start = float(w[k])
    if now == 0.0:
        return start
    for step in range(1, _STEPS + 1):
        there = end if step == _STEPS else start + (end - start) * step / _STEPS  # rounding must not pass the end
        if there == before or abs(before - start) > least + _TIE:
            return None
        if difference(_moved(w, k, there)) * now <= 0.0:
            near, far = before, there
            for _ in range(_HALVINGS):
                middle = (near + far) / 2.0
                near, far = (middle, far) if difference(_moved(w, k, middle)) * now > 0.0 else (near, middle)
            return far
        before = there
    return None


def _moved(w: Doubles, k: int, weight: float) -> tuple[float, ...]:
    moved = w * ((1.0 - weight) / (1.0 - w[k]))
    moved[k] = weight
    return tuple(moved.tolist())


def _least(levels: Sequence[tuple[int, float]], w: Doubles) -> WeightChange | None:
    if not levels:
        return None
    changes = [abs(level - float(w[k])) for k, level in levels]
    k, level = next(one for one, change in zip(levels, changes, strict=True) if change <= min(changes) + _TIE)
    return WeightChange(k, level, float(level - w[k]), _moved(w, k, level))


def _checked(weights: Sequence[float]) -> Doubles:
    w = np.asarray(weights, np.float64)
    if w.ndim != 1 or not w.size or not (w >= 0.0).all() or abs(math.fsum(w) - 1.0) > 1e-9:
        raise ValueError("weights are 0 or above and sum to 1")
    return w
