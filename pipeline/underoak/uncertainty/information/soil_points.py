"""Where to take soil in a parcel: the points that leave the least doubt about its mean."""

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
    """Points in the order they were chosen: the first k are the choice of k."""

    at: Longs  # which of the candidates, (points,)
    left: Doubles  # variance of the parcel's mean that is left after each, as a share of that before any, (points,)


def choose_points(
    candidates: npt.ArrayLike,
    ground: npt.ArrayLike,
    n: int,
    correlation_range: float,
    test_error: float = TEST_ERROR,
    spacing: float = 0.0,
    strata: npt.ArrayLike | None = None,
    ground_strata: npt.ArrayLike | None = None,
) -> PointChoice:
    """Points of a parcel, each taken where it brings the variance of the parcel's mean down most.

    The soil is thought of as a field whose covariance falls as exp(-distance / range); its mean is taken over `ground`,
    and each point is tested once. One after the other is chosen, best first (Cressie 1993, from memory, for variances
    of block means; choosing one at a time is common practice, no source). Equal ones: the nearest to the middle of the
    ground, then the first. Places of different strata tell nothing of each other, so that each large one gets a point.

    Args:
        candidates: where a point may lie [m], (candidates, 2).
        ground: places spread evenly over the parcel [m], (places, 2).
        n: how many points; fewer come back when `spacing` leaves no room for more.
        correlation_range: e-folding length [m], above 0.
        test_error: variance of one test, as a share of the soil's own variance; 0 or above.
        spacing: least distance of two points [m].
        strata: which soil each candidate lies in, as whole numbers, (candidates,).
        ground_strata: the same for the ground, (places,); given when `strata` is.

    >>> x = np.arange(5.0, 100.0, 10.0)
    >>> square = np.array([(a, b) for b in x for a in x])
    >>> chosen = choose_points(square, square, 3, 800.0, spacing=10.0)
    >>> square[chosen.at[0]].tolist()
    [45.0, 45.0]
    >>> bool((np.diff(chosen.left) < 0).all())
    True

    Raises:
        ValueError: when shapes do not fit, nothing is given to choose from, or a number is out of its bounds.
    """
    places, soil = _places(candidates, strata, "candidates")
    area, area_soil = _places(ground, ground_strata, "ground")
    if (strata is None) != (ground_strata is None):
        raise ValueError("strata are given for the candidates and the ground, or for neither")
    if not (0.0 < correlation_range < math.inf and 0.0 <= test_error < math.inf and spacing >= 0.0 and n >= 0):
        raise ValueError("n, test_error and spacing are 0 or above, and the range is above 0")
    toward = _mean_covariance(places, soil, area, area_soil, correlation_range)  # with the parcel's mean
    whole = float(_mean_covariance(area, area_soil, area, area_soil, correlation_range).mean())
    own = np.ones(len(places))  # variance of each candidate
    off_middle = np.hypot(*(places - area.mean(axis=0)).T)
    free = np.ones(len(places), np.bool_)
    known = np.empty((min(n, len(places)), len(places)))  # what each chosen point tells of every candidate
    at: list[int] = []
    left: list[float] = []
    remaining = whole
    while len(at) < n and free.any():
        gains = np.where(free, toward**2 / np.maximum(own + test_error, _TIE), -1.0)
        tied = np.flatnonzero(gains >= gains.max() * (1.0 - _TIE))
        middle = off_middle[tied]
        best = int(tied[np.flatnonzero(middle <= middle.min() + _TIE * correlation_range)[0]])
        away = np.hypot(*(places - places[best]).T)
        shared = np.where(soil == soil[best], np.exp(-away / correlation_range), 0.0)
        for row in known[: len(at)]:
            shared -= row[best] * row
        spread = math.sqrt(max(own[best] + test_error, _TIE))
        told = shared / spread
        remaining -= float(toward[best] / spread) ** 2
        toward = toward - told * (toward[best] / spread)
        own = np.maximum(own - told**2, 0.0)
        known[len(at)] = told
        at.append(best)
        left.append(max(remaining, 0.0) / whole)
        free &= away >= spacing * (1.0 - _TIE)
        free[best] = False
    return PointChoice(np.array(at, np.int64), np.array(left))


def _places(given: npt.ArrayLike, strata: npt.ArrayLike | None, what: str) -> tuple[Doubles, Longs]:
    places = np.asarray(given, np.float64)
    if places.ndim != 2 or places.shape[1] != 2 or not len(places) or not np.isfinite(places).all():
        raise ValueError(f"{what} are (places, 2), finite, and at least one; not {places.shape}")
    soil = np.zeros(len(places), np.int64) if strata is None else np.asarray(strata, np.int64)
    if soil.shape != (len(places),):
        raise ValueError(f"one stratum for each of the {len(places)} {what}, not {soil.shape}")
    return places, soil


def _mean_covariance(places: Doubles, soil: Longs, area: Doubles, area_soil: Longs, length: float) -> Doubles:
    """Covariance of each place with the mean over an area, (places,)."""
    made = np.empty(len(places))
    for begin in range(0, len(places), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        away = np.hypot(places[part, None, 0] - area[:, 0], places[part, None, 1] - area[:, 1])
        made[part] = np.where(soil[part, None] == area_soil, np.exp(-away / length), 0.0).mean(axis=1)
    return made
