"""Soil points of a parcel: those that leave the least uncertainty about its mean."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Longs = npt.NDArray[np.int64]

TEST_ERROR = 0.1  # variance of a test beside that of the soil from place to place; common practice, no source
_TIE = 1e-9  # gains this near each other are one: rounding must not choose
_AT_ONCE = 256


@dataclass(frozen=True, slots=True, eq=False)
class PointChoice:
    """A choice of points in order: the first k are the choice of k."""

    indices: Longs  # of the candidates, (points,)
    remaining: Doubles  # variance of the mean after each point, as a share of that before any, (points,)


def choose_points(
    candidates: npt.ArrayLike,
    area: npt.ArrayLike,
    n: int,
    correlation_range: float,
    test_error: float = TEST_ERROR,
    spacing: float = 0.0,
    strata: npt.ArrayLike | None = None,
    area_strata: npt.ArrayLike | None = None,
) -> PointChoice:
    """Choose points of a parcel, each where it lowers the variance of the parcel's mean most.

    The soil is modelled as a field whose covariance falls as exp(-distance / range); its mean is taken over `area`,
    and each point is tested once. One after the other is chosen, best first (Cressie 1993, from memory, for variances
    of block means; choosing one at a time is common practice, no source). Of equal ones the nearest to the middle of
    the area, then the first. Points of different strata are independent, so that each large stratum gets a point.

    Args:
        candidates: where a point may lie [m], (candidates, 2).
        area: points spread evenly over the parcel [m], (points, 2).
        n: how many points; fewer if `spacing` allows no more.
        correlation_range: e-folding length [m], above 0.
        test_error: variance of one test, as a share of the soil's own variance; 0 or above.
        spacing: least distance of two points [m].
        strata: the soil unit of each candidate, as integers, (candidates,).
        area_strata: the same for the area, (points,); required with `strata`.

    >>> x = np.arange(5.0, 100.0, 10.0)
    >>> square = np.array([(a, b) for b in x for a in x])
    >>> chosen = choose_points(square, square, 3, 800.0, spacing=10.0)
    >>> square[chosen.indices[0]].tolist()
    [45.0, 45.0]
    >>> bool((np.diff(chosen.remaining) < 0).all())
    True

    Raises:
        ValueError: when shapes do not fit, there are no candidates, or a number is out of bounds.
    """
    points, point_soil = _places(candidates, strata, "candidates")
    area_points, area_point_soil = _places(area, area_strata, "area")
    if (strata is None) != (area_strata is None):
        raise ValueError("strata are given for the candidates and the area, or for neither")
    if not (0.0 < correlation_range < math.inf and 0.0 <= test_error < math.inf and spacing >= 0.0 and n >= 0):
        raise ValueError("n, test_error and spacing are 0 or above, and the range is above 0")
    covariance = _mean_covariance(points, point_soil, area_points, area_point_soil, correlation_range)
    prior_variance = float(
        _mean_covariance(area_points, area_point_soil, area_points, area_point_soil, correlation_range).mean()
    )
    variance = np.ones(len(points))  # variance of each candidate
    from_middle = np.hypot(*(points - area_points.mean(axis=0)).T)
    free = np.ones(len(points), np.bool_)
    shifts = np.empty((min(n, len(points)), len(points)))  # what each chosen point shows of every candidate
    indices: list[int] = []
    shares_left: list[float] = []
    remaining = prior_variance
    while len(indices) < n and free.any():
        gains = np.where(free, covariance**2 / np.maximum(variance + test_error, _TIE), -1.0)
        tied = np.flatnonzero(gains >= gains.max() * (1.0 - _TIE))
        middle = from_middle[tied]
        best = int(tied[np.flatnonzero(middle <= middle.min() + _TIE * correlation_range)[0]])
        distances = np.hypot(*(points - points[best]).T)
        shared = np.where(point_soil == point_soil[best], np.exp(-distances / correlation_range), 0.0)
        for row in shifts[: len(indices)]:
            shared -= row[best] * row
        spread = math.sqrt(max(variance[best] + test_error, _TIE))
        shift = shared / spread
        remaining -= float(covariance[best] / spread) ** 2
        covariance = covariance - shift * (covariance[best] / spread)
        variance = np.maximum(variance - shift**2, 0.0)
        shifts[len(indices)] = shift
        indices.append(best)
        shares_left.append(max(remaining, 0.0) / prior_variance)
        free &= distances >= spacing * (1.0 - _TIE)
        free[best] = False
    return PointChoice(np.array(indices, np.int64), np.array(shares_left))


def _places(given: npt.ArrayLike, strata: npt.ArrayLike | None, what: str) -> tuple[Doubles, Longs]:
    places = np.asarray(given, np.float64)
    if places.ndim != 2 or places.shape[1] != 2 or not len(places) or not np.isfinite(places).all():
        raise ValueError(f"{what} are (places, 2), finite, and at least one; not {places.shape}")
    soil = np.zeros(len(places), np.int64) if strata is None else np.asarray(strata, np.int64)
    if soil.shape != (len(places),):
        raise ValueError(f"one stratum for each of the {len(places)} {what}, not {soil.shape}")
    return places, soil


def _mean_covariance(places: Doubles, soil: Longs, area: Doubles, area_soil: Longs, length: float) -> Doubles:
    """Return the covariance of each point with the mean over an area, (points,)."""
    covariance = np.empty(len(places))
    for begin in range(0, len(places), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        away = np.hypot(places[part, None, 0] - area[:, 0], places[part, None, 1] - area[:, 1])
        covariance[part] = np.where(soil[part, None] == area_soil, np.exp(-away / length), 0.0).mean(axis=1)
    return covariance
