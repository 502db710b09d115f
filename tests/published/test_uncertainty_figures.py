"""Doubt against exact results and textbook values; each names its source.

"Derived" means that the value follows from the definition and was computed afresh in another way.
"""

import numpy as np
import pytest

from underoak.overlay import Curve
from underoak.uncertainty import (
    Correlation,
    ErrorModel,
    WeightDistribution,
    expected_membership,
    lab_update,
    normal_at_least,
    probability_at_least,
    rank_acceptability,
    sd_of_mean,
    value_of_test,
)

LEVELS = (0.05, 0.5, 0.95)


def test_exceedance_from_three_quantiles():
    """Normal-score interpolation, common practice; derived: z 0.274142."""
    assert probability_at_least(LEVELS, [6.8, 7.4, 8.0], 7.5) == pytest.approx(0.391988, abs=1e-6)


def test_exceedance_from_skewed_quantiles():
    """The same rule; straight lines between the probabilities themselves would give 0.3875, another rule. Derived."""
    assert probability_at_least(LEVELS, [6.5, 7.4, 7.8], 7.5) == pytest.approx(0.340458, abs=1e-6)


def test_the_same_from_float32_tiles():
    tile = np.array([[[6.8]], [[7.4]], [[8.0]]], np.float32)
    assert probability_at_least(LEVELS, tile, 7.5)[0, 0] == pytest.approx(0.391988, abs=2e-6)


@pytest.mark.parametrize(
    ("mean", "sd", "expected"), [(7.4, 0.4, 0.633496), (7.9, 0.3, 0.943882), (7.4, 0.6 / 1.6448536269514722, 0.646505)]
)
def test_expected_trapezoid(mean, sd, expected):
    """Closed form and quadrature agree to 1e-12; the curve at the mean itself would say 0.8 and 1. Derived."""
    assert expected_membership(Curve.hump(7.0, 7.5, 8.3, 8.7), mean, sd) == pytest.approx(expected, abs=1e-6)


def test_expected_triangle_and_ramp_under_the_standard_normal():
    """2 F(1) - 1 - 2 (f(0) - f(1)), and f(0) - f(1) + F(-1). Derived."""
    triangle = Curve.points([(-1.0, 0.0), (0.0, 1.0), (1.0, 0.0)])
    assert expected_membership(triangle, 0.0, 1.0) == pytest.approx(0.368746, abs=1e-6)
    assert expected_membership(Curve.ramp_up(0.0, 1.0), 0.0, 1.0) == pytest.approx(0.315627, abs=1e-6)


@pytest.mark.parametrize(("z", "loss"), [(0.0, 0.3989423), (0.5, 0.1977966), (1.0, 0.0833155), (2.0, 0.0084907)])
def test_unit_normal_loss(z, loss):
    """The unit normal loss table, f(z) - z (1 - F(z)). Derived."""
    assert value_of_test(z, 1.0, 0.0, 0.0).perfect == pytest.approx(loss, abs=1e-7)


def test_perfect_and_sample_information_of_two_acts():
    """Difference N(100, 400**2), noise 200: 400 L(0.25), and 357.7709 L(100 / 357.7709). Derived."""
    found = value_of_test(100.0, 400.0, 0.0, 200.0)
    assert found.perfect == pytest.approx(114.5379, abs=1e-3)
    assert found.sample == pytest.approx(98.2693, abs=1e-3)


def test_worth_of_a_test_of_ph():
    """Prior N(7.3, 0.4**2), act at 7.5 or above, laboratory error 0.15. Derived."""
    found = value_of_test(7.3, 0.4, 7.5, 0.15)
    assert found.perfect == pytest.approx(0.07912, abs=5e-6)
    assert found.sample == pytest.approx(0.07023, abs=5e-6)
    assert value_of_test(0.1, 0.2, 0.0, 0.0).perfect == pytest.approx(0.03956, abs=5e-6)


def test_laboratory_update_of_ph():
    """Prior N(7.3, 0.4**2), laboratory 7.8 with error 0.15: normal-normal updating. Derived."""
    found = lab_update(7.3, 0.4, [7.8], 0.15)
    assert (found.mean, found.sd) == (pytest.approx(7.738, abs=5e-4), pytest.approx(0.1404, abs=5e-5))
    assert normal_at_least(7.3, 0.4, 7.5) == pytest.approx(0.3085, abs=5e-5)
    assert normal_at_least(found.mean, found.sd, 7.5) == pytest.approx(0.9552, abs=5e-5)


def test_doubt_of_the_mean_of_two_cells():
    """Exponential covariance, cells of 250 m, sd 0.4: independent 0.4 / sqrt(2), range 800 m. Derived."""
    for range_m, expected in ((0.0, 0.2828), (800.0, 0.372)):
        errors = ErrorModel("soil_ph", Correlation.of(range_m, 250.0, 250.0))
        assert sd_of_mean(0.4, [3, 3], [7, 8], errors) == pytest.approx(expected, abs=5e-4)


def test_uniform_weights():
    """Dirichlet(1, 1, 1): mean 1/3, variance 1/18, P(w1 > 1/2) = 1/4 (three uniforms over their sum miss). Derived."""
    w = WeightDistribution.uniform(3).draw(1_000_000, seed=1)
    np.testing.assert_allclose(w.mean(axis=0), 1 / 3, atol=0.002)
    np.testing.assert_allclose(w.var(axis=0), 1 / 18, atol=0.002)
    np.testing.assert_allclose((w > 0.5).mean(axis=0), 0.25, atol=0.002)


def test_rank_acceptability_of_two_criteria():
    """A (1, 0), B (0, 1), C (.6, .6): C is first between w1 = .4 and .6. Indices: Lahdelma et al. 1998, from memory."""
    found = rank_acceptability([[1.0, 0.0], [0.0, 1.0], [0.6, 0.6]], draws=100_000)
    exact = np.array([[0.4, 0.1, 0.5], [0.4, 0.1, 0.5], [0.2, 0.8, 0.0]])
    assert (np.abs(found.shares - exact) <= 3.0 * np.sqrt(exact * (1.0 - exact) / 100_000)).all()
    np.testing.assert_allclose(found.central_weights[:, 0], [0.8, 0.2, 0.5], atol=0.003)
    assert found.confidence.tolist() == [1.0, 1.0, 1.0]


def test_rank_acceptability_of_three_criteria():
    """Three corners and their middle: a corner is first where its weight is above 1/2, a quarter of all. Derived."""
    parcels = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.5, 0.5, 0.5]]
    found = rank_acceptability(parcels, draws=100_000)
    np.testing.assert_allclose(found.first, 0.25, atol=3.0 * np.sqrt(0.25 * 0.75 / 100_000))
