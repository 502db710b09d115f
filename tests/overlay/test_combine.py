"""Combination: four rules with known answers, and the laws that hold between them."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.overlay import combine, orness

import plain_overlay as plain

unit = st.one_of(
    st.floats(0.0, 1.0, allow_subnormal=False), st.sampled_from([0.0, 0.3, 1.0])
)  # smaller ones count as zero
weight = st.one_of(st.floats(0.01, 1.0), st.just(0.0))


@st.composite
def cases(draw: st.DrawFn, gaps: bool = False) -> tuple[list[float], list[float], dict[str, object]]:
    """Memberships, weights and settings of any rule."""
    n = draw(st.integers(1, 8))
    m = draw(st.lists(st.one_of(unit, st.just(math.nan)) if gaps else unit, min_size=n, max_size=n))
    w = draw(st.lists(weight, min_size=n, max_size=n).filter(any))
    options: dict[str, object] = {"rule": draw(st.sampled_from(["linear", "geometric", "minimum", "ordered"]))}
    if options["rule"] == "ordered" and draw(st.booleans()):
        options["order_weights"] = draw(st.lists(weight, min_size=n, max_size=n).filter(any))
        w = [1.0] * n
    elif options["rule"] == "ordered":
        options["alpha"] = draw(st.one_of(st.floats(0.1, 10.0), st.sampled_from([0.5, 1.0, 2.0])))
    options["missing"] = draw(st.sampled_from(["stop", "renormalise"]))
    return m, w, options


def told(m: list[float], w: list[float], options: dict[str, object]) -> float:
    return float(combine(m, w, **options))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("settings_", "expected"),
    [
        ({}, 0.81),
        ({"rule": "geometric"}, 0.70222899),  # .9**.3 * .2**.2
        ({"rule": "minimum"}, 0.2),
        ({"rule": "ordered", "alpha": 1.0}, 0.81),
        ({"rule": "ordered", "alpha": 2.0}, 1 * 0.25 + 0.9 * (0.64 - 0.25) + 0.2 * (1 - 0.64)),
    ],
)
def test_three_criteria_by_hand(settings_: dict[str, object], expected: float) -> None:
    assert told([1.0, 0.9, 0.2], [0.5, 0.3, 0.2], settings_) == pytest.approx(expected, abs=1e-7)


@settings(deadline=None, max_examples=300)
@given(cases(gaps=True))
def test_every_rule_agrees_with_its_definition(case: tuple[list[float], list[float], dict[str, object]]) -> None:
    m, w, o = case
    expected = plain.score(m, w, o["rule"], o.get("order_weights"), o.get("alpha"), o["missing"])  # type: ignore[arg-type]
    np.testing.assert_allclose(told(m, w, o), expected, atol=1e-12)


@settings(deadline=None)
@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_criteria_does_not_matter(
    case: tuple[list[float], list[float], dict[str, object]], random: object
) -> None:
    m, w, o = case
    order = list(range(len(m)))
    random.shuffle(order)  # type: ignore[attr-defined]
    assert told([m[i] for i in order], [w[i] for i in order], o) == pytest.approx(told(m, w, o), abs=1e-12)


@settings(deadline=None)
@given(cases(), st.data())
def test_raising_a_membership_never_lowers_the_score(
    case: tuple[list[float], list[float], dict[str, object]], data: st.DataObject
) -> None:
    m, w, o = case
    k = data.draw(st.integers(0, len(m) - 1))
    better = [*m[:k], data.draw(st.floats(m[k], 1.0, allow_subnormal=False)), *m[k + 1 :]]
    assert told(better, w, o) >= told(m, w, o) - 1e-14


@settings(deadline=None)
@given(cases())
def test_the_rules_keep_their_order(case: tuple[list[float], list[float], dict[str, object]]) -> None:
    m, w, _ = case
    low, mid, high = (told(m, w, {"rule": rule}) for rule in ("minimum", "geometric", "linear"))
    assert low <= mid + 1e-12
    assert mid <= high + 1e-12
    assert high <= max(x for x, v in zip(m, w, strict=True) if v) + 1e-12
    assert told(m, w, {"rule": "ordered", "alpha": 1.0}) == pytest.approx(high, abs=1e-12)
    assert (
        told(m, w, {"rule": "ordered", "alpha": 3.0})
        <= high + 1e-12
        <= 2e-12 + told(m, w, {"rule": "ordered", "alpha": 0.3})
    )


@settings(deadline=None)
@given(st.lists(unit, min_size=1, max_size=8))
def test_even_order_weights_are_the_mean(m: list[float]) -> None:
    even = {"rule": "ordered", "order_weights": [1.0] * len(m)}
    assert told(m, [1.0] * len(m), even) == pytest.approx(math.fsum(m) / len(m), abs=1e-12)


def test_order_weights_see_no_difference_between_criteria() -> None:
    m, v = (0.7, 1.0, 0.3, 0.6), [0.4, 0.3, 0.2, 0.1]
    found = {round(told(list(p), [1] * 4, {"rule": "ordered", "order_weights": v}), 12) for p in permutations(m)}
    assert found == {0.76}


def test_a_zero_kills_the_product_only_where_it_has_a_weight() -> None:
    assert told([0.0, 1.0], [0.01, 0.99], {"rule": "geometric"}) == 0.0
    assert told([0.0, 0.81], [0.0, 1.0], {"rule": "geometric"}) == pytest.approx(0.81, abs=1e-15)
    assert told([1e-310, 1.0], [0.5, 0.5], {"rule": "geometric"}) == 0.0


def test_all_ones_give_exactly_one_and_all_zeros_exactly_zero() -> None:
    for n in range(1, 11):
        w = [0.1 + 0.07 * i for i in range(n)]
        for o in ({}, {"rule": "geometric"}, {"rule": "minimum"}, {"rule": "ordered", "alpha": 0.7}):
            assert told([1.0] * n, w, o) == 1.0
            assert told([0.0] * n, w, o) == 0.0


@pytest.mark.parametrize("rule", ["linear", "geometric", "minimum"])
def test_missing_stops_unless_the_criterion_has_no_weight(rule: str) -> None:
    nan = math.nan
    assert math.isnan(told([nan, 0.5], [0.5, 0.5], {"rule": rule}))
    assert told([nan, 0.5], [0.0, 1.0], {"rule": rule}) == pytest.approx(0.5, abs=1e-15)
    assert told([nan, 0.5], [0.9, 0.1], {"rule": rule, "missing": "renormalise"}) == pytest.approx(0.5, abs=1e-15)
    assert math.isnan(told([nan, 0.5], [1.0, 0.0], {"rule": rule, "missing": "renormalise"}))
    assert math.isnan(told([nan, 0.0], [1e-20, 1.0], {"rule": rule}))


def test_renormalising_by_hand() -> None:
    m, w = [0.8, math.nan, 0.2], [0.5, 0.3, 0.2]
    o = {"missing": "renormalise"}
    assert told(m, w, o) == pytest.approx((0.5 * 0.8 + 0.2 * 0.2) / 0.7, abs=1e-12)
    assert told(m, w, {**o, "rule": "geometric"}) == pytest.approx(0.8 ** (5 / 7) * 0.2 ** (2 / 7), abs=1e-12)
    assert told(m, w, {**o, "rule": "minimum"}) == 0.2
    # two of three there: the best half counts for .6 + .3 / 2
    order = {**o, "rule": "ordered", "order_weights": [0.6, 0.3, 0.1]}
    assert told(m, [1, 1, 1], order) == pytest.approx(0.75 * 0.8 + 0.25 * 0.2, abs=1e-12)


def test_any_shape_follows_the_criterion() -> None:
    m = np.random.default_rng(2).random((3, 4, 5, 6))
    found = combine(m, [0.5, 0.3, 0.2], "geometric")
    assert found.shape == (4, 5, 6)
    np.testing.assert_allclose(found, m[0] ** 0.5 * m[1] ** 0.3 * m[2] ** 0.2, atol=1e-12)
    assert combine(m[:, 1, 2, 3], [0.5, 0.3, 0.2], "geometric") == found[1, 2, 3]
    np.testing.assert_array_equal(combine(m[..., ::2], [1, 1, 1]), combine(m, [1, 1, 1])[..., ::2])
    assert combine(m.astype(np.float32), [1, 1, 1]).dtype == np.float64
    assert combine([[0, 1], [1, 1]], [1, 1]).tolist() == [0.5, 1.0]


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        ({"rule": "linaer"}, "E316", 'did you mean "linear"'),
        ({"missing": "ignore"}, "E316", "missing cannot be"),
        ({"rule": "ordered"}, "E316", "either order_weights or alpha"),
        ({"rule": "ordered", "alpha": 1.0, "order_weights": [1, 1]}, "E316", "either order_weights or alpha"),
        ({"rule": "ordered", "alpha": 0.0}, "E316", "alpha cannot be 0"),
        ({"rule": "ordered", "alpha": math.nan}, "E316", "alpha cannot be nan"),
        ({"rule": "linear", "alpha": 2.0}, "E316", "have no effect under the rule linear"),
        ({"rule": "ordered", "order_weights": [1, 1, 1]}, "E316", "3 order_weights for 2 criteria"),
        ({"rule": "ordered", "order_weights": [1, 1], "weights": [0.6, 0.4]}, "E316", "criteria of equal weight"),
        ({"rule": "ordered", "order_weights": [1, -1]}, "E310", "cannot be -1"),
        ({"weights": [0, 0]}, "E311", "no criterion"),
    ],
)
def test_settings_that_do_not_go_together_are_refused(options: dict[str, object], code: str, says: str) -> None:
    with pytest.raises(UnderoakError, match=says) as caught:
        combine([0.5, 0.5], **{"weights": [0.5, 0.5], **options})  # type: ignore[arg-type]
    assert [fault.code for fault in caught.value.faults] == [code]


def test_all_faulty_settings_are_told_at_once() -> None:
    with pytest.raises(UnderoakError) as caught:
        combine([0.5], [-1.0], "linaer", alpha=-1.0, missing="no")  # type: ignore[arg-type]
    assert [fault.code for fault in caught.value.faults] == ["E310", "E316", "E316", "E316"]


def test_a_weight_for_each_criterion_is_needed() -> None:
    for m in ([0.5, 0.5, 0.5], 0.5, []):
        with pytest.raises(ValueError, match="2 weights"):
            combine(m, [0.5, 0.5])


def test_orness_of_one_criterion_is_in_the_middle() -> None:
    assert orness([1.0]) == 0.5
