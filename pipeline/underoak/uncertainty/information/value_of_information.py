"""Value of a soil test before it is taken."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.uncertainty.draws.quantiles import check_sd

Floats = npt.NDArray[np.float64]

_GRID = 512  # equal shares of the normal over which conditional means are averaged
_DEGREE = 6  # the most bends a conditional mean can take
_AT_ONCE = 1024  # parcels
_GROUPS = 16  # of draws, each left out once


class InformationValue(NamedTuple):
    """A value of information, in the unit of the utility, and the chance that it changes what is best."""

    perfect: Floats  # expected gain from knowing the value itself
    sample: Floats  # expected gain from a test with its error
    flip_chance: Floats  # probability that after the test the other act is best

    def less_cost(self, value_of_one: npt.ArrayLike, cost: npt.ArrayLike) -> Floats:
        """Return the value of the test in money: its value times the price of one unit of utility, less its own price.

        >>> round(float(value_of_test(7.3, 0.4, 7.5, 0.15).less_cost(9000.0, 60.0)), 1)
        572.1
        """
        result: Floats = self.sample * np.asarray(value_of_one, np.float64) - np.asarray(cost, np.float64)
        return result


def value_of_test(
    mean: npt.ArrayLike, sd: npt.ArrayLike, threshold: npt.ArrayLike, test_error: npt.ArrayLike
) -> InformationValue:
    """Return the value of a test before a choice: act where the value is above `threshold`, or gain nothing.

    The value is normal (mean, sd), acting gains value - threshold, a test shows the value with a normal error. With
    u the distance of the mean from the threshold in units of s, the result is s (density(u) - u share above u): s is sd
    for perfect knowledge, sd**2 / (sd**2 + test_error**2)**0.5 for the test. Unit normal loss (textbook, derived).

    >>> result = value_of_test(7.3, 0.4, 7.5, 0.15)
    >>> [round(float(v), 5) for v in result]
    [0.07912, 0.07023, 0.29667]

    Raises:
        UnderoakError: E360 when sd or the error is negative.
    """
    check_sd(sd)
    check_sd(test_error)
    m, s, t, e = np.broadcast_arrays(*(np.asarray(v, np.float64) for v in (mean, sd, threshold, test_error)))
    gap = np.abs(m - t)
    both = np.hypot(s, e)
    after = s * np.divide(s, both, out=np.where(np.isnan(both), np.nan, 0.0), where=(both > 0.0) & np.isfinite(both))
    return InformationValue(_loss(gap, s)[()], _loss(gap, after)[()], _beyond(gap, after)[()])


def value_of_information(
    utility: npt.ArrayLike, known: npt.ArrayLike, otherwise: float, error: npt.ArrayLike = 0.0
) -> InformationValue:
    """Return the value of knowing one thing of each parcel, from joint draws: take it, or the sure `otherwise`.

    utility (draws, parcels), such as the suitability of each; known (draws, parcels) or (draws,): what a test would
    show in the same draws, such as the pH; `error` its standard error, one number or (parcels,). NaN in a parcel gives
    NaN. The mean of the utility given what is known is estimated by least squares on Hermite polynomials of the normal
    score of its rank: as many as the Bayesian information criterion allows, one for each dozen draws and 6 at most. A
    test with an error shrinks the polynomial of degree n by (sd**2 / (sd**2 + error**2))**(n / 2), exact for a normal.
    (Regression on what is known: Strong, Oakley and Brennan 2014, from memory; the shrinking is derived.)

    Bias: noise in the fit makes the value a little too high; corners and bends that it smooths make it a little
    too low (some 5 % for a hump of pH), as does a value lost in the noise, which counts as 0.

    >>> z = np.linspace(-2.5, 2.5, 501)[:, None]
    >>> result = value_of_information(0.5 + 0.1 * z, z, otherwise=0.55)
    >>> bool(result.perfect[0] > 0.02), value_of_information(0.5 + 0.1 * z, np.cos(40 * z), 0.55).perfect.tolist()
    (True, [0.0])

    Raises:
        UnderoakError: E360 when an error is negative.
        ValueError: when there are fewer than 8 draws or shapes do not fit.
    """
    return _values(*_checked(utility, known, error), otherwise)


def _values(u: Floats, x: Floats, e: Floats, otherwise: float) -> InformationValue:
    figures = np.empty((3, u.shape[1]))
    for i in range(0, u.shape[1], _AT_ONCE):
        some = slice(i, i + _AT_ONCE)
        perfect, sample = _conditional_means(u[:, some], x[:, some], e[some])
        base = u[:, some].mean(axis=0)
        best = np.maximum(base, otherwise)
        figures[0, some] = (np.maximum(perfect, otherwise) - best).mean(axis=0)
        figures[1, some] = (np.maximum(sample, otherwise) - best).mean(axis=0)
        figures[2, some] = np.where(np.isnan(base), np.nan, ((sample >= otherwise) != (base >= otherwise)).mean(axis=0))
    return _settled(figures)


def sampling_error(
    utility: npt.ArrayLike, known: npt.ArrayLike, otherwise: float, error: npt.ArrayLike = 0.0
) -> InformationValue:
    """Return the standard errors of `value_of_information` that come from the number of draws.

    Jackknife: 16 groups of draws (every 16th) are left out in turn, and the values g of the rest give the error
    ((15 / 16) sum of (g - their mean)**2)**0.5 (Efron and Tibshirani 1993, from memory). It holds for draws that are
    independent. Arguments as there; fewer than 16 draws are left out one by one.

    >>> z = np.random.default_rng(5).standard_normal((64, 1))
    >>> value, error = (f(0.5 + 0.1 * z, z, otherwise=0.5) for f in (value_of_information, sampling_error))
    >>> bool(value.sample[0] > 2 * error.sample[0] > 0.0)
    True

    Raises:
        UnderoakError: E360 when an error is negative.
        ValueError: when there are fewer than 8 draws or shapes do not fit.
    """
    u, x, e = _checked(utility, known, error)
    groups = min(_GROUPS, len(u))
    group = np.arange(len(u)) % groups
    rest = np.stack([_values(u[group != k], x[group != k], e, otherwise) for k in range(groups)])
    return InformationValue(*np.sqrt((groups - 1) / groups * ((rest - rest.mean(axis=0)) ** 2).sum(axis=0)))


def value_for_choice(
    utility: npt.ArrayLike, known: npt.ArrayLike, otherwise: float, error: float = 0.0
) -> InformationValue:
    """Return the value of knowing one thing before choosing one of several parcels, or the sure `otherwise`.

    utility (draws, parcels), known (draws,), error: as in `value_of_information`; the flip chance is that another
    parcel (or none) is best after the test. Parcels with NaN are left out. Each figure is one number.

    >>> z = np.linspace(-2.5, 2.5, 501)
    >>> result = value_for_choice(np.stack([0.5 + 0.1 * z, 0.5 - 0.1 * z], axis=1), z, otherwise=0.0)
    >>> round(float(result.flip_chance), 1)
    0.5

    Raises:
        UnderoakError: E360 when an error is negative.
        ValueError: when there are fewer than 8 draws, shapes do not fit or no parcel takes part.
    """
    u = np.asarray(utility, np.float64)
    if u.ndim == 2:
        u = u[:, np.isfinite(u).all(axis=0)]
    if u.ndim != 2 or u.shape[1] == 0:
        raise ValueError(f"utility is {np.shape(utility)}: it needs (draws, parcels) and a parcel without NaN")
    u, x, e = _checked(u, known, error)
    base = np.append(u.mean(axis=0), otherwise)
    best = int(np.argmax(base))
    figures = np.empty(3)
    for i, given in enumerate(_conditional_means(u, x, e)):
        acts = np.column_stack([given, np.full(len(given), otherwise)])
        top = acts.max(axis=1)
        figures[i] = (top - base[best]).mean()
    figures[2] = np.mean(acts[:, best] < top)
    return _settled(figures)


def _loss(gap: Floats, s: Floats) -> Floats:
    """Return the mean excess of a normal (0, s) over `gap`."""
    from scipy.special import ndtr

    u = _ratio(gap, s)
    with np.errstate(over="ignore"):
        lost = s * np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi) - np.where(s > 0.0, gap * ndtr(-u), 0.0)
    result: Floats = np.maximum(lost, 0.0)  # keeps NaN
    return result


def _beyond(gap: Floats, s: Floats) -> Floats:
    from scipy.special import ndtr

    probability: Floats = ndtr(-_ratio(gap, s))
    return probability


def _ratio(gap: Floats, s: Floats) -> Floats:
    """Return gap / s, infinite where s is 0, NaN where either is."""
    with np.errstate(over="ignore"):
        return np.divide(gap, s, out=np.where(np.isnan(gap + s), np.nan, np.inf), where=s > 0.0)


def _settled(figures: Floats) -> InformationValue:
    """Return values of 0 or more, that of a test not above that of perfect knowledge."""
    perfect = np.maximum(figures[0], 0.0)
    return InformationValue(perfect, np.clip(figures[1], 0.0, perfect), figures[2])


def _checked(utility: npt.ArrayLike, known: npt.ArrayLike, error: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return utility, known (draws, parcels) and error (parcels,)."""
    check_sd(error)
    u, x = np.asarray(utility, np.float64), np.asarray(known, np.float64)
    x = x[:, None] if x.ndim == 1 else x
    if u.ndim != 2 or x.shape[0] != u.shape[0] or x.shape[1] not in (1, u.shape[1]):
        raise ValueError(f"utility {np.shape(utility)} and known {np.shape(known)} are not draws of the same parcels")
    if len(u) < 8:
        raise ValueError(f"{len(u)} draws are too few for the value of a test")
    e = np.broadcast_to(np.asarray(error, np.float64), u.shape[1])
    return u, np.broadcast_to(x, u.shape), e


def _hermite(z: Floats, degree: int) -> Floats:
    """Return polynomials 1 .. degree, orthonormal under the standard normal, each less its mean over z."""
    from numpy.polynomial import hermite_e

    scale = [math.sqrt(math.factorial(n)) for n in range(degree + 1)]
    columns = hermite_e.hermevander(z, degree)[:, 1:] / scale[1:]
    centred: Floats = columns - columns.mean(axis=0)
    return centred


def _conditional_means(u: Floats, x: Floats, error: Floats) -> tuple[Floats, Floats]:
    """Return mean utility given the value, and given a test, at the middles of equal shares, (shares, parcels)."""
    from scipy.special import ndtri

    draws = len(u)
    degree = max(1, min(_DEGREE, draws // 12))  # more would be drawn out wildly beyond the outermost draws
    basis, corner = np.linalg.qr(_hermite(ndtri((np.arange(draws) + 0.5) / draws), degree))
    mean = u.mean(axis=0)
    order = np.argsort(x, axis=0, kind="stable")
    fit = basis.T @ (np.take_along_axis(u, order, axis=0) - mean)
    total = ((u - mean) ** 2).sum(axis=0)
    rest = np.maximum(total - np.vstack([np.zeros_like(total), np.cumsum(fit * fit, axis=0)]), 1e-12 * total)
    with np.errstate(divide="ignore", invalid="ignore"):
        evidence = draws * np.log(rest / total) + np.arange(degree + 1)[:, None] * math.log(draws)
    varies = (total > 1e-24 * draws) & (x.max(axis=0) > x.min(axis=0))
    best_degree = np.where(varies, np.argmin(evidence, axis=0), 0)
    fit[np.arange(1, degree + 1)[:, None] > best_degree] = 0.0
    heights = np.linalg.solve(corner, fit)
    variance = x.var(axis=0)
    reliability = np.divide(variance, variance + error * error, out=np.zeros_like(variance), where=varies)
    shrink = np.sqrt(reliability) ** np.arange(1, degree + 1)[:, None]
    polynomials = _hermite(_middles(), degree)
    return mean + polynomials @ heights, mean + polynomials @ (heights * shrink)


def _middles() -> Floats:
    """Return the mean of the standard normal in each of `_GRID` equal shares."""
    from scipy.special import ndtri

    edges = ndtri(np.arange(1, _GRID) / _GRID)
    density = np.concatenate(([0.0], np.exp(-0.5 * edges * edges) / math.sqrt(2.0 * math.pi), [0.0]))
    middles: Floats = _GRID * (density[:-1] - density[1:])
    return middles
