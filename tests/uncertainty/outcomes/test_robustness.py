"""Shares of futures, regret, novelty and drivers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.overlay import combine
from underoak.uncertainty import driver_effects, is_outside_range, regret, robustness, scenario_weights


def test_twelve_of_fifteen_futures_are_a_share_of_four_fifths():
    values = np.where(np.arange(15) < 12, 0.6, 0.4)
    found = robustness(values, 0.5)
    assert found.share == pytest.approx(0.80, abs=1e-6)
    assert (found.low, found.median, found.high) == (np.float32(0.4), np.float32(0.6), np.float32(0.6))


def test_a_value_on_the_threshold_reaches_it():
    assert robustness([0.5, np.nextafter(np.float32(0.5), np.float32(0))], 0.5).share == 0.5
    assert robustness([np.float32(0.3)], 0.3).share == 1.0  # as float32 stores it


def test_futures_that_are_all_alike_have_no_spread():
    found = robustness(np.broadcast_to(np.float32([[0.2, 0.7]]), (9, 2)), 0.5)
    assert found.share.tolist() == [0.0, 1.0]
    for plane in (found.low, found.median, found.high):
        assert plane.tolist() == np.float32([0.2, 0.7]).tolist()


def test_a_family_counts_once_however_many_runs_it_has():
    values = [0.9] * 8 + [0.1, 0.1]
    families = ["m1"] * 8 + ["m2", "m3"]
    assert robustness(values, 0.5).share == pytest.approx(0.8)
    weighed = robustness(values, 0.5, scenario_weights(families, "family"))
    assert weighed.share == pytest.approx(1 / 3)
    assert weighed.median == np.float32(0.1)
    assert sum(scenario_weights(families, "family")) == pytest.approx(1.0)
    assert scenario_weights([None, None], "family") == (0.5, 0.5)


def test_one_missing_future_leaves_the_place_missing():
    found = robustness([[0.9, 0.9], [np.nan, 0.9]], 0.5)
    assert np.isnan(found.share).tolist() == [True, False]
    assert np.isnan(found.median).tolist() == [True, False]


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 12), st.integers(0, 2**32 - 1), st.floats(0, 1))
def test_equal_weights_give_what_plain_counting_and_the_median_give(n, seed, at_least):
    rng = np.random.default_rng(seed)
    values = np.round(rng.random((n, 5, 3)), 1).astype(np.float32)
    found = robustness(values, at_least)
    assert found.share == pytest.approx((values >= np.float32(at_least)).mean(axis=0), abs=1e-6)
    assert found.median == pytest.approx(np.median(values, axis=0), abs=1e-6)
    assert (found.low == values.min(axis=0)).all()
    assert (found.high == values.max(axis=0)).all()
    shuffled = robustness(values[rng.permutation(n)], at_least)
    assert all(np.allclose(a, b, atol=1e-6) for a, b in zip(found, shuffled, strict=True))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 4), min_size=2, max_size=6), st.integers(0, 2**32 - 1))
def test_a_weight_of_k_is_k_futures_alike(counts, seed):
    values = np.random.default_rng(seed).random(len(counts)).astype(np.float32)
    weighed = robustness(values, 0.5, counts)
    repeated = robustness(np.repeat(values, counts), 0.5)
    assert np.allclose(weighed, repeated, atol=1e-6)


def test_regret_is_what_the_best_place_would_have_had():
    found = regret([[0.9, 0.2, 0.5], [0.6, 0.6, 0.5], [0.1, 0.1, 0.1]])
    assert found == pytest.approx([0.4, 0.3, 0.8])
    assert regret([[0.9, 0.8], [0.5, 0.1]])[0] == 0.0  # best everywhere: none
    holes = regret([[0.9, np.nan], [0.5, 0.1]])
    assert np.isnan(holes[0])
    assert holes[1] == pytest.approx(0.4)


def test_a_place_is_novel_as_soon_as_one_driver_is():
    values = np.array([[10.0, 30.0, 30.1, np.nan], [0.5, 0.1, 0.5, 0.05]])
    assert is_outside_range(values, [8.0, 0.1], [30.0, 0.9]).tolist() == [False, False, True, True]
    assert is_outside_range(np.ones((2, 3, 4)), [0, 0], [1, 1]).shape == (3, 4)


def test_swaps_of_a_linear_score_add_up_and_those_of_no_change_are_nothing():
    rng = np.random.default_rng(3)
    weights = (0.5, 0.3, 0.2)
    now, then = rng.random((3, 7)), rng.random((3, 7))
    then[1] = now[1]
    changes = driver_effects(now, then, lambda m: combine(m, weights))
    assert changes.sum(axis=0) == pytest.approx(combine(then, weights) - combine(now, weights))
    assert changes[1].tolist() == [0.0] * 7
    alone = driver_effects(now, then, lambda m: combine(m, weights, "geometric"))
    swapped = combine(np.array([then[0], now[1], now[2]]), weights, "geometric")
    assert alone[0] == pytest.approx(swapped - combine(now, weights, "geometric"))


def test_impossible_questions_about_futures_are_refused():
    for ask in (
        lambda: robustness([], 0.5),
        lambda: robustness([0.5], 0.5, [1.0, 1.0]),
        lambda: robustness([0.5, 0.5], 0.5, [0.0, 0.0]),
        lambda: robustness([0.5, 0.5], 0.5, [2.0, -1.0]),
        lambda: scenario_weights([]),
        lambda: regret([1.0]),
        lambda: is_outside_range([[1.0]], [0.0, 0.0], [1.0]),
        lambda: driver_effects([1.0], [1.0, 2.0], sum),
    ):
        with pytest.raises(ValueError, match=r"scenarios|weights|values are|drivers"):
            ask()
