"""Expected membership against quadrature, limits and shape."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from underoak.base.errors import UnderoakError
from underoak.overlay import Curve, membership
from underoak.uncertainty import expected_membership

CURVES = [
    Curve.ramp_up(7.0, 7.5),
    Curve.ramp_down(7.0, 7.0),
    Curve.hump(7.0, 7.5, 8.3, 8.7),
    Curve.trough(6.5, 7.0, 7.5, 9.0),
    Curve.steps([6.0, 7.0, 8.0], [0.2, 0.9, 1.0, 0.1]),
    Curve.points([(6.0, 0.1), (7.0, 0.5), (7.0, 1.0), (7.0, 0.8), (9.0, 0.3)]),
    Curve.bell(7.4, 0.3),
]


def by_quadrature(curve, mean, sd):
    """The mean of the curve under the normal, by an adaptive rule between its places."""

    def of(x):
        level = np.exp(-0.5 * ((x - curve.x[0]) / curve.y[0]) ** 2) if curve.kind == "bell" else membership(x, curve)
        return float(level) * stats.norm.pdf(x, mean, sd)

    ends = (mean - 12.0 * sd, *sorted({p for p in curve.x if abs(p - mean) < 12.0 * sd}), mean + 12.0 * sd)
    return sum(integrate.quad(of, a, b, epsabs=1e-8, limit=200)[0] for a, b in pairwise(ends))


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: f"{c.kind}{len(c.x)}")
@pytest.mark.parametrize(("mean", "sd"), [(7.4, 0.4), (6.9, 0.05), (8.6, 1.5)])
def test_closed_form_agrees_with_quadrature(curve, mean, sd):
    assert expected_membership(curve, mean, sd) == pytest.approx(by_quadrature(curve, mean, sd), abs=3e-7)


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: f"{c.kind}{len(c.x)}")
def test_the_least_doubt_gives_the_curve_itself(curve):
    x = np.array([5.0, 6.3, 7.2, 7.45, 8.1, 8.55, 9.5])
    certain = expected_membership(curve, x, 0.0)
    np.testing.assert_allclose(certain, membership(x, curve), rtol=0, atol=2e-6)
    np.testing.assert_allclose(expected_membership(curve, x, 1e-12), certain, rtol=0, atol=1e-9)
    np.testing.assert_allclose(expected_membership(curve, x, 5e-324), certain, rtol=0, atol=1e-12)


def test_a_jump_is_the_probability_of_passing_it():
    step = Curve.ramp_up(7.0, 7.0)
    assert expected_membership(step, [6.8, 7.0, 7.3], 0.2) == pytest.approx(stats.norm.sf(7.0, [6.8, 7.0, 7.3], 0.2))
    assert expected_membership(step, [6.999, 7.0], 0.0).tolist() == [0.0, 1.0]


def test_of_several_values_at_one_place_the_best_holds():
    assert expected_membership(CURVES[5], [6.0, 7.0, 9.0], 0.0).tolist() == [0.1, 1.0, 0.3]


def test_a_stored_float32_mean_meets_the_corner_as_stored():
    step = Curve.ramp_up(7.1, 7.1)
    assert expected_membership(step, np.float32(7.1), 0.0) == 1.0


def test_tables_meet_their_codes_only_in_certainty():
    table = Curve.table({1: 1.0, 3: 0.25}, otherwise=0.1)
    assert expected_membership(table, [1.0, 3.0, 2.0, 1.0], [0.0, 0.0, 0.0, 0.5]).tolist() == [1.0, 0.25, 0.1, 0.1]
    assert np.isnan(expected_membership(Curve.table({1: 1.0}), [1.0, 2.0], [0.5, 0.0])).all()


def test_missing_in_missing_out():
    found = expected_membership(CURVES[2], [np.nan, 7.4, 7.4, np.inf], [0.1, np.nan, 0.1, 0.1])
    assert np.isnan(found).tolist() == [True, True, False, True]


def test_negative_doubt_is_refused():
    with pytest.raises(UnderoakError, match="E360"):
        expected_membership(CURVES[0], 7.0, -0.1)


@given(st.floats(-5.0, 20.0), st.floats(0.0, 5.0), st.sampled_from(CURVES))
def test_expectation_stays_between_the_extremes_of_the_curve(mean, sd, curve):
    low, high = (0.0, 1.0) if curve.kind == "bell" else (min(curve.y), max(curve.y))
    assert low - 1e-12 <= expected_membership(curve, mean, sd) <= high + 1e-12


@given(st.floats(5.0, 9.0), st.floats(0.01, 2.0), st.floats(0.1, 10.0))
def test_another_unit_gives_the_same(mean, sd, scale):
    ph, other = Curve.hump(7.0, 7.5, 8.3, 8.7), Curve.hump(7.0 * scale, 7.5 * scale, 8.3 * scale, 8.7 * scale)
    there = expected_membership(other, mean * scale, sd * scale)
    assert there == pytest.approx(expected_membership(ph, mean, sd), abs=1e-9)


def test_far_from_the_nodes_nothing_is_lost_to_rounding():
    steep = Curve.ramp_up(1000.0, 1000.001)
    assert expected_membership(steep, 3000.0, 500.0) == pytest.approx(stats.norm.sf(1000.0005, 3000, 500), abs=1e-9)
