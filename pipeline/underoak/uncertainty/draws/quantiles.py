"""Quantiles of a map: the probability that a value is reached, and the value at a probability."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]
Limits = tuple[float, float]

ANY: Limits = (-math.inf, math.inf)


def probability_at_least(
    levels: Sequence[float], values: npt.ArrayLike, threshold: npt.ArrayLike, limits: Limits = ANY
) -> Values:
    """Return the probability that cells are `threshold` or more, from values (quantiles, ...) at levels (quantiles,).

    The normal score is linear between the points (value, score of its level) and beyond the outer two (normal-score
    interpolation, common practice). Values are limited to `limits`, the physically possible: at the lower limit
    or below it the probability is 1, above the upper one 0.

    Equal quantiles at neighbouring levels are a share of the land with exactly this value: the probability steps
    there, and the value itself counts as reached; at the ends, all beyond has that value. Where quantiles cross (a
    higher level has a lower value; `crossing` shows where) or one is missing, the result is NaN; nothing is sorted.
    Such quantiles describe points at the grain of the map, not the mean of a field.

    `threshold` is one number, or an array that fits the cells. Computed in float64; float32 quantiles give a float32
    result and meet the threshold as float32, so that a stored 7.1 reaches 7.1.

    >>> float(probability_at_least([0.05, 0.5, 0.95], [6.8, 7.4, 8.0], 7.5).round(6))
    0.391988
    >>> probability_at_least([0.05, 0.95], [[6.8, 7.0], [8.0, 6.0]], 7.4).round(3)
    array([0.5, nan])

    Raises:
        UnderoakError: E360 levels that do not rise within 0..1, fewer than two, limits that do not rise.
        ValueError: when there is not one row of values for each level, or shapes do not fit.
    """
    scores, stack = _points(levels, values, limits)
    t = np.asarray(threshold, stack.dtype)
    shape = np.broadcast_shapes(stack.shape[1:], t.shape)
    if shape != stack.shape[1:]:
        stack = np.broadcast_to(_spread(stack, len(shape)), (len(stack), *shape))
    flat = np.ascontiguousarray(stack).reshape(len(stack), -1)
    wanted = t.reshape(1) if t.size == 1 else np.ascontiguousarray(np.broadcast_to(t, shape)).reshape(-1)
    out = np.empty(flat.shape[1], stack.dtype)
    from underoak.uncertainty.draws import quantile_kernels

    quantile_kernels.at_least(scores, flat, wanted, *limits, out)
    result: Values = out.reshape(shape)[()]
    return result


def value_at_score(
    levels: Sequence[float], values: npt.ArrayLike, scores: npt.ArrayLike, limits: Limits = ANY
) -> Values:
    """Return the value of each cell at normal scores, on the same curve as `probability_at_least`.

    values (quantiles, ...) and `scores` that fit the cells, more leading axes allowed, such as (draws, ...). NaN where
    quantiles cross or are missing, and where the score is NaN.

    >>> value_at_score([0.05, 0.5, 0.95], [6.5, 7.4, 7.8], [-1.6448536269514722, 0.0, 0.8224268134757361])
    array([6.5, 7.4, 7.6])

    Raises:
        UnderoakError: E360 as in `probability_at_least`.
        ValueError: when there is not one row of values for each level, or shapes do not fit.
    """
    at, stack = _points(levels, values, limits)
    z = np.asarray(scores)
    z = np.asarray(z, z.dtype if z.dtype in (np.float32, np.float64) else np.float64)
    cells = stack.shape[1:]
    shape = np.broadcast_shapes(cells, z.shape)
    if shape[len(shape) - len(cells) :] != cells:
        stack = np.broadcast_to(_spread(stack, len(shape)), (len(stack), *shape))
        cells = shape
    flat = np.ascontiguousarray(stack).reshape(len(stack), -1)
    drawn = np.ascontiguousarray(np.broadcast_to(z, shape)).reshape(-1, flat.shape[1])
    out = np.empty(drawn.shape, stack.dtype)
    from underoak.uncertainty.draws import quantile_kernels

    quantile_kernels.value_at(at, flat, drawn, *limits, out)
    result: Values = out.reshape(shape)[()]
    return result


def quantile_at(levels: Sequence[float], values: npt.ArrayLike, p: npt.ArrayLike, limits: Limits = ANY) -> Values:
    """Return the value that each cell stays below with probability p: the inverse of `probability_at_least`.

    >>> float(quantile_at([0.05, 0.5, 0.95], [6.8, 7.4, 8.0], 1 - 0.391988).round(5))
    7.5

    Raises:
        UnderoakError: E360 as in `probability_at_least`.
        ValueError: when there is not one row of values for each level, or shapes do not fit.
    """
    from scipy.special import ndtri

    return value_at_score(levels, values, ndtri(np.asarray(p, np.float64)), limits)


def normal_at_least(
    mean: npt.ArrayLike, sd: npt.ArrayLike, threshold: npt.ArrayLike, limits: Limits = ANY
) -> npt.NDArray[np.float64]:
    """Return the probability that a normal value is `threshold` or more, from mean and sd; NaN stays NaN.

    sd 0 is certainty: 1 where the mean is the threshold or more.

    >>> normal_at_least([7.3, 7.738], [0.4, 0.1404], 7.5).round(4)
    array([0.3085, 0.955 ])

    Raises:
        UnderoakError: E360 when a standard deviation is negative, or the limits do not rise.
    """
    check_limits(limits)
    m, s, t = np.broadcast_arrays(*(np.asarray(v, np.float64) for v in (mean, sd, threshold)))
    check_sd(s)
    from scipy.special import ndtr

    is_valid = np.isfinite(m) & np.isfinite(s) & ~np.isnan(t)
    gap = np.subtract(m, t, out=np.full(m.shape, np.nan), where=is_valid)
    sure = np.where(gap >= 0.0, np.inf, -np.inf)
    with np.errstate(over="ignore"):
        z = np.divide(gap, s, out=sure, where=is_valid & (s > 0.0))
    probability = np.where(t <= limits[0], 1.0, np.where(t > limits[1], 0.0, ndtr(z)))
    result: npt.NDArray[np.float64] = np.where(is_valid, probability, np.nan)[()]
    return result


def crossing(values: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Return where quantiles (quantiles, ...) cross, in order of levels: a higher level has a lower value.

    >>> crossing([[6.8, 7.0, 6.8], [8.0, 6.0, float("nan")]])
    array([False,  True, False])
    """
    stack = np.asarray(values)
    known = np.isfinite(stack).all(axis=0)
    result: npt.NDArray[np.bool_] = known & (stack[1:] < stack[:-1]).any(axis=0)
    return result


def check_levels(levels: Sequence[float]) -> Floats:
    """Return the levels as an array, if there are two or more and they rise between 0 and 1, ends excluded.

    Raises:
        UnderoakError: E360 otherwise.
    """
    problems = Problems()
    listing = ", ".join(f"{level:g}" for level in levels)
    if len(levels) < 2:
        what = f"one quantile ({listing}) states no uncertainty" if len(levels) else "no quantiles"
        problems.add("E360", what, fix="give two or more, for example 0.05 and 0.95")
    elif not all(0.0 < level < 1.0 for level in levels):
        problems.add("E360", f"levels {listing} must lie between 0 and 1", fix="write 0.05 for the 5 % quantile")
    elif any(b <= a for a, b in pairwise(levels)):
        problems.add("E360", f"levels {listing} must rise", fix="order the quantiles from low to high, each once")
    problems.stop_if_any()
    return np.array(levels, np.float64)


def check_limits(limits: Limits) -> None:
    """Raise E360 unless the limits rise (infinite ones are none)."""
    if not limits[0] < limits[1]:
        problems = Problems()
        what = f"limits {limits[0]:g} and {limits[1]:g} must rise"
        problems.add("E360", what, fix="give the least possible value first, then the greatest")
        problems.stop_if_any()


def check_sd(sd: npt.ArrayLike) -> None:
    """Raise E360 if a standard deviation is negative; NaN is missing."""
    worst = float(np.fmin.reduce(np.asarray(sd, np.float64), axis=None, initial=0.0))
    if worst < 0.0:
        problems = Problems()
        problems.add("E360", f"a standard deviation cannot be {worst:g}", fix="give a number that is 0 or above")
        problems.stop_if_any()


def _points(levels: Sequence[float], values: npt.ArrayLike, limits: Limits) -> tuple[Floats, Values]:
    """Return the scores of the levels, and the values as float32 or float64."""
    p = check_levels(levels)
    check_limits(limits)
    stack = np.asarray(values)
    stack = np.asarray(stack, stack.dtype if stack.dtype in (np.float32, np.float64) else np.float64)
    if stack.ndim == 0 or len(stack) != len(p):
        raise ValueError(f"values are {stack.shape}, but there are {len(p)} levels")
    from scipy.special import ndtri

    return ndtri(p), stack


def _spread(stack: Values, ndim: int) -> Values:
    """Add axes of length 1 behind that of the quantiles, so that the cells have `ndim` axes."""
    return stack.reshape(len(stack), *(1,) * (ndim + 1 - stack.ndim), *stack.shape[1:])
