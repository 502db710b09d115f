"""The house's own powers of two: as near the truth as the system's, and exact where it matters."""

from __future__ import annotations

import math

import numpy as np

from underoak.base.exp_log import SMALLEST, exp2, log2


def test_logarithms_agree_with_the_system() -> None:
    rng = np.random.default_rng(5)
    for x in [
        *rng.uniform(0, 2, 2000),
        *10.0 ** rng.uniform(-300, 300, 2000),
        math.sqrt(0.5),
        math.sqrt(2.0),
        SMALLEST,
    ]:
        assert math.isclose(log2(x), math.log2(x), rel_tol=1e-15, abs_tol=1e-300), x


def test_powers_agree_with_the_system() -> None:
    for y in np.random.default_rng(6).uniform(-1000, 1000, 4000):
        assert math.isclose(exp2(y), 2.0**y, rel_tol=1e-15), y


def test_whole_powers_are_exact() -> None:
    for k in range(-1022, 1023):
        assert log2(2.0**k) == k
        assert exp2(float(k)) == 2.0**k


def test_below_the_smallest_number_powers_stay_there() -> None:
    assert exp2(-5000.0) == exp2(-math.inf) == exp2(math.nan) == SMALLEST
