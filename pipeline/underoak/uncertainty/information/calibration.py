"""Calibration of a map's uncertainty: how many soil tests fall inside the band it gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Finding = Literal["too few tests", "too narrow", "fits", "too wide"]

FEWEST = 20  # tests; with fewer, the interval of the share says next to nothing; common practice, no source


@dataclass(frozen=True, slots=True)
class Coverage:
    """A comparison of soil tests with a map's band."""

    tests: int  # that could be compared
    inside: int
    expected: float  # share that should lie inside
    low: float  # interval of the share that would lie inside, were there many tests
    high: float
    finding: Finding
    inflation: float | None  # factor on the map's standard deviation; 1 where the band fits, None with too few tests

    @property
    def share(self) -> float:
        """Return the share of tests that lie inside; NaN without tests."""
        return self.inside / self.tests if self.tests else math.nan


def wilson(hits: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the interval of a share of which `hits` of `n` were seen. Wilson (1927), from memory.

    >>> [round(end, 6) for end in wilson(8, 10)]
    [0.490162, 0.943318]
    >>> wilson(0, 0)
    (0.0, 1.0)

    Raises:
        ValueError: when there are more hits than cases, or fewer than none, or the confidence is not between 0 and 1.
    """
    if not (0 <= hits <= n and 0.0 < confidence < 1.0):
        raise ValueError(f"{hits} of {n} at confidence {confidence} cannot be")
    if n == 0:
        return 0.0, 1.0
    z = _score(confidence)
    share, spread = hits / n, z * z / n
    middle = (share + spread / 2.0) / (1.0 + spread)
    half = math.sqrt(share * (1.0 - share) * spread + spread * spread / 4.0) / (1.0 + spread)
    low = 0.0 if hits == 0 else middle - half
    high = 1.0 if hits == n else middle + half
    return low, high


def band_coverage(
    tests: npt.ArrayLike,
    low: npt.ArrayLike,
    middle: npt.ArrayLike,
    high: npt.ArrayLike,
    test_sd: npt.ArrayLike = 0.0,
    expected: float = 0.9,
    confidence: float = 0.95,
) -> Coverage:
    """Return how many tests lie in the map's central band, whether too few or too many, and the inflation it needs.

    low, middle, high: the map's quantiles where each test was taken, the band for `expected`; `test_sd`: error of
    the tests; all (tests,) or one for all, in one unit. Rows with a NaN are left out. Each side of the band is widened
    by the test's own error as variances add. The band is too narrow when even the upper end of the interval (Wilson) of
    the share inside lies below `expected`, too wide when the lower end lies above.

    The inflation is the least factor on the map's standard deviation with which `expected` of the tests lie inside.
    Tests near one another are not independent, which the interval ignores. Where a test is of one point, the
    band must be that of points, not of averages. Common practice, no source.

    >>> result = band_coverage([6.9, 7.4, 8.3] * 10, 7.2, 7.5, 7.8)
    >>> result.finding, result.inside, round(result.inflation, 3)
    ('too narrow', 10, 2.667)

    Raises:
        ValueError: when shapes do not fit, the band is crossed, or an error is negative.
    """
    columns = (np.asarray(column, np.float64) for column in (tests, low, middle, high, test_sd))
    value, below, centre, above, error = np.broadcast_arrays(*columns)
    if value.ndim != 1:
        raise ValueError(f"tests are (tests,), not {value.shape}")
    is_valid = ~np.isnan([value, below, centre, above, error]).any(axis=0)
    value, below, centre, above, error = (column[is_valid] for column in (value, below, centre, above, error))
    if (below > centre).any() or (centre > above).any() or (error < 0.0).any():
        raise ValueError("quantiles must rise from low to high, and errors be 0 or above")
    off = value - centre
    half = np.where(off < 0.0, centre - below, above - centre)
    test_half = _score(expected) * error
    inside = int(np.count_nonzero(off**2 <= half**2 + test_half**2 + 1e-12))
    n = len(value)
    ends = wilson(inside, n, confidence)
    finding: Finding = "fits"
    if n < FEWEST:
        finding = "too few tests"
    elif ends[1] < expected:
        finding = "too narrow"
    elif ends[0] > expected:
        finding = "too wide"
    inflation = None if n < FEWEST else 1.0 if finding == "fits" else _factor(off, half, test_half, expected)
    return Coverage(n, inside, expected, *ends, finding, inflation)


def cells_per_parcel(area_ha: float, grain_m: float) -> float:
    """Return the size of a parcel in source cells; below 1 a cell covers more land than the parcel.

    area_ha: of the parcel [ha]; grain_m: side of a cell that the source truly resolves [m].

    >>> cells_per_parcel(3.0, 250.0)
    0.48

    Raises:
        ValueError: when the grain is not above 0.
    """
    if not grain_m > 0.0:
        raise ValueError(f"a grain of {grain_m} m cannot be")
    return area_ha * 10_000.0 / grain_m**2


def _score(share: float) -> float:
    """Return the normal score that a central band of this share reaches to."""
    from scipy.special import ndtri

    return float(ndtri(0.5 + share / 2.0))


def _factor(off: Doubles, half: Doubles, test_half: Doubles, expected: float) -> float:
    """Return the least factor on `half` with `expected` of the tests inside; infinite where a band has no width."""
    beyond = np.sqrt(np.maximum(off**2 - test_half**2, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = np.where(beyond > 0.0, beyond / half, 0.0)
    return float(np.sort(needed)[math.ceil(expected * len(needed) - 1e-9) - 1])
