"""Kernels for the standard normal distribution: density, cumulative share and its inverse.

Arrays in plain numpy use scipy's; these are for loops over cells. Scores are in standard deviations from the mean.
"""

from __future__ import annotations

import math

import numpy as np

from underoak.base.compiled import compiled

_PER_ROOT_2 = 1.0 / math.sqrt(2.0)
_PER_ROOT_2PI = 1.0 / math.sqrt(2.0 * math.pi)

# The rational functions of Wichura (1988), Applied Statistics 37(3), algorithm AS 241, lowest power first, as CPython's
# statistics module gives them: for shares near one half, for shares in the tail, and far out in it.
_NEAR_TOP = (
    3.3871328727963666080e0,
    1.3314166789178437745e2,
    1.9715909503065514427e3,
    1.3731693765509461125e4,
    4.5921953931549871457e4,
    6.7265770927008700853e4,
    3.3430575583588128105e4,
    2.5090809287301226727e3,
)
_NEAR_BASE = (
    1.0,
    4.2313330701600911252e1,
    6.8718700749205790830e2,
    5.3941960214247511077e3,
    2.1213794301586595867e4,
    3.9307895800092710610e4,
    2.8729085735721942674e4,
    5.2264952788528545610e3,
)
_TAIL_TOP = (
    1.42343711074968357734e0,
    4.63033784615654529590e0,
    5.76949722146069140550e0,
    3.64784832476320460504e0,
    1.27045825245236838258e0,
    2.41780725177450611770e-1,
    2.27238449892691845833e-2,
    7.74545014278341407640e-4,
)
_TAIL_BASE = (
    1.0,
    2.05319162663775882187e0,
    1.67638483018380384940e0,
    6.89767334985100004550e-1,
    1.48103976427480074590e-1,
    1.51986665636164571966e-2,
    5.47593808499534494600e-4,
    1.05075007164441684324e-9,
)
_FAR_TOP = (
    6.65790464350110377720e0,
    5.46378491116411436990e0,
    1.78482653991729133580e0,
    2.96560571828504891230e-1,
    2.65321895265761230930e-2,
    1.24266094738807843860e-3,
    2.71155556874348757815e-5,
    2.01033439929228813265e-7,
)
_FAR_BASE = (
    1.0,
    5.99832206555887937690e-1,
    1.36929880922735805310e-1,
    1.48753612908506148525e-2,
    7.86869131145613259100e-4,
    1.84631831751005468180e-5,
    1.42151175831644588870e-7,
    2.04426310338993978564e-15,
)


@compiled
def pdf(z: float) -> float:
    """Return the density of the standard normal at z."""
    return math.exp(-0.5 * z * z) * _PER_ROOT_2PI


@compiled
def cdf(z: float) -> float:
    """Return the share of the standard normal below z; the share above is cdf(-z), without loss in the tails."""
    return 0.5 * math.erfc(-z * _PER_ROOT_2)


@compiled
def ppf(share: float) -> float:
    """Return the z that `share` of the standard normal lies below; infinite at 0 and 1, NaN outside."""
    q = share - 0.5
    if abs(q) <= 0.425:
        r = 0.180625 - q * q
        return q * _polynomial(r, _NEAR_TOP) / _polynomial(r, _NEAR_BASE)
    tail = share if q < 0.0 else 1.0 - share
    if not tail > 0.0:
        return math.copysign(np.inf, q) if tail == 0.0 else np.nan
    r = math.sqrt(-math.log(tail))
    if r <= 5.0:
        z = _polynomial(r - 1.6, _TAIL_TOP) / _polynomial(r - 1.6, _TAIL_BASE)
    else:
        z = _polynomial(r - 5.0, _FAR_TOP) / _polynomial(r - 5.0, _FAR_BASE)
    return math.copysign(z, q)


@compiled
def _polynomial(x: float, c: tuple[float, float, float, float, float, float, float, float]) -> float:
    return ((((((c[7] * x + c[6]) * x + c[5]) * x + c[4]) * x + c[3]) * x + c[2]) * x + c[1]) * x + c[0]
