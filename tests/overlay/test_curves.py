"""Response curves: exact at their nodes, level outside, true to the better side of a jump, and never lost in NaN."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.overlay import Curve, membership

CURVES = {
    "ramp_up": Curve.ramp_up(2.0, 4.0),
    "ramp_down": Curve.ramp_down(2.0, 4.0),
    "hump": Curve.hump(1.0, 2.0, 4.0, 8.0),
    "trough": Curve.trough(1.0, 2.0, 4.0, 8.0),
    "bell": Curve.bell(4.0, 1.5),
    "steps": Curve.steps([2.0, 4.0], [0.25, 1.0, 0.5]),
    "points": Curve.points([(0.0, 0.125), (1.0, 0.75), (1.0, 0.25), (6.0, 1.0)]),
    "table": Curve.table({1: 1.0, 2: 0.5, 7: 0.0}),
}
nodes = st.lists(
    st.tuples(st.floats(-1e4, 1e4, width=32), st.floats(0.0, 1.0)), min_size=2, max_size=10, unique_by=lambda p: p[0]
).map(sorted)


def at(curve: Curve, *values: float) -> list[float]:
    found: list[float] = membership(np.array(values), curve).tolist()
    return found


@pytest.mark.parametrize(
    ("curve", "expected"),
    [
        (CURVES["ramp_up"], {1.0: 0.0, 2.0: 0.0, 2.5: 0.25, 3.0: 0.5, 4.0: 1.0, 9.0: 1.0}),
        (CURVES["ramp_down"], {1.0: 1.0, 2.0: 1.0, 2.5: 0.75, 3.0: 0.5, 4.0: 0.0, 9.0: 0.0}),
        (CURVES["hump"], {0.0: 0.0, 1.0: 0.0, 1.5: 0.5, 2.0: 1.0, 3.0: 1.0, 4.0: 1.0, 5.0: 0.75, 8.0: 0.0, 9.0: 0.0}),
        (CURVES["trough"], {0.0: 1.0, 1.0: 1.0, 1.5: 0.5, 2.0: 0.0, 3.0: 0.0, 4.0: 0.0, 5.0: 0.25, 8.0: 1.0, 9.0: 1.0}),
        (CURVES["steps"], {1.9: 0.25, 2.0: 1.0, 3.0: 1.0, 4.0: 1.0, 4.1: 0.5}),
        (CURVES["points"], {-5.0: 0.125, 0.0: 0.125, 0.5: 0.4375, 1.0: 0.75, 3.5: 0.625, 6.0: 1.0, 7.0: 1.0}),
        (Curve.points([(1.0, 0.5), (1.0, 0.0)]), {0.9: 0.5, 1.0: 0.5, 1.1: 0.0}),
    ],
)
def test_a_curve_gives_the_known_values(curve: Curve, expected: dict[float, float]) -> None:
    assert at(curve, *expected) == list(expected.values())


def test_a_bell_is_one_at_its_centre_and_falls_by_the_normal_shape() -> None:
    np.testing.assert_allclose(at(CURVES["bell"], 4.0, 5.5, 2.5, 7.0), np.exp([0, -0.5, -0.5, -2.0]), atol=1e-7)


@pytest.mark.parametrize("degenerate", [Curve.ramp_up(3.0, 3.0), Curve.ramp_down(3.0, 3.0), Curve.hump(3, 3, 3, 3)])
def test_where_ends_meet_the_corner_is_one(degenerate: Curve) -> None:
    below, here, above = at(degenerate, np.nextafter(np.float32(3), np.float32(0)), 3.0, np.nextafter(np.float32(3), 4))
    assert here == 1.0
    assert {below, above} <= {0.0, 1.0}
    assert min(below, above) == 0.0


def test_a_table_gives_missing_or_the_other_value_for_unknown_codes() -> None:
    np.testing.assert_array_equal(at(CURVES["table"], 1, 2, 7, 3, 1.5, np.nan), [1, 0.5, 0, np.nan, np.nan, np.nan])
    other = Curve.table({5: 1.0}, otherwise=0.25)
    np.testing.assert_array_equal(at(other, 5, 4, 4, np.nan, 5), [1.0, 0.25, 0.25, np.nan, 1.0])


def test_a_table_may_be_written_in_any_order() -> None:
    assert Curve.table({7: 0.0, 1: 1.0}) == Curve.table({1: 1.0, 7: 0.0})
    assert at(Curve("table", (7.0, 1.0), (0.0, 1.0)), 1, 7) == [1.0, 0.0]


@pytest.mark.parametrize("name", CURVES)
def test_nan_stays_nan_and_infinities_are_far_values(name: str) -> None:
    values = np.array([np.nan, -np.inf, -1e30, np.inf, 1e30, 1e300], np.float64)
    found = membership(values, CURVES[name])
    assert np.isnan(found[0])
    if name == "table":
        assert np.isnan(found).all()
    else:
        assert found[1] == found[2]
        assert found[3] == found[4] == found[5]


@pytest.mark.parametrize("name", CURVES)
def test_shape_is_kept_and_tiles_do_not_matter(name: str) -> None:
    values = np.random.default_rng(1).uniform(-1, 10, (37, 61)).astype(np.float32)
    whole = membership(values, CURVES[name])
    assert whole.shape == values.shape
    assert whole.dtype == np.float32
    parts = np.concatenate([membership(values[:, c : c + 7], CURVES[name]) for c in range(0, 61, 7)], axis=1)
    assert whole.tobytes() == parts.tobytes()
    assert membership(values[3, 4], CURVES[name]).tobytes() == whole[3, 4].tobytes()


def test_a_stored_value_meets_a_corner_written_in_decimals() -> None:
    assert at(Curve.ramp_up(7.1, 7.1), np.float32(7.1)) == [1.0]
    assert at(Curve.ramp_down(7.3, 7.3), np.float32(7.3)) == [1.0]


def test_the_result_can_go_into_an_array_of_ones_own() -> None:
    stack = np.zeros((2, 3), np.float32)
    assert membership([1.0, 3.0, 5.0], CURVES["ramp_up"], out=stack[1]).base is stack
    assert stack.tolist() == [[0, 0, 0], [0, 0.5, 1]]
    for wrong in (np.zeros(2, np.float32), np.zeros(3), np.zeros((3, 2), np.float32)[:, 0]):
        with pytest.raises(ValueError, match="out must be"):
            membership([1.0, 3.0, 5.0], CURVES["ramp_up"], out=wrong)


@settings(deadline=None)
@given(pairs=nodes, values=st.lists(st.floats(-2e4, 2e4, width=32), min_size=1, max_size=30))
def test_memberships_lie_within_the_nodes_values(pairs: list[tuple[float, float]], values: list[float]) -> None:
    found = membership(values, Curve.points(pairs))
    ys = np.float32([y for _, y in pairs])
    rounding = 1.2e-7  # one step of a float32 near 1
    assert (found >= ys.min() - rounding).all()
    assert (found <= ys.max() + rounding).all()
    assert ((found >= 0) & (found <= 1)).all()


@settings(deadline=None)
@given(pairs=nodes, values=st.lists(st.floats(-2e4, 2e4, width=32), min_size=1, max_size=30))
def test_straight_lines_agree_with_plain_interpolation(pairs: list[tuple[float, float]], values: list[float]) -> None:
    x, y = zip(*pairs, strict=True)
    assert at(Curve.points(pairs), *x) == np.float32(y).tolist()
    np.testing.assert_allclose(membership(values, Curve.points(pairs)), np.interp(values, x, y), atol=1e-6)


@settings(deadline=None)
@given(pairs=nodes, values=st.lists(st.floats(-2e4, 2e4, width=32), min_size=2, max_size=30))
def test_a_rising_curve_never_falls(pairs: list[tuple[float, float]], values: list[float]) -> None:
    rising = list(zip([x for x, _ in pairs], sorted(y for _, y in pairs), strict=True))
    found = membership(sorted(values), Curve.points(rising))
    assert (np.diff(found) >= 0.0).all()


@pytest.mark.parametrize(
    ("make", "code", "says"),
    [
        (lambda: Curve.ramp_up(7.0, 6.0), "E320", r"point 2 \(6\) is below point 1 \(7\)"),
        (lambda: Curve.hump(1.0, 2.0, 1.5, 3.0), "E320", r"point 3 \(1.5\) is below point 2 \(2\)"),
        (lambda: Curve.ramp_up(7.0, math.nan), "E320", "point 2 of the curve is nan"),
        (lambda: Curve.ramp_up(-math.inf, 1.0), "E320", "point 1 of the curve is -inf"),
        (lambda: Curve.points([(1.0, 0.5)]), "E320", "a curve of 1 places"),
        (lambda: Curve.steps([5.0, 5.0], [0, 1, 0]), "E320", r"step 1 \(5\) is not above step 0"),
        (lambda: Curve.steps([5.0], [0, 1, 0]), "E320", "into 2 pieces, but 3 are given"),
        (lambda: Curve.bell(5.0, 0.0), "E320", "width of a bell must be above 0"),
        (lambda: Curve.bell(5.0, math.nan), "E320", "width of a bell must be above 0"),
        (lambda: Curve.table({}), "E320", "a curve of 0 places"),
        (lambda: Curve.table({16777217: 1.0}), "E320", "is the same as its neighbours"),
        (lambda: Curve("table", (1.0, 1.0), (0.0, 1.0)), "E320", "stands twice"),
        (lambda: Curve.points([(1, 0.0), (2, 1.2)]), "E321", r"membership 1.2 \(value 2"),
        (lambda: Curve.points([(1, 0.0), (2, math.nan)]), "E321", "membership nan"),
        (lambda: Curve.table({1: -0.1}), "E321", "membership -0.1"),
        (lambda: Curve.table({1: 1.0}, otherwise=3.0), "E321", "membership 3"),
    ],
)
def test_a_curve_that_cannot_be_is_refused(make: object, code: str, says: str) -> None:
    with pytest.raises(UnderoakError, match=says) as caught:
        make()  # type: ignore[operator]
    assert [fault.code for fault in caught.value.faults] == [code]
    assert all(fault.fix for fault in caught.value.faults)


def test_all_faults_of_a_curve_are_told_at_once() -> None:
    with pytest.raises(UnderoakError) as caught:
        Curve.points([(3, 2.0), (2, 0.5), (1, -1.0)])
    assert [fault.code for fault in caught.value.faults] == ["E320", "E320", "E321", "E321"]


def test_a_curve_is_a_value() -> None:
    assert pickle.loads(pickle.dumps(CURVES["hump"])) == CURVES["hump"] == Curve.hump(1.0, 2.0, 4.0, 8.0)
    assert hash(CURVES["hump"]) == hash(Curve.hump(1.0, 2.0, 4.0, 8.0))
