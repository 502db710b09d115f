"""Limiting factors: the weakest and the most gainful, ties and all."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from test_combine import cases

from underoak.overlay import most_gainful, weakest

import plain_overlay as plain

RULES: list[dict[str, object]] = [
    {"rule": "linear"},
    {"rule": "geometric"},
    {"rule": "minimum"},
    {"rule": "ordered", "alpha": 2.0},
    {"rule": "ordered", "alpha": 0.6},
]


def gainful(m: list[float], w: list[float], options: dict[str, object]) -> tuple[int, ...] | None:
    return most_gainful(m, w, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("options", RULES)
def test_two_alike_are_both_named_in_plan_order(options: dict[str, object]) -> None:
    assert weakest([0.9, 0.3, 0.3], [1, 1, 1]) == (1, 2)
    assert gainful([0.9, 0.3, 0.3], [1, 1, 1], options) == (1, 2)
    assert gainful([0.3, 0.9, 0.3], [1, 1, 1], options) == (0, 2)


@pytest.mark.parametrize("options", RULES)
def test_a_criterion_without_weight_never_limits(options: dict[str, object]) -> None:
    for m in ([0.0, 0.6, 0.8], [math.nan, 0.6, 0.8]):
        assert weakest(m, [0, 1, 1]) == (1,)
        assert gainful(m, [0, 1, 1], options) == (1,)


@pytest.mark.parametrize("options", RULES)
def test_where_all_is_well_nothing_limits(options: dict[str, object]) -> None:
    for m in ([1.0, 1.0], [1.0, 1.0 - 5e-7]):
        assert weakest(m, [1, 1]) == ()
        assert gainful(m, [1, 1], options) == ()


@pytest.mark.parametrize("options", RULES)
def test_what_is_not_judged_has_no_limits(options: dict[str, object]) -> None:
    nan = math.nan
    assert weakest([nan, 0.5], [1, 1]) is None
    assert gainful([nan, 0.5], [1, 1], options) is None
    assert weakest([nan, 0.5], [1, 1], missing="renormalise") == (1,)
    assert gainful([nan, 0.5], [1, 1], {**options, "missing": "renormalise"}) == (1,)
    assert gainful([nan, nan], [1, 1], {**options, "missing": "renormalise"}) is None


def test_weight_decides_what_helps_most() -> None:
    assert weakest([0.2, 0.5], [0.1, 0.9]) == (0,)
    assert gainful([0.2, 0.5], [0.1, 0.9], {"rule": "linear"}) == (1,)
    assert gainful([0.2, 0.5], [0.1, 0.9], {"rule": "geometric"}) == (1,)
    assert gainful([0.2, 0.5], [0.1, 0.9], {"rule": "minimum"}) == (0,)


def test_a_lone_zero_is_what_helps_under_the_product_even_next_to_a_tiny_one() -> None:
    assert weakest([1e-7, 0.0, 1.0], [1, 1, 1]) == (0, 1)
    assert gainful([1e-7, 0.0, 1.0], [1, 1, 1], {"rule": "geometric"}) == (1,)


def test_where_no_single_step_helps_the_weakest_are_named() -> None:
    assert gainful([0.5, 0.0, 0.0], [1, 1, 1], {"rule": "geometric"}) == (1, 2)
    assert gainful([1e-7, 0.0, 0.0, 0.5], [1, 1, 1, 1], {"rule": "geometric"}) == (0, 1, 2)
    assert gainful([0.9, 0.3, 0.3], [1, 1, 1], {"rule": "minimum"}) == (1, 2)
    # all order weight on the best: nothing below it matters, and the best is 1 already
    best = {"rule": "ordered", "order_weights": [1, 0, 0]}
    assert gainful([1.0, 0.4, 0.2], [1, 1, 1], best) == (2,)


def test_gains_tie_within_a_millionth_of_the_score() -> None:
    for apart, expected in ((1.2e-6, (0, 1)), (2.5e-6, (0,))):  # gains half as far apart
        for options in ({"rule": "linear"}, {"rule": "ordered", "alpha": 1.0}):
            assert gainful([0.3, 0.3 + apart, 0.9], [1, 1, 0], options) == expected
            some = {**options, "missing": "renormalise"}
            assert gainful([0.3, 0.3 + apart, math.nan], [1, 1, 5], some) == expected
    for apart, expected in ((1.2e-6, (0, 1)), (1.6e-6, (0,))):  # sqrt(.5 + d) - sqrt(.5) is .707 d
        assert gainful([0.5, 0.5 + apart], [1, 1], {"rule": "geometric"}) == expected


def test_the_two_answers_agree_on_when_nothing_limits() -> None:
    edge = 1.0 - 1e-6
    for options in RULES:
        assert weakest([edge], [1]) == gainful([edge], [1], options) == ()


@settings(deadline=None, max_examples=300)
@given(cases(gaps=True))
def test_limits_agree_with_trying_every_criterion(case: tuple[list[float], list[float], dict[str, object]]) -> None:
    m, w, o = case
    plainly = (o["rule"], o.get("order_weights"), o.get("alpha"), o["missing"])
    if math.isnan(plain.score(m, w, *plainly)):  # type: ignore[arg-type]
        assert weakest(m, w, o["missing"]) is None  # type: ignore[arg-type]
        assert gainful(m, w, o) is None
        return
    there = [x for x, v in zip(m, w, strict=True) if v > 0 and x == x]
    gain = sorted(plain.gains(m, w, *plainly).values())
    near = [x - min(there) for x in there] + [1 - x for x in there] + [gain[-1] - g for g in gain] + [gain[-1]]
    assume(not any(0.9e-6 < abs(d) < 1.1e-6 for d in near))  # on the edge of a tie, rounding decides
    assert weakest(m, w, o["missing"]) == plain.weakest(m, w)  # type: ignore[arg-type]
    assert gainful(m, w, o) == plain.most_gainful(m, w, *plainly)


def test_one_vector_is_needed() -> None:
    with pytest.raises(ValueError, match="one membership for each criterion"):
        weakest([[0.5, 0.5], [0.5, 0.5]], [1, 1])
