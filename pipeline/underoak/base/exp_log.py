"""Powers and logarithms of two, compiled, with the same digits on every machine; the system's functions differ.

They have no branches, so that a loop over cells takes several at a time. Errors stay below 1e-15.
"""

from __future__ import annotations

import math
from itertools import accumulate

import numpy as np

from underoak.base.compiled import compiled_no_refcount

_FRACTION_BITS, _BIAS = np.uint64(52), np.uint64(1023)
_ONE = np.float64(1.0).view(np.uint64)
_TO_ROOT_HALF = np.uint64(_ONE - np.float64(math.sqrt(0.5)).view(np.uint64))
_EXPONENT = np.uint64(0x4330000000000000)  # the bits of 2**52: or-ing a small whole number in adds it
_ROUND = 1.5 * 2.0**52  # adding it and taking it away rounds to a whole number
_LN2 = 0.6931471805599453
_PER_LN2 = 2.0 / _LN2
_, _E1, _E2, _E3, _E4, _E5, _E6, _E7, _E8, _E9, _E10, _E11, _E12, _E13 = accumulate(
    range(1, 14), lambda term, k: term * _LN2 / k, initial=1.0
)
SMALLEST = 2.0**-1022  # anything below counts as 0


@compiled_no_refcount
def log2(x: float) -> float:
    """Return the binary logarithm of a normal positive number: x = f 2**p, f near 1, log f by the artanh series."""
    bits = np.float64(x).view(np.uint64)
    e = np.uint64((bits + _TO_ROOT_HALF) >> _FRACTION_BITS)
    f = np.uint64(bits - (e << _FRACTION_BITS) + _ONE).view(np.float64)
    p = np.uint64(e | _EXPONENT).view(np.float64) - (2.0**52 + 1023.0)
    s = (f - 1.0) / (f + 1.0)
    z = s * s
    tail = 1 / 11 + z * (1 / 13 + z * (1 / 15 + z * (1 / 17 + z * (1 / 19))))
    return p + _PER_LN2 * s * (1.0 + z * (1 / 3 + z * (1 / 5 + z * (1 / 7 + z * (1 / 9 + z * tail)))))


@compiled_no_refcount
def exp2(y: float) -> float:
    """Return two to the power of y, y below 1023; below -1022 (and for NaN) the smallest normal number."""
    y = y if y > -1022.0 else -1022.0
    shifted = np.float64(y + _ROUND)
    r = y - (shifted - _ROUND)
    scale = np.uint64((shifted.view(np.uint64) + _BIAS) << _FRACTION_BITS).view(np.float64)
    tail = _E7 + r * (_E8 + r * (_E9 + r * (_E10 + r * (_E11 + r * (_E12 + r * _E13)))))
    return scale * (1.0 + r * (_E1 + r * (_E2 + r * (_E3 + r * (_E4 + r * (_E5 + r * (_E6 + r * tail)))))))
