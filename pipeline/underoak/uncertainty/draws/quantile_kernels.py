"""Kernels for quantile curves: a value from a normal score, and the score of a value.

A curve is straight between its points (score of the level, quantile) and goes on straight beyond the last; two equal
quantiles stand for a share of the land that has exactly this value, at the ends for all that lies beyond.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled_no_refcount
from underoak.uncertainty.draws.normal import cdf

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]

SOUND, MISSING, CROSSING = range(3)


@compiled_no_refcount
def state(curve: Values) -> int:
    """Return the state of one cell's quantiles: sound, one missing, or crossing (a higher level has a lower value)."""
    result = SOUND
    for j in range(curve.size):
        if not np.isfinite(curve[j]):
            return MISSING
        if j > 0 and curve[j] < curve[j - 1]:
            result = CROSSING
    return result


@compiled_no_refcount
def value_of(scores: Floats, curve: Values, z: float, low: float, high: float) -> float:
    """Return the value at normal score z on the curve of a sound cell, limited to low..high."""
    j = 1
    while j < scores.size - 1 and z > scores[j]:
        j += 1
    a, b = np.float64(curve[j - 1]), np.float64(curve[j])
    x = a + (z - scores[j - 1]) * ((b - a) / (scores[j] - scores[j - 1])) if b > a else a
    return min(max(x, low), high) if z == z else np.nan


@compiled_no_refcount
def score_of(scores: Floats, curve: Values, t: float) -> float:
    """Return the normal score that values below t stay under; infinite where none or all are below."""
    last = scores.size - 1
    if t > curve[last]:
        j = last
        if curve[j] == curve[j - 1]:
            return np.inf
    else:
        j = 0
        while curve[j] < t:
            j += 1
        if j == 0:
            if curve[1] == curve[0]:
                return -np.inf
            j = 1
            a, b = np.float64(curve[0]), np.float64(curve[1])
            return float(scores[0] - (a - t) * ((scores[1] - scores[0]) / (b - a)))
    a, b = np.float64(curve[j - 1]), np.float64(curve[j])
    return float(scores[j] - (b - t) * ((scores[j] - scores[j - 1]) / (b - a)))


@compiled_no_refcount
def at_least(scores: Floats, values: Values, t: Values, low: float, high: float, out: Values) -> int:
    """Write the probability that cells of `values` (quantiles, cells) are t or more; return how many cross.

    t holds one threshold for all cells or one for each; NaN where quantiles are missing or cross.
    """
    crossing = 0
    for i in range(out.size):
        quality = state(values[:, i])
        crossing += int(quality == CROSSING)
        limit = np.float64(t[i] if t.size > 1 else t[0])
        if quality != SOUND or limit != limit:
            out[i] = np.nan
        elif limit <= low:
            out[i] = 1.0
        elif limit > high:
            out[i] = 0.0
        else:
            out[i] = cdf(-score_of(scores, values[:, i], limit))
    return crossing


@compiled_no_refcount
def value_at(scores: Floats, values: Values, z: Values, low: float, high: float, out: Values) -> None:
    """Write cells (quantiles, cells) at normal scores z (draws, cells); NaN where quantiles cross or are missing."""
    for d in range(z.shape[0]):
        for i in range(z.shape[1]):
            sound = state(values[:, i]) == SOUND
            out[d, i] = value_of(scores, values[:, i], np.float64(z[d, i]), low, high) if sound else np.nan
