"""Probabilities and values from the quantiles of a map."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.uncertainty import crossing, normal_at_least, probability_at_least, quantile_at, value_at_score

LEVELS = (0.05, 0.5, 0.95)
steps = st.lists(st.floats(0.01, 3.0), min_size=2, max_size=4)


def curve_of(steps, start=5.0):
    """Levels and rising quantiles, evenly spaced levels."""
    n = len(steps) + 1
    return tuple((i + 1) / (n + 1) for i in range(n)), start + np.concatenate(([0.0], np.cumsum(steps)))


@given(steps)
def test_a_quantile_is_reached_with_one_less_its_level(steps):
    levels, values = curve_of(steps)
    found = probability_at_least(levels, values, values)
    np.testing.assert_allclose(found, 1.0 - np.array(levels), rtol=0, atol=1e-12)


@given(steps, st.lists(st.floats(-20.0, 40.0), min_size=2, max_size=30))
def test_probability_falls_as_the_threshold_rises(steps, thresholds):
    levels, values = curve_of(steps)
    found = probability_at_least(levels, values, np.sort(thresholds))
    assert (np.diff(found) <= 0.0).all()
    assert ((found >= 0.0) & (found <= 1.0)).all()


@given(steps, st.floats(0.001, 0.999))
def test_quantile_at_is_the_way_back(steps, p):
    levels, values = curve_of(steps)
    assert probability_at_least(levels, values, quantile_at(levels, values, p)) == pytest.approx(1.0 - p, abs=1e-9)


@pytest.mark.parametrize("values", [[6.5, 7.4, 7.8], [7.4, 7.4, 7.8], [6.5, 7.5, 7.5], [7.5, 7.5, 7.5]])
@pytest.mark.parametrize("threshold", [6.9, 7.4, 7.5, 7.9])
def test_a_million_draws_from_the_curve_agree(values, threshold):
    z = np.random.default_rng(4).standard_normal(1_000_000)
    share = np.mean(value_at_score(LEVELS, values, z) >= threshold)
    assert share == pytest.approx(probability_at_least(LEVELS, values, threshold), abs=0.002)


def test_two_quantiles_of_a_normal_give_the_normal():
    z95 = 1.6448536269514722
    t = np.linspace(5.0, 10.0, 51)
    from_curve = probability_at_least((0.05, 0.95), [7.3 - 0.4 * z95, 7.3 + 0.4 * z95], t)
    np.testing.assert_allclose(from_curve, normal_at_least(7.3, 0.4, t), rtol=0, atol=1e-14)


def test_equal_quantiles_are_a_share_with_exactly_this_value():
    levels, values = (0.1, 0.4, 0.7, 0.9), [6.0, 7.0, 7.0, 8.0]
    just_above = np.nextafter(7.0, 8.0)
    np.testing.assert_allclose(probability_at_least(levels, values, [7.0, just_above]), [0.6, 0.3], atol=1e-12)
    assert value_at_score(levels, values, 0.0) == 7.0


def test_equal_end_quantiles_hold_for_all_beyond():
    assert probability_at_least(LEVELS, [7.0, 7.0, 8.0], 7.0) == 1.0
    assert probability_at_least(LEVELS, [6.0, 7.0, 7.0], [7.0, 7.1]).tolist() == [pytest.approx(0.5), 0.0]


def test_certainty_is_a_step():
    assert probability_at_least(LEVELS, [7.0, 7.0, 7.0], [6.99, 7.0, 7.01]).tolist() == [1.0, 1.0, 0.0]


def test_limits_hold_the_values():
    limits = (6.0, 7.6)
    found = probability_at_least(LEVELS, [6.8, 7.4, 8.0], [5.9, 6.0, 6.1, 7.6, 7.61], limits)
    free = probability_at_least(LEVELS, [6.8, 7.4, 8.0], [6.1, 7.6])
    assert found.tolist() == [1.0, 1.0, *free.tolist(), 0.0]
    assert value_at_score(LEVELS, [6.8, 7.4, 8.0], [-9.0, 9.0], limits).tolist() == [6.0, 7.6]


def test_crossing_quantiles_are_marked_and_missing_never_sorted():
    values = np.array([[6.8, 7.5, np.nan, 8.0], [7.4, 7.4, 7.4, 7.4], [8.0, 8.0, 8.0, 6.8]])
    assert crossing(values).tolist() == [False, True, False, True]
    assert np.isnan(probability_at_least(LEVELS, values, 7.5)).tolist() == [False, True, True, True]
    assert np.isnan(value_at_score(LEVELS, values, 0.3)).tolist() == [False, True, True, True]


def test_the_kernel_counts_cells_that_cross():
    from underoak.uncertainty.draws import quantile_kernels

    values = np.array([[1.0, 3.0, np.nan, 2.5], [2.0, 2.0, 1.0, 2.0]], np.float32)
    out = np.empty(4, np.float32)
    scores = np.array([-1.0, 1.0])
    assert quantile_kernels.at_least(scores, values, np.float32([1.5]), -np.inf, np.inf, out) == 2


def test_missing_thresholds_and_scores_give_missing():
    assert np.isnan(probability_at_least(LEVELS, [6.8, 7.4, 8.0], np.nan))
    assert np.isnan(value_at_score(LEVELS, [6.8, 7.4, 8.0], np.nan, (0.0, 14.0)))


def test_stored_float32_values_meet_the_threshold_as_stored():
    stored = np.full((2, 3, 4), 7.1, np.float32)
    found = probability_at_least((0.1, 0.9), stored, 7.1)
    assert found.dtype == np.float32
    assert found.shape == (3, 4)
    assert (found == 1.0).all()


def test_tiles_and_their_parts_give_the_same_bytes():
    rng = np.random.default_rng(2)
    values = np.sort(rng.normal(7.0, 0.5, (3, 40, 50)), axis=0).astype(np.float32)
    whole = probability_at_least(LEVELS, values, 7.2)
    assert (whole[10:20, 5:9] == probability_at_least(LEVELS, values[:, 10:20, 5:9], 7.2)).all()


def test_draws_broadcast_over_cells():
    values = np.array([[[6.0, 6.5]], [[7.0, 7.0]], [[7.5, 9.0]]])
    z = np.zeros((5, 1, 2))
    assert value_at_score(LEVELS, values, z).tolist() == [[[7.0, 7.0]]] * 5


def test_a_threshold_for_each_cell():
    values = np.array([[6.8, 6.5], [7.4, 7.4], [8.0, 7.8]])
    found = probability_at_least(LEVELS, values, [[7.4, 7.8], [8.0, 7.4]])
    np.testing.assert_allclose(found, [[0.5, 0.05], [0.05, 0.5]], atol=1e-12)


@pytest.mark.parametrize("levels", [(0.5,), (), (0.5, 0.05), (0.5, 0.5), (0.0, 0.5), (0.5, 1.0), (5.0, 95.0)])
def test_levels_that_say_nothing_are_refused(levels):
    with pytest.raises(UnderoakError, match="E360"):
        probability_at_least(levels, np.zeros(len(levels)), 7.5)


def test_limits_that_do_not_rise_are_refused():
    with pytest.raises(UnderoakError, match="E360"):
        probability_at_least(LEVELS, [1, 2, 3], 2.0, (5.0, 5.0))


def test_as_many_values_as_levels():
    with pytest.raises(ValueError, match="3 levels"):
        probability_at_least(LEVELS, [1.0, 2.0], 1.5)


def test_normal_at_least_knows_certainty_missing_and_limits():
    assert normal_at_least([7.5, 7.4], 0.0, 7.5).tolist() == [1.0, 0.0]
    assert np.isnan(normal_at_least([np.nan, 7.0, 7.0], [0.1, np.nan, 0.1], [7.0, 7.0, np.nan])).all()
    assert normal_at_least(7.0, 2.0, [0.0, 14.5], (0.0, 14.0)).tolist() == [1.0, 0.0]
    with pytest.raises(UnderoakError, match="E360"):
        normal_at_least(7.0, [0.1, -0.1], 7.0)
