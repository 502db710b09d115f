"""Sobol' indices of functions whose indices are known, and of the same functions by an independent library."""

import numpy as np
import pytest

from underoak.uncertainty import Uniform, sobol_indices


def g_function(a):
    a = np.asarray(a, float)[:, None]
    return lambda x: np.prod((np.abs(4 * x - 2) + a) / (1 + a), axis=0)


def ishigami(x):
    return np.sin(x[0]) + 7 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])


def g_indices(a):
    """Saltelli & Sobol' 1995, from memory: V_i = 1 / [3 (1 + a_i)**2], D = product of (1 + V_i) - 1."""
    each = 1 / (3 * (1 + np.asarray(a, float)) ** 2)
    whole = np.prod(1 + each) - 1
    return whole, each / whole, each * np.prod(1 + each) / (1 + each) / whole


@pytest.mark.parametrize(
    ("a", "variance", "first", "total"),
    [
        ((0, 1, 4.5, 9, 99, 99, 99, 99), 0.465424,
         (0.716192, 0.179048, 0.023676, 0.007162, *[0.000072] * 4),
         (0.787144, 0.242198, 0.034317, 0.010460, *[0.000105] * 4)),
        ((0, 1, 9), 0.449259, (0.741962, 0.185491, 0.007420), (0.806472, 0.248145, 0.010717)),
    ],
)  # fmt: skip
def test_the_g_function(a, variance, first, total):
    exact = g_indices(a)
    assert exact[0] == pytest.approx(variance, abs=1e-6)
    assert exact[1] == pytest.approx(first, abs=1e-6)
    assert exact[2] == pytest.approx(total, abs=1e-6)
    found = sobol_indices(g_function(a), [Uniform(0, 1)] * len(a), points=2048)
    assert found.variance == pytest.approx(variance, abs=0.02)
    assert found.first == pytest.approx(first, abs=0.02)
    assert found.total == pytest.approx(total, abs=0.02)


def test_the_function_of_ishigami_and_homma():
    """Ishigami & Homma 1990 (a 7, b 0.1), from memory; indices derived by hand."""
    found = sobol_indices(ishigami, [Uniform(-np.pi, np.pi)] * 3, points=2048)
    assert found.variance == pytest.approx(13.844588, rel=0.01)
    assert found.first == pytest.approx([0.313905, 0.442411, 0.0], abs=0.02)
    assert found.total == pytest.approx([0.557589, 0.442411, 0.243684], abs=0.02)


def test_a_weighted_sum_goes_by_the_squares_of_its_weights():
    """Exact: w**2 over the sum of squares, first order and total alike."""
    found = sobol_indices(lambda x: np.array([0.5, 0.3, 0.2]) @ x, [Uniform(0, 1)] * 3)
    expected = [0.657895, 0.236842, 0.105263]
    assert found.first == pytest.approx(expected, abs=0.005)
    assert found.total == pytest.approx(expected, abs=0.005)


def test_an_independent_library_finds_the_same_of_the_same_functions():
    """SALib (Herman & Usher 2017) with points of its own."""
    sobol = pytest.importorskip("SALib.analyze.sobol")
    sample = pytest.importorskip("SALib.sample.sobol")
    for score, d, low, high in ((ishigami, 3, -np.pi, np.pi), (g_function((0, 1, 4.5, 9)), 4, 0.0, 1.0)):
        problem = {"num_vars": d, "names": [f"x{i}" for i in range(d)], "bounds": [[low, high]] * d}
        points = sample.sample(problem, 4096, calc_second_order=False, seed=3)
        theirs = sobol.analyze(problem, score(points.T), calc_second_order=False, num_resamples=2, seed=3)
        ours = sobol_indices(score, [Uniform(low, high)] * d, points=1024, seed=3)
        assert ours.first == pytest.approx(theirs["S1"], abs=0.02)
        assert ours.total == pytest.approx(theirs["ST"], abs=0.02)
