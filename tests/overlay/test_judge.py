"""The one-pass judge: three states that never mix, and the same answers as the plain functions, bit for bit."""

from __future__ import annotations

import pickle
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from underoak.base.errors import UnderoakError
from underoak.overlay import (
    EXCLUDED,
    MISSING,
    NOTHING_LIMITS,
    OverlayResult,
    Rules,
    classify,
    combine,
    judge,
    most_gainful,
    weakest,
)

RULES: dict[str, dict[str, Any]] = {
    "linear": {"rule": "linear"},
    "geometric": {"rule": "geometric"},
    "minimum": {"rule": "minimum"},
    "cautious": {"rule": "ordered", "alpha": 2.0},
    "forgiving": {"rule": "ordered", "alpha": 0.7},
    "ordered": {"rule": "ordered", "order_weights": (0.4, 0.3, 0.2, 0.1)},
}
WEIGHTS = {name: (1, 1, 1, 1) if name == "ordered" else (0.4, 0.0, 0.35, 0.25) for name in RULES}


def rules_of(name: str, **more: Any) -> Rules:
    return Rules(WEIGHTS[name], **RULES[name], **more)


def region(rows: int = 40, cols: int = 61, gaps: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Memberships with gaps, ties, zeros and ones, and all three kinds of ground; longer than one stretch."""
    rng = np.random.default_rng(11)
    m = rng.random((4, rows, cols), dtype=np.float32)
    m = np.where(rng.random(m.shape) < 0.3, rng.choice(np.float32([0, 0.25, 0.5, 0.75, 1]), m.shape), m)
    m[:, rng.random((rows, cols)) < 0.1] = 1.0
    m[rng.random(m.shape) < gaps] = np.nan
    return m, rng.choice(np.uint8([0, 0, 0, 1, 2]), (rows, cols))


def same(a: OverlayResult, b: OverlayResult) -> bool:
    return all(x is y or x.tobytes() == y.tobytes() for x, y in zip(a, b, strict=True))


def one(m: list[float], ground: int, rules: Rules) -> tuple[float, int, int, int, float | None]:
    found = judge(np.float32(m).reshape(-1, 1, 1), [[ground]], rules)
    return tuple(None if a is None else a.item() for a in found)  # type: ignore[return-value]


@pytest.mark.parametrize("missing", ["stop", "renormalise"])
@pytest.mark.parametrize("name", RULES)
def test_the_judge_says_what_the_plain_functions_say(name: str, missing: Any) -> None:
    m, ground = region()
    rules = rules_of(name, missing=missing)
    found = judge(m, ground, rules)
    score = np.where(
        ground == 0, combine(m, rules.weights, rules.rule, rules.order_weights, rules.alpha, missing), np.nan
    )
    assert found.suitability.tobytes() == score.astype(np.float32).tobytes()

    counts = m[np.array(rules.weights) > 0]
    least = np.fmin.reduce(counts, axis=0)
    classes = np.where(np.isnan(score), MISSING, classify(found.suitability, least, rules.cuts, rules.cap))
    np.testing.assert_array_equal(found.classes, np.where(ground == 1, EXCLUDED, classes))

    for row, col in zip(*np.nonzero(ground == 0), strict=True):
        cell = m[:, row, col]
        weak = weakest(cell, rules.weights, missing)
        gain = most_gainful(cell, rules.weights, rules.rule, rules.order_weights, rules.alpha, missing)
        first = [MISSING if t is None else t[0] if t else NOTHING_LIMITS for t in (weak, gain)]
        assert [found.weakest[row, col], found.gainful[row, col]] == first


@pytest.mark.parametrize(
    ("ground", "m", "stop", "renormalise"),
    [
        (0, [0.8, 0.8], 1, 1),
        (0, [0.1, 0.1], 4, 4),
        (0, [0.8, np.nan], MISSING, 1),
        (0, [np.nan, np.nan], MISSING, MISSING),
        (1, [0.8, 0.8], EXCLUDED, EXCLUDED),
        (1, [0.1, 0.1], EXCLUDED, EXCLUDED),
        (1, [0.8, np.nan], EXCLUDED, EXCLUDED),
        (1, [np.nan, np.nan], EXCLUDED, EXCLUDED),
        (2, [0.8, 0.8], MISSING, MISSING),
        (2, [0.1, 0.1], MISSING, MISSING),
        (2, [0.8, np.nan], MISSING, MISSING),
        (2, [np.nan, np.nan], MISSING, MISSING),
    ],
)
@pytest.mark.parametrize("rule", ["linear", "geometric", "minimum", "ordered"])
def test_three_states_never_mix(ground: int, m: list[float], stop: int, renormalise: int, rule: Any) -> None:
    for missing, code in (("stop", stop), ("renormalise", renormalise)):
        rules = Rules((1, 1), rule, alpha=2.0 if rule == "ordered" else None, missing=missing)  # type: ignore[arg-type]
        score, classed, weak, gain, _ = one(m, ground, rules)
        assert classed == code
        if code in (EXCLUDED, MISSING):
            assert np.isnan(score)
            assert weak == gain == code
        else:
            assert score == pytest.approx(m[0], abs=1e-7)
            assert weak == gain == 0


@settings(deadline=None, max_examples=50)
@given(
    m=hnp.arrays(np.float32, (3, 2, 5), elements=st.one_of(st.floats(0, 1, width=32), st.just(np.float32("nan")))),
    ground=hnp.arrays(np.uint8, (2, 5), elements=st.integers(0, 2)),
    name=st.sampled_from([n for n in RULES if n != "ordered"]),
    missing=st.sampled_from(["stop", "renormalise"]),
)
def test_the_four_rasters_always_tell_one_story(m: np.ndarray, ground: np.ndarray, name: str, missing: Any) -> None:
    found = judge(m, ground, Rules((0.5, 0.2, 0.3), **RULES[name], missing=missing))
    judged = ~np.isnan(found.suitability)
    gone = np.isnan(m).any(axis=0) if missing == "stop" else np.isnan(m).all(axis=0)
    np.testing.assert_array_equal(judged, (ground == 0) & ~gone)
    assert ((found.suitability[judged] >= 0) & (found.suitability[judged] <= 1)).all()
    assert np.isin(found.classes[judged], [1, 2, 3, 4]).all()
    for limits in (found.weakest, found.gainful):
        assert np.isin(limits[judged], [0, 1, 2, NOTHING_LIMITS]).all()
    np.testing.assert_array_equal(found.weakest == NOTHING_LIMITS, found.gainful == NOTHING_LIMITS)
    for raster in (found.classes, found.weakest, found.gainful):
        assert (raster[ground == 1] == EXCLUDED).all()
        assert (raster[~judged & (ground != 1)] == MISSING).all()


@pytest.mark.parametrize("name", RULES)
def test_plan_order_changes_names_but_not_scores(name: str) -> None:
    rng = np.random.default_rng(4)
    m, order = rng.random((4, 20, 30), dtype=np.float32), [2, 0, 3, 1]
    ground = np.zeros((20, 30), np.uint8)
    rules = rules_of(name)
    turned = Rules(tuple(rules.weights[k] for k in order), **RULES[name])
    a, b = judge(m, ground, rules), judge(m[order], ground, turned)
    np.testing.assert_allclose(a.suitability, b.suitability, atol=1e-7)
    np.testing.assert_array_equal(a.classes, b.classes)
    np.testing.assert_array_equal(a.weakest, np.array(order)[b.weakest])
    other = np.array(order)[b.gainful]
    assert (a.gainful == other).mean() > 0.99
    for row, col in zip(*np.nonzero(a.gainful != other), strict=True):  # a tie: the first in either order
        ties = most_gainful(m[:, row, col], rules.weights, rules.rule, rules.order_weights, rules.alpha)
        assert ties is not None
        assert {a.gainful[row, col], other[row, col]} <= set(ties)


@pytest.mark.parametrize("missing", ["stop", "renormalise"])
@pytest.mark.parametrize("name", RULES)
def test_tiles_and_threads_change_no_bit(name: str, missing: Any) -> None:
    m, ground = region(70, 83)
    rules = rules_of(name, missing=missing)
    whole = judge(m, ground, rules)
    tiles = [(slice(r, r + 13), slice(c, c + 29)) for r in range(0, 70, 13) for c in range(0, 83, 29)]
    with ThreadPoolExecutor(4) as pool:
        parts = list(pool.map(lambda t: judge(m[:, t[0], t[1]], ground[t], rules), tiles))
    for tile, part in zip(tiles, parts, strict=True):
        cut = OverlayResult(*(None if a is None else np.ascontiguousarray(a[tile]) for a in whole))  # type: ignore[arg-type]
        assert same(part, cut)


def test_a_criterion_without_weight_changes_nothing() -> None:
    m, ground = region()
    bare = judge(m[[0, 2, 3]], ground, Rules((0.4, 0.35, 0.25), "geometric"))
    wild = m.copy()
    wild[1] = np.random.default_rng(9).choice(np.float32([np.nan, 0, 1]), m[1].shape)
    found = judge(wild, ground, rules_of("geometric"))
    assert found.suitability.tobytes() == bare.suitability.tobytes()
    assert found.classes.tobytes() == bare.classes.tobytes()
    assert not (found.weakest == 1).any()
    assert not (found.gainful == 1).any()


def test_renormalising_where_nothing_is_missing_changes_no_bit() -> None:
    m, ground = region(gaps=0.0)
    for name in RULES:
        stop, renormalised = judge(m, ground, rules_of(name)), judge(m, ground, rules_of(name, missing="renormalise"))
        assert stop.missing_weight is None
        assert renormalised.missing_weight is not None
        assert same(stop, renormalised._replace(missing_weight=None))
        assert (renormalised.missing_weight[ground == 0] == 0.0).all()


def test_the_missing_weight_map_by_hand() -> None:
    rules = Rules((5, 3, 2, 0), missing="renormalise")
    nan = np.nan
    cells = np.float32([[1, 1, 1, nan], [nan, 0.6, 0.2, 1], [1, nan, nan, 1], [nan, nan, nan, 1]]).T.reshape(4, 1, 4)
    found = judge(cells, np.zeros((1, 4)), rules)
    assert found.missing_weight is not None
    np.testing.assert_allclose(found.missing_weight[0], [0.0, 0.5, 0.5, 1.0], atol=1e-7)
    np.testing.assert_allclose(found.suitability[0], [1.0, 0.44, 1.0, nan], atol=1e-7)
    assert found.classes.tolist() == [[1, 3, 1, MISSING]]
    off = judge(cells, [[1, 2, 1, 2]], rules)
    assert off.missing_weight is not None
    assert np.isnan(off.missing_weight).all()


def test_a_fatal_factor_never_hides_in_s1() -> None:
    m = [1.0, 1.0, 1.0, 0.1]
    score, classed, weak, gain, _ = one(m, 0, Rules((1, 1, 1, 1)))
    assert score == pytest.approx(0.775, abs=1e-7)
    assert (classed, weak, gain) == (3, 3, 3)
    assert one(m, 0, Rules((1, 1, 1, 1), cap="none"))[1] == 1
    assert one(m, 0, Rules((1, 1, 1, 0)))[1:4] == (1, NOTHING_LIMITS, NOTHING_LIMITS)


def test_classes_follow_from_the_stored_suitability() -> None:
    m, ground = region()
    rules = Rules(WEIGHTS["linear"], cuts=(0.7, 0.45, 0.2), cap="none")
    found = judge(m, ground, rules)
    np.testing.assert_array_equal(
        np.where(ground == 1, EXCLUDED, classify(found.suitability, cuts=(0.7, 0.45, 0.2))), found.classes
    )
    assert one([0.7, 0.7], 0, Rules((0.9, 0.1), cuts=(0.7, 0.45, 0.2)))[1] == 1


def test_inputs_are_left_alone_and_may_be_read_only() -> None:
    m, ground = region()
    before = m.tobytes(), ground.tobytes()
    m.flags.writeable = ground.flags.writeable = False
    frozen = judge(m, ground, rules_of("geometric"))
    assert (m.tobytes(), ground.tobytes()) == before
    assert same(frozen, judge(np.asfortranarray(m), ground.astype(int), rules_of("geometric")))


def test_shapes_that_do_not_fit_are_refused() -> None:
    m, ground = region()
    with pytest.raises(ValueError, match="4 weights"):
        judge(m[:3], ground, rules_of("linear"))
    with pytest.raises(ValueError, match="state is"):
        judge(m, ground[:, 1:], rules_of("linear"))


def test_rules_are_checked_values() -> None:
    rules = Rules((2, 1, 1), "ordered", alpha=2.0)
    assert rules.weights == (0.5, 0.25, 0.25)
    assert pickle.loads(pickle.dumps(rules)) == rules == Rules(rules.weights, "ordered", alpha=2.0)
    assert Rules((1, 1), "ordered", order_weights=(3, 1)).order_weights == (0.75, 0.25)
    with pytest.raises(UnderoakError, match="E316"):
        Rules((1, 1), "ordered")
    with pytest.raises(UnderoakError, match="E310"):
        Rules((1, float("nan")))
    with pytest.raises(UnderoakError, match="E318"):
        Rules((1, 1), cuts=(0.2, 0.5, 0.7))
    with pytest.raises(ValueError, match="251 criteria"):
        Rules((1,) * 251)
