"""Essential criteria: no class above their own, whatever cap, weight, rule and the other criteria say."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from underoak.overlay import EXCLUDED, MISSING, OverlayResult, Rules, classify, holding, judge

RULES: dict[str, dict[str, Any]] = {
    "linear": {"rule": "linear"},
    "geometric": {"rule": "geometric"},
    "minimum": {"rule": "minimum"},
    "cautious": {"rule": "ordered", "alpha": 2.0},
}
WEIGHTS = (0.37, 0.0, 0.41, 0.22)
NAN = math.nan


def ground_of(rows: int, cols: int, seed: int, gaps: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    """Memberships with gaps, zeros and ones, and states."""
    rng = np.random.default_rng(seed)
    m = rng.random((4, rows, cols), dtype=np.float32)
    m = np.where(rng.random(m.shape) < 0.3, rng.choice(np.float32([0, 0.25, 0.5, 0.75, 1]), m.shape), m)
    m[rng.random(m.shape) < gaps] = np.nan
    return m, rng.choice(np.uint8([0, 0, 0, 0, 1, 2]), (rows, cols))


def one(m: list[float], rules: Rules) -> tuple[int, int, int]:
    """Class, weakest and most gainful of one free cell."""
    result = judge(np.float32(m).reshape(-1, 1, 1), [[0]], rules)
    return result.classes.item(), result.weakest.item(), result.gainful.item()


def bytes_of(result: OverlayResult) -> list[bytes | None]:
    return [None if part is None else part.tobytes() for part in result]


memberships = hnp.arrays(
    np.float32, (4, 3, 5), elements=st.one_of(st.floats(0, 1, width=32), st.sampled_from([0.25, 0.5, 0.75, NAN]))
)


@settings(deadline=None, max_examples=80)
@given(
    m=memberships,
    name=st.sampled_from(list(RULES)),
    essential=st.sets(st.integers(0, 3), min_size=1),
    cap=st.sampled_from(["weakest", "none"]),
    missing=st.sampled_from(["stop", "renormalise"]),
    cuts=st.sampled_from([(0.75, 0.5, 0.25), (0.9, 0.61, 0.2)]),
)
def test_no_class_is_above_an_essential_one_and_no_other_class_moves(
    m: np.ndarray, name: str, essential: set[int], cap: Any, missing: Any, cuts: Any
) -> None:
    settled: dict[str, Any] = {"cap": cap, "missing": missing, "cuts": cuts, **RULES[name]}
    free = judge(m, np.zeros(m.shape[1:]), Rules(WEIGHTS, **settled))
    held = judge(m, np.zeros(m.shape[1:]), Rules(WEIGHTS, **settled, essential=tuple(essential)))
    unknown = np.isnan(m[list(essential)]).any(axis=0) & (missing == "stop")
    own = np.stack([np.where(np.isnan(m[k]), 0, classify(m[k], cuts=cuts)) for k in sorted(essential)])
    expected = np.where(free.classes == MISSING, MISSING, np.maximum(free.classes, own.max(axis=0)))
    np.testing.assert_array_equal(held.classes, np.where(unknown, MISSING, expected))
    kept = ~unknown
    assert held.suitability[kept].tobytes() == free.suitability[kept].tobytes()

    lowered = kept & (held.classes != free.classes)
    np.testing.assert_array_equal(held.weakest[kept & ~lowered], free.weakest[kept & ~lowered])
    for row, col in zip(*np.nonzero(lowered), strict=True):
        least = np.nanmin(m[sorted(essential), row, col])
        first = next(k for k in sorted(essential) if m[k, row, col] <= least + 1e-6)
        assert held.weakest[row, col] == first


@pytest.mark.parametrize("name", RULES)
def test_an_essential_criterion_at_its_best_everywhere_changes_nothing(name: str) -> None:
    m, ground = ground_of(37, 53, 3)
    m[[0, 1]] = 1.0
    free, held = Rules(WEIGHTS, **RULES[name]), Rules(WEIGHTS, **RULES[name], essential=(0, 1))
    assert bytes_of(judge(m, ground, free)) == bytes_of(judge(m, ground, held))


@pytest.mark.parametrize("cap", ["weakest", "none"])
@pytest.mark.parametrize("name", RULES)
def test_the_order_of_criteria_changes_nothing_but_their_numbers(name: str, cap: Any) -> None:
    m, ground = ground_of(31, 44, 8)
    order = [3, 1, 0, 2]
    rules = Rules(WEIGHTS, **RULES[name], cap=cap, essential=(0, 1))
    turned = Rules(
        tuple(rules.weights[k] for k in order), **RULES[name], cap=cap, essential=tuple(order.index(k) for k in (0, 1))
    )
    a, b = judge(m, ground, rules), judge(m[order], ground, turned)
    np.testing.assert_allclose(a.suitability, b.suitability, atol=1e-7)
    np.testing.assert_array_equal(a.classes, b.classes)
    codes = np.concatenate([order, np.arange(4, 256)])
    other = codes[b.weakest]
    for row, col in zip(*np.nonzero(a.weakest != other), strict=True):  # a tie: the first in either order
        assert abs(m[a.weakest[row, col], row, col] - m[other[row, col], row, col]) <= 1e-6


def test_tiles_and_threads_change_no_bit() -> None:
    m, ground = ground_of(70, 83, 5)
    rules = Rules(WEIGHTS, "geometric", essential=(1, 2))
    in_one = judge(m, ground, rules)
    tiles = [(slice(r, r + 13), slice(c, c + 29)) for r in range(0, 70, 13) for c in range(0, 83, 29)]
    with ThreadPoolExecutor(4) as pool:
        parts = list(pool.map(lambda t: judge(m[:, t[0], t[1]], ground[t], rules), tiles))
    for tile, part in zip(tiles, parts, strict=True):
        cut = [None if a is None else np.ascontiguousarray(a[tile]).tobytes() for a in in_one]
        assert bytes_of(part) == cut


def test_weight_and_cap_do_not_matter() -> None:
    m = [0.98, 0.3, 0.99, 0.97]
    for cap in ("weakest", "none"):
        rules = Rules((1, 0, 1, 1), cap=cap, essential=(1,))  # type: ignore[arg-type]
        assert one(m, rules) == (3, 1, 3)
        assert one([1.0, 0.3, 1.0, 1.0], rules) == (3, 1, 1)  # nothing else limits: it is what to improve
    assert one(m, Rules((1, 0, 1, 1)))[0] == 1


def test_the_cap_may_hold_more_than_an_essential_criterion_and_is_then_the_limit() -> None:
    rules = Rules((5, 5, 1, 1), essential=(0,))
    assert one([0.7, 0.9, 0.9, 0.1], rules)[:2] == (3, 3)  # S3 by the cap; the essential one allows S2
    assert one([0.2, 0.9, 0.9, 0.1], rules)[:2] == (4, 0)


def test_of_two_essential_criteria_the_lowest_is_named_and_of_equal_ones_the_first() -> None:
    rules = Rules((1, 1, 6, 6), essential=(0, 1))
    assert one([0.45, 0.31, 1, 1], rules)[:2] == (3, 1)
    assert one([0.45, 0.45, 1, 1], rules)[:2] == (3, 0)
    assert one([0.2, 0.4, 1, 1], Rules((0, 0, 1, 1), essential=(1, 0)))[:2] == (4, 0)


def test_states_stay_apart() -> None:
    m = np.float32([[[0.9, 0.9, 0.9, NAN]], [[0.1, 0.1, NAN, 0.1]]])
    ground = [[1, 2, 0, 0]]
    stop = judge(m, ground, Rules((1, 0), essential=(1,)))
    assert stop.classes.tolist() == [[EXCLUDED, MISSING, MISSING, MISSING]]
    assert stop.weakest.tolist() == stop.classes.tolist() == stop.gainful.tolist()
    assert np.isnan(stop.suitability).all()
    others = judge(m, ground, Rules((1, 0), missing="renormalise", essential=(1,)))
    assert others.classes.tolist() == [[EXCLUDED, MISSING, 1, MISSING]]


@settings(deadline=None, max_examples=60)
@given(
    m=memberships,
    name=st.sampled_from(list(RULES)),
    essential=st.sets(st.integers(0, 3)),
    cap=st.sampled_from(["weakest", "none"]),
)
def test_what_holds_a_class_is_what_must_change_to_lift_it(
    m: np.ndarray, name: str, essential: set[int], cap: Any
) -> None:
    rules = Rules(WEIGHTS, **RULES[name], missing="renormalise", cap=cap, essential=tuple(essential))
    result = judge(m, np.zeros(m.shape[1:]), rules)
    free = classify(result.suitability)
    holds = holding(result.suitability, m, rules)
    np.testing.assert_array_equal(holds.any(axis=0), result.classes != free)
    weighing = np.array(WEIGHTS) > 0
    for row, col in zip(*np.nonzero(holds.any(axis=0)), strict=True):
        raised = np.where(holds[:, row, col], 1.0, m[:, row, col])
        least = np.fmin.reduce(raised[weighing])
        needed = np.fmin.reduce(raised[sorted(essential)]) if essential else NAN
        lifted = classify(result.suitability[row, col], least, cap=cap, essential=needed)
        assert lifted < result.classes[row, col]


def test_rules_with_essential_criteria_are_checked_values() -> None:
    assert Rules((1, 1, 1), essential=(2, 0, 2)).essential == (0, 2)
    with pytest.raises(ValueError, match="essential"):
        Rules((1, 1), essential=(2,))
    with pytest.raises(ValueError, match="essential"):
        Rules((1, 1), essential=(-1,))
    with pytest.raises(ValueError, match="lowest essential"):
        classify([0.5, 0.5], essential=[0.5])
