"""The compiled normal distribution agrees with scipy's."""

import numba
import numpy as np
import pytest
from scipy import special, stats

from underoak.uncertainty.draws import normal


@numba.njit
def over(function, xs):
    out = np.empty_like(xs)
    for i in range(xs.size):
        out[i] = function(xs[i])
    return out


def test_score_agrees_with_scipy_to_the_last_digits():
    shares = np.concatenate([np.linspace(1e-6, 1.0 - 1e-6, 100_000), 10.0 ** np.linspace(-300.0, -1.0, 3000)])
    expected = special.ndtri(shares)
    np.testing.assert_allclose(over(normal.ppf, shares), expected, rtol=1.1e-15, atol=1e-16)


def test_below_agrees_with_scipy():
    z = np.linspace(-8.0, 8.0, 4001)
    np.testing.assert_allclose(over(normal.cdf, z), special.ndtr(z), rtol=3e-14)


def test_density_agrees_with_scipy():
    z = np.linspace(-30.0, 30.0, 601)
    np.testing.assert_allclose(over(normal.pdf, z), stats.norm.pdf(z), rtol=1e-13)


def test_score_undoes_below():
    z = np.linspace(-30.0, 5.0, 1001)
    np.testing.assert_allclose(over(normal.ppf, over(normal.cdf, z)), z, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("share", "score"), [(0.0, -np.inf), (1.0, np.inf), (-0.1, np.nan), (1.1, np.nan), (np.nan, np.nan), (0.5, 0.0)]
)
def test_ends_are_infinite_and_outside_is_nan(share, score):
    np.testing.assert_equal(normal.ppf(share), score)


def test_infinite_scores_have_none_or_all_below():
    assert normal.cdf(-np.inf) == 0.0
    assert normal.cdf(np.inf) == 1.0
