"""What a soil test is worth before it is taken, and the verdict that follows."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.uncertainty.draws.quantiles import check_sd

Floats = npt.NDArray[np.float64]
Verdict = Literal["yes", "no", "test first"]

_GRID = 512  # equal shares of the normal over which conditional means are averaged
_DEGREE = 6  # the most bends a conditional mean can take
_AT_ONCE = 1024  # parcels


class Worth(NamedTuple):
    """What knowing more is worth, in the unit of the utility, and how likely it changes what is best."""

    perfect: Floats  # expected gain from knowing the value itself
    sample: Floats  # expected gain from a test with its error
    flip_chance: Floats  # probability that after the test the other act is best

    def less_cost(self, worth_of_one: npt.ArrayLike, cost: npt.ArrayLike) -> Floats:
        """What the test brings in money: its worth times what one unit of utility is worth, less its price.

        >>> round(float(value_of_test(7.3, 0.4, 7.5, 0.15).less_cost(9000.0, 60.0)), 1)
        572.1
        """
        result: Floats = self.sample * np.asarray(worth_of_one, np.float64) - np.asarray(cost, np.float64)
        return result


def value_of_test(mean: npt.ArrayLike, sd: npt.ArrayLike, threshold: npt.ArrayLike, test_error: npt.ArrayLike) -> Worth:
    """Worth of a test before a choice: act where the value is above `threshold`, or stay out, with nothing gained.

    The value is normal (mean, sd), acting is worth value - threshold, a test shows the value with a normal error. With
    u the distance of the mean from the threshold in units of s, the worth is s (density(u) - u share above u): s is sd
    for perfect knowledge, sd**2 / (sd**2 + test_error**2)**0.5 for the test. Unit normal loss (textbook, derived).

    >>> found = value_of_test(7.3, 0.4, 7.5, 0.15)
    >>> [round(float(v), 5) for v in found]
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
    return Worth(_loss(gap, s)[()], _loss(gap, after)[()], _beyond(gap, after)[()])


def value_of_information(
    utility: npt.ArrayLike, known: npt.ArrayLike, otherwise: float, error: npt.ArrayLike = 0.0
) -> Worth:
    """Worth of knowing one thing about each parcel, from joint draws: take the parcel, or the sure `otherwise`.

    utility (draws, parcels), such as the suitability of each; known (draws, parcels) or (draws,): what a test would
    show in the same draws, such as the pH; `error` its standard error, one number or (parcels,). NaN in a parcel gives
    NaN. The mean of the utility given what is known is estimated by least squares on Hermite polynomials of the normal
    score of its rank: as many as the Bayesian information criterion allows, one for each dozen draws and 6 at most. A
    test with an error shrinks the polynomial of degree n by (sd**2 / (sd**2 + error**2))**(n / 2), exact for a normal.
    (Regression on what is known: Strong, Oakley and Brennan 2014, from memory; the shrinking is derived.)

    Bias: noise in the fit makes the worth a little too high; corners it rounds off and bends it cannot follow make it
    a little too low (some 5 % for a hump of pH), as does what is lost in the noise, which counts as worth nothing.

    >>> z = np.linspace(-2.5, 2.5, 501)[:, None]
    >>> found = value_of_information(0.5 + 0.1 * z, z, otherwise=0.55)
    >>> bool(found.perfect[0] > 0.02), value_of_information(0.5 + 0.1 * z, np.cos(40 * z), 0.55).perfect.tolist()
    (True, [0.0])

    Raises:
        UnderoakError: E360 when an error is negative.
        ValueError: when there are fewer than 8 draws or shapes do not fit.
    """
    u, x, e = _checked(utility, known, error)
    found = np.empty((3, u.shape[1]))
    for i in range(0, u.shape[1], _AT_ONCE):
        some = slice(i, i + _AT_ONCE)
        perfect, sample = _conditional_means(u[:, some], x[:, some], e[some])
        base = u[:, some].mean(axis=0)
        best = np.maximum(base, otherwise)
        found[0, some] = (np.maximum(perfect, otherwise) - best).mean(axis=0)
        found[1, some] = (np.maximum(sample, otherwise) - best).mean(axis=0)
        found[2, some] = np.where(np.isnan(base), np.nan, ((sample >= otherwise) != (base >= otherwise)).mean(axis=0))
    return _settled(found)


def value_for_choice(utility: npt.ArrayLike, known: npt.ArrayLike, otherwise: float, error: float = 0.0) -> Worth:
    """Worth of knowing one thing before one of several parcels is chosen, or none for a sure `otherwise`.

    utility (draws, parcels), known (draws,), error: as in `value_of_information`; the flip chance is that another
    parcel (or none) is best after the test. Parcels with NaN take no part. One number each.

    >>> z = np.linspace(-2.5, 2.5, 501)
    >>> found = value_for_choice(np.stack([0.5 + 0.1 * z, 0.5 - 0.1 * z], axis=1), z, otherwise=0.0)
    >>> round(float(found.flip_chance), 1)
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
    found = np.empty(3)
    for i, given in enumerate(_conditional_means(u, x, e)):
        acts = np.column_stack([given, np.full(len(given), otherwise)])
        top = acts.max(axis=1)
        found[i] = (top - base[best]).mean()
    found[2] = np.mean(acts[:, best] < top)
    return _settled(found)


def verdict(
    p_s2: float, flip_chance: float, yes_at: float = 0.80, no_at: float = 0.20, test_first_at: float = 0.20
) -> Verdict:
    """Test first where the best test may well change the mind; else yes or no where the doubt is small enough.

    p_s2: probability of S2 or better; flip_chance: that of the best test (NaN where nothing can be tested). Ours.

    >>> verdict(0.9, 0.05), verdict(0.9, 0.20), verdict(0.5, 0.05), verdict(0.1, float("nan"))
    ('yes', 'test first', 'test first', 'no')

    Raises:
        ValueError: when p_s2 is not within 0..1: ground that is not judged has no verdict.
    """
    if not 0.0 <= p_s2 <= 1.0:
        raise ValueError(f"no verdict from a probability of {p_s2:g}")
    if flip_chance >= test_first_at:
        return "test first"
    if p_s2 >= yes_at:
        return "yes"
    return "no" if p_s2 <= no_at else "test first"


def _loss(gap: Floats, s: Floats) -> Floats:
    """The mean of what a normal (0, s) exceeds `gap` by."""
    from scipy.special import ndtr

    u = _ratio(gap, s)
    with np.errstate(over="ignore"):
        lost = s * np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi) - np.where(s > 0.0, gap * ndtr(-u), 0.0)
    result: Floats = np.maximum(lost, 0.0)  # keeps NaN
    return result


def _beyond(gap: Floats, s: Floats) -> Floats:
    from scipy.special import ndtr

    found: Floats = ndtr(-_ratio(gap, s))
    return found


def _ratio(gap: Floats, s: Floats) -> Floats:
    """gap / s, infinite where s is 0, NaN where either is."""
    with np.errstate(over="ignore"):
        return np.divide(gap, s, out=np.where(np.isnan(gap + s), np.nan, np.inf), where=s > 0.0)


def _settled(found: Floats) -> Worth:
    """No worth below 0, and none of a test above that of knowing."""
    perfect = np.maximum(found[0], 0.0)
    return Worth(perfect, np.clip(found[1], 0.0, perfect), found[2])


def _checked(utility: npt.ArrayLike, known: npt.ArrayLike, error: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """utility, known (draws, parcels) and error (parcels,)."""
    check_sd(error)
    u, x = np.asarray(utility, np.float64), np.asarray(known, np.float64)
    x = x[:, None] if x.ndim == 1 else x
    if u.ndim != 2 or x.shape[0] != u.shape[0] or x.shape[1] not in (1, u.shape[1]):
        raise ValueError(f"utility {np.shape(utility)} and known {np.shape(known)} are not draws of the same parcels")
    if len(u) < 8:
        raise ValueError(f"{len(u)} draws cannot tell what a test is worth")
    e = np.broadcast_to(np.asarray(error, np.float64), u.shape[1])
    return u, np.broadcast_to(x, u.shape), e


def _hermite(z: Floats, degree: int) -> Floats:
    """Polynomials 1 .. degree, orthonormal under the standard normal, each less its mean over z."""
    from numpy.polynomial import hermite_e

    scale = [math.sqrt(math.factorial(n)) for n in range(degree + 1)]
    columns = hermite_e.hermevander(z, degree)[:, 1:] / scale[1:]
    centred: Floats = columns - columns.mean(axis=0)
    return centred


def _conditional_means(u: Floats, x: Floats, error: Floats) -> tuple[Floats, Floats]:
    """Mean utility given the value itself, and given a test, at the middles of equal shares: (shares, parcels) each."""
    from scipy.special import ndtri

    draws = len(u)
    degree = max(1, min(_DEGREE, draws // 12))  # more would be drawn out wildly beyond the outermost draws
    basis, corner = np.linalg.qr(_hermite(ndtri((np.arange(draws) + 0.5) / draws), degree))
    mean = u.mean(axis=0)
    order = np.argsort(x, axis=0, kind="stable")
    fit = basis.T @ (np.take_along_axis(u, order, axis=0) - mean)
    whole = ((u - mean) ** 2).sum(axis=0)
    rest = np.maximum(whole - np.vstack([np.zeros_like(whole), np.cumsum(fit * fit, axis=0)]), 1e-12 * whole)
    with np.errstate(divide="ignore", invalid="ignore"):
        evidence = draws * np.log(rest / whole) + np.arange(degree + 1)[:, None] * math.log(draws)
    varies = (whole > 1e-24 * draws) & (x.max(axis=0) > x.min(axis=0))
    terms = np.where(varies, np.argmin(evidence, axis=0), 0)
    fit[np.arange(1, degree + 1)[:, None] > terms] = 0.0
    heights = np.linalg.solve(corner, fit)
    variance = x.var(axis=0)
    kept = np.divide(variance, variance + error * error, out=np.zeros_like(variance), where=varies)
    shrink = np.sqrt(kept) ** np.arange(1, degree + 1)[:, None]
    at = _hermite(_middles(), degree)
    return mean + at @ heights, mean + at @ (heights * shrink)


def _middles() -> Floats:
    """The mean of the standard normal in each of `_GRID` equal shares."""
    from scipy.special import ndtri

    edges = ndtri(np.arange(1, _GRID) / _GRID)
    density = np.concatenate(([0.0], np.exp(-0.5 * edges * edges) / math.sqrt(2.0 * math.pi), [0.0]))
    middles: Floats = _GRID * (density[:-1] - density[1:])
    return middles
