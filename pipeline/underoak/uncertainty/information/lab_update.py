"""Update of a map's value by lab results."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.uncertainty.draws.quantiles import check_sd

Floats = npt.NDArray[np.float64]


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
