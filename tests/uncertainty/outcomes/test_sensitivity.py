"""Ranges of one input at a time, weights that swap two places, and what indices must do whatever the score."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.overlay import combine
from underoak.uncertainty import (
    Normal,
    Uniform,
    one_at_a_time,
    smallest_weight_change,
    smallest_weight_change_of,
    sobol_indices,
)


def test_an_input_that_does_nothing_has_no_share_and_a_constant_has_none_at_all():
    found = sobol_indices(lambda x: x[0] ** 2, [Normal(1.0, 0.5), Normal(0.0, 3.0)])
    assert found.first[1] == pytest.approx(0.0, abs=1e-12)
    assert found.total[1] == 0.0
    assert found.first[0] == pytest.approx(1.0, abs=0.02)
    flat = sobol_indices(lambda x: np.full(x.shape[1], 0.7), [Normal(0.0, 1.0)])
    assert flat.first.tolist() == flat.total.tolist() == [0.0]
    assert flat.variance == 0.0
    assert flat.mean == pytest.approx(0.7)


def test_a_product_of_centred_inputs_is_all_interaction():
    found = sobol_indices(lambda x: x[0] * x[1], [Normal(0.0, 1.0), Normal(0.0, 1.0)], points=2048)
    assert found.first == pytest.approx([0.0, 0.0], abs=0.02)
    assert found.total == pytest.approx([1.0, 1.0], abs=0.03)
    assert found.variance == pytest.approx(1.0, rel=0.02)


def test_variance_and_mean_of_normal_inputs_are_those_of_the_formula():
    found = sobol_indices(lambda x: 3 * x[0] - 2 * x[1] + 5, [Normal(7.3, 0.4), Normal(1.0, 0.3)], points=1024)
    assert found.mean == pytest.approx(3 * 7.3 - 2 + 5, abs=1e-3)
    assert found.variance == pytest.approx(9 * 0.16 + 4 * 0.09, rel=1e-3)
    assert found.first == pytest.approx([1.44 / 1.8, 0.36 / 1.8], abs=0.005)


def test_the_same_seed_gives_the_same_figures_and_another_others():
    def score(x):
        return np.sin(x[0]) + x[1] ** 2 * x[0]

    inputs = [Uniform(-1.0, 2.0), Normal(0.0, 1.0)]
    first, again, other = (sobol_indices(score, inputs, 256, 4, seed) for seed in (1, 1, 2))
    assert first.first.tolist() == again.first.tolist()
    assert first.first.tolist() != other.first.tolist()


def test_the_standard_error_tells_how_far_off_the_estimate_is():
    def score(x):
        return np.sin(x[0]) + 7 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])

    off = []
    for seed in range(10):
        found = sobol_indices(score, [Uniform(-np.pi, np.pi)] * 3, 256, 8, seed)
        off.append((found.first - np.array([0.313905, 0.442411, 0.0])) / found.first_error)
    assert 0.3 < np.sqrt(np.mean(np.square(off))) < 2.0


def test_one_at_a_time_sees_what_one_input_does_alone():
    swing = one_at_a_time(lambda x: x[0] * x[1], [Normal(0.0, 1.0), Normal(2.0, 0.5)])
    assert swing[1].tolist() == [0.0, 0.0]  # times the middle of the other, which is 0
    assert swing[0] == pytest.approx([-2 * 1.6448536, 2 * 1.6448536], abs=1e-6)


def level(first, second, weights):
    return float(np.dot(weights, first) - np.dot(weights, second))


def test_two_criteria_swap_where_the_lines_cross():
    swap = smallest_weight_change([1.0, 0.0], [0.0, 1.0], [0.7, 0.3])
    assert swap.criterion == 0
    assert swap.weights == pytest.approx((0.5, 0.5))
    assert swap.change == pytest.approx(-0.2)
    assert swap.total_change == pytest.approx(0.4)


def test_a_place_that_is_better_everywhere_is_never_swapped():
    assert smallest_weight_change([0.9, 0.8, 0.7], [0.5, 0.4, 0.3], [0.2, 0.3, 0.5]) is None
    assert smallest_weight_change_of(lambda w: float(np.dot(w, [0.4, 0.4, 0.4])), [0.2, 0.3, 0.5]) is None


def test_places_that_are_level_already_need_no_change():
    assert smallest_weight_change([0.5, 0.5], [0.4, 0.6], [0.5, 0.5]).change == pytest.approx(0.0)
    assert smallest_weight_change([0.5, 0.5], [0.5, 0.5], [0.5, 0.5]).change == 0.0


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 6), st.integers(0, 2**32 - 1))
def test_the_swap_is_level_keeps_proportions_and_no_smaller_one_exists(k, seed):
    rng = np.random.default_rng(seed)
    first, second, weights = rng.random(k), rng.random(k), rng.dirichlet(np.ones(k))
    swap = smallest_weight_change(first, second, weights)
    now = level(first, second, weights)
    for other in range(k):
        for change in np.linspace(-1, 1, 81) * (abs(swap.change) * 0.999 if swap else 1.0):
            there = weights[other] + change
            if 0 <= there <= 1:
                moved = weights * (1 - there) / (1 - weights[other])
                moved[other] = there
                assert level(first, second, moved) * now >= -1e-12
    if swap is not None:
        assert level(first, second, swap.weights) == pytest.approx(0.0, abs=1e-9)
        assert sum(swap.weights) == pytest.approx(1.0)
        rest = np.delete(np.array(swap.weights) / weights, swap.criterion)
        assert rest == pytest.approx(np.full(k - 1, rest[0]), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 5), st.integers(0, 2**32 - 1))
def test_bisection_finds_what_the_closed_form_gives(k, seed):
    rng = np.random.default_rng(seed)
    first, second, weights = rng.random(k), rng.random(k), rng.dirichlet(np.ones(k))
    exact, found = (
        smallest_weight_change(first, second, weights),
        smallest_weight_change_of(lambda w: level(first, second, np.array(w)), weights),
    )
    assert (exact is None) == (found is None)
    if exact is not None:
        assert abs(found.change) == pytest.approx(abs(exact.change), abs=1e-9)


@pytest.mark.parametrize(("rule", "more"), [("geometric", {}), ("ordered", {"alpha": 2.0})])
def test_under_other_rules_the_two_places_come_out_level(rule, more):
    first, second, weights = np.array([0.9, 0.4, 0.6]), np.array([0.5, 0.7, 0.6]), (0.5, 0.3, 0.2)

    def difference(w):
        return float(combine(first, w, rule, **more) - combine(second, w, rule, **more))

    swap = smallest_weight_change_of(difference, weights)
    assert difference(weights) > 0
    assert difference(swap.weights) == pytest.approx(0.0, abs=1e-9)


def test_no_weight_falls_below_0_when_another_goes_all_the_way():
    asked = []

    def difference(w):
        asked.append(w)
        return 0.1  # no weight turns it, so that each goes all the way

    assert smallest_weight_change_of(difference, [0.067, 0.933]) is None  # 0.067 + (1 - 0.067) is above 1 by a rounding
    assert np.min(asked) == 0.0
    assert np.max(asked) == pytest.approx(1.0, abs=1e-12)


def test_impossible_questions_about_sensitivity_are_refused():
    for ask in (
        lambda: sobol_indices(lambda x: x[0], []),
        lambda: sobol_indices(lambda x: x[0], [Uniform(0, 1)], points=100),
        lambda: sobol_indices(lambda x: x[0], [Uniform(0, 1)], repeats=1),
        lambda: sobol_indices(lambda x: x[0] * np.nan, [Uniform(0, 1)]),
        lambda: sobol_indices(lambda x: x[0, :3], [Uniform(0, 1)]),
        lambda: smallest_weight_change([0.1], [0.2, 0.3], [0.5, 0.5]),
        lambda: smallest_weight_change([0.1, 0.2], [0.2, 0.3], [0.5, 0.6]),
    ):
        with pytest.raises(ValueError, match=r"inputs|score|weights"):
            ask()
