"""Expected membership of an uncertain value: the mean of a response curve under a normal, in closed form."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from underoak.overlay import Curve
from underoak.uncertainty.draws.quantiles import check_sd

Floats = npt.NDArray[np.float64]

_ROOT_2PI = math.sqrt(2.0 * math.pi)


def expected_membership(curve: Curve, mean: npt.ArrayLike, sd: npt.ArrayLike) -> Floats:
    """Return the expected membership 0..1 of normal values of a mean and standard deviation; NaN stays NaN.

    The membership of the mean overstates where the curve bends down, understates where it bends up. Straight pieces,
    jumps among them, are integrated piece by piece; a bell of width w under a normal is a bell of width
    (w**2 + sd**2)**0.5, lower by the share of the widths; a table meets its codes only where sd is 0, elsewhere
    the result is `otherwise`. sd 0 is the curve itself. Derived from the definition.

    A float32 mean is compared with the curve's nodes as float32, as in `overlay.membership`; the result is float64.

    >>> expected_membership(Curve.hump(7.0, 7.5, 8.3, 8.7), [7.4, 7.9, 7.4], [0.4, 0.3, 0.0]).round(6)
    array([0.633496, 0.943882, 0.8     ])

    Raises:
        UnderoakError: E360 when a standard deviation is negative.
    """
    centre, spread = np.asarray(mean), np.asarray(sd, np.float64)
    check_sd(spread)
    places = np.asarray(curve.x, np.float32 if centre.dtype == np.float32 else np.float64).astype(np.float64)
    m, s = np.broadcast_arrays(centre.astype(np.float64), spread)
    is_valid = np.isfinite(m) & np.isfinite(s)
    out = np.full(m.shape, np.nan)
    sure, unsure = is_valid & (s == 0.0), is_valid & (s > 0.0)
    out[sure] = _value(curve, places, m[sure])
    if curve.kind == "linear":
        out[unsure] = _of_pieces(places, curve.y, m[unsure], s[unsure])
    elif curve.kind == "bell":
        width = np.hypot(curve.y[0], s[unsure])
        z = (m[unsure] - places[0]) / width
        out[unsure] = curve.y[0] / width * np.exp(-0.5 * z * z)
    else:
        out[unsure] = curve.otherwise
    result: Floats = out[()]
    return result


def _of_pieces(places: Floats, y: tuple[float, ...], mean: Floats, sd: Floats) -> Floats:
    """Return the sum over pieces: a line's value at its start times its share, its slope times the share's moment."""
    from scipy.special import ndtr

    with np.errstate(over="ignore"):  # nothing is left of a normal beyond 40 standard deviations
        z = [np.clip((place - mean) / sd, -1e3, 1e3) for place in places]
    density = [np.exp(-0.5 * at * at) / _ROOT_2PI for at in z]
    total = y[0] * ndtr(z[0]) + y[-1] * ndtr(-z[-1])
    for i, j in pairwise(range(len(places))):
        if places[j] > places[i]:
            flip = np.where(z[i] > 0.0, -1.0, 1.0)  # differences of the nearer tail keep their digits
            share = np.abs(ndtr(flip * z[j]) - ndtr(flip * z[i]))
            lever = (mean - places[i]) * share + sd * (density[i] - density[j])
            total = total + y[i] * share + (y[j] - y[i]) / (places[j] - places[i]) * lever
    result: Floats = np.clip(total, 0.0, 1.0)
    return result


def _value(curve: Curve, places: Floats, x: Floats) -> Floats:
    """Return the curve itself, in float64; at a jump the best value counts."""
    y = np.array(curve.y)
    if curve.kind == "bell":
        result: Floats = np.exp(-0.5 * ((x - places[0]) / curve.y[0]) ** 2)
        return result
    if curve.kind == "table":
        order = np.argsort(places)
        index = np.minimum(np.searchsorted(places[order], x), len(places) - 1)
        return np.where(places[order][index] == x, y[order][index], curve.otherwise)
    result = np.interp(x, places, y)
    for place in np.unique(places):
        result[x == place] = y[places == place].max()
    return result
