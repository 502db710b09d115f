"""Update of a map's value by lab results, and the standard deviation of a parcel's mean."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError
from underoak.uncertainty.draws.quantiles import check_sd

Floats = npt.NDArray[np.float64]

_AT_ONCE = 2**21  # pairs of cells


class Posterior(NamedTuple):
    """A value and its standard deviation after lab results."""

    mean: Floats
    sd: Floats


def lab_update(mean: npt.ArrayLike, sd: npt.ArrayLike, results: npt.ArrayLike, error: npt.ArrayLike) -> Posterior:
    """Return a normal value (mean, sd) after results of standard error `error` each, weighted by 1 / variance.

    `mean` and `sd` are of the parcel's mean, not of a point (`sd_of_mean`). results (rows, ...): axis 0 is the rows of
    the laboratory, NaN where there is none; `error` is one number or fits `results`. Their errors count as independent
    of each other and of the map. An error of 0 fixes the value. Normal-normal updating, textbook, derived.

    >>> result = lab_update(7.3, 0.4, [7.8], 0.15)
    >>> float(result.mean.round(3)), float(result.sd.round(4))
    (7.738, 0.1404)

    Raises:
        UnderoakError: E360 when a standard deviation or an error is negative.
    """
    check_sd(sd)
    check_sd(error)
    m, s = np.asarray(mean, np.float64), np.asarray(sd, np.float64)
    rows = np.atleast_1d(np.asarray(results, np.float64))
    errors = np.broadcast_to(np.asarray(error, np.float64), rows.shape)
    there = np.isfinite(rows) & np.isfinite(errors)
    least = np.where(there, errors, np.inf).min(axis=0)  # infinite where there is no row
    weight = np.where(there & (errors == least), 1.0, 0.0)
    np.divide(least, errors, out=weight, where=there & (errors > least))
    weight *= weight
    total_weight = weight.sum(axis=0)
    lab = np.where(total_weight > 0.0, (weight * np.where(there, rows, 0.0)).sum(axis=0), m)
    np.divide(lab, total_weight, out=lab, where=np.broadcast_to(total_weight > 0.0, lab.shape))
    noise = np.divide(least, np.sqrt(total_weight), out=np.full(total_weight.shape, np.inf), where=total_weight > 0.0)
    both = np.hypot(s, noise)
    with np.errstate(invalid="ignore"):
        gain = np.where(both > 0.0, s / both, 0.0) ** 2
        after = np.where(np.isfinite(noise), s * np.where(both > 0.0, noise / both, 1.0), s)
    return Posterior((m + gain * (lab - m))[()], after[()])


def sd_of_mean(
    sd: npt.ArrayLike, x: npt.ArrayLike, y: npt.ArrayLike, correlation_range: float, shares: npt.ArrayLike | None = None
) -> float:
    """Return the standard deviation of the mean over cells whose errors are correlated by exp(-distance / range).

    Cells at x, y [m] (cells,), `sd` of each or one for all, `shares` their weights (areas; equal if left
    out), correlation_range [m], 0 for independent errors. The cells are those of the source: all land in one
    of them shares its error, however fine the analysis grid. Every pair is added up: (cells)**2 steps.
    Exponential covariance, common practice, no source.

    >>> round(sd_of_mean(0.4, [0, 250], [0, 0], 0), 4), round(sd_of_mean(0.4, [0, 250], [0, 0], 800), 4)
    (0.2828, 0.3722)

    Raises:
        UnderoakError: E360 when a standard deviation, a share or the range is negative, or there is nothing to average.
        ValueError: when shapes do not fit.
    """
    check_sd(sd)
    across, down = (np.asarray(v, np.float64).reshape(-1) for v in (x, y))
    weights = np.ones(across.size) if shares is None else np.asarray(shares, np.float64).reshape(-1)
    if not across.size == down.size == weights.size:
        raise ValueError(f"{across.size} x, {down.size} y and {weights.size} shares are not of the same cells")
    if not (correlation_range >= 0.0 and (weights >= 0.0).all() and weights.sum() > 0.0):
        what = "a mean needs cells, shares of 0 or above that are not all 0, and a range of 0 or above"
        raise UnderoakError(Fault("E360", what, fix="give areas as shares, and the range in metres"))
    lever = np.broadcast_to(np.asarray(sd, np.float64), weights.shape) * (weights / weights.sum())
    variance = 0.0
    step = max(1, _AT_ONCE // across.size)
    for i in range(0, across.size, step):
        some = slice(i, i + step)
        distance = np.hypot(across[some, None] - across, down[some, None] - down)
        if correlation_range > 0.0:
            with np.errstate(over="ignore"):
                shared = np.exp(-distance / correlation_range)
        else:
            shared = (distance == 0.0).astype(np.float64)
        variance += float((lever[some, None] * shared * lever).sum())
    return float(np.sqrt(variance))
