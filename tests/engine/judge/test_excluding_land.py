"""Loops over the ground: constraints, missing cells, counts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.engine.judge import cell_state as loops
from underoak.plan.keys.constraints import Comparison

TEXTS = ["< 7.1", "<= 7.1", "> 7.1", ">= 7.1", "== 7.1", "!= 7.1", "> -3", "in 1, 2, 5", "in 7"]
NEAR = [np.float32(7.1), np.nextafter(np.float32(7.1), np.float32(8)), np.nextafter(np.float32(7.1), np.float32(7))]
NUMBERS = st.sampled_from([*map(float, NEAR), 1.0, 2.0, 5.0, 7.0, -3.0, 0.0]) | st.floats(
    width=32, allow_infinity=False
)


@pytest.mark.parametrize("text", TEXTS)
@given(values=st.lists(NUMBERS, min_size=1, max_size=40))
def test_a_compiled_comparison_says_what_the_plain_one_says_and_false_where_missing(text, values):
    comparison, cells = Comparison.parse(text), np.float32([values])
    plain = np.array([bool(comparison.holds(np.float32(v))) and not np.isnan(v) for v in cells[0]])
    assert loops.compare(comparison, cells).tolist() == [plain.tolist()]


def test_excluded_beats_missing_and_ground_outside_stays_outside():
    ground = np.uint8([loops.FREE, loops.MISSING, loops.EXCLUDED, loops.OUTSIDE])
    loops.mark_missing(np.float32([np.nan] * 4), ground)
    assert ground.tolist() == [loops.MISSING, loops.MISSING, loops.EXCLUDED, loops.OUTSIDE]
    assert loops.exclude(np.array([True] * 4), ground) == 3
    assert ground.tolist() == [loops.EXCLUDED, loops.EXCLUDED, loops.EXCLUDED, loops.OUTSIDE]


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(0, 255), st.integers(0, 3)), max_size=60))
def test_codes_are_counted_inside_the_region_only(cells):
    classes, weakest, ground = np.array(cells, np.uint8).reshape(-1, 3).T.copy()
    counted = np.zeros((2, 4, 256), np.int64)
    loops.count_codes(classes, weakest, ground, *counted)
    inside = ground != loops.OUTSIDE
    for found, codes in zip(counted.sum(axis=1), (classes, weakest), strict=True):
        assert found.tolist() == np.bincount(codes[inside], minlength=256).tolist()


def test_missing_cells_are_counted_inside_the_region_only():
    values = np.float32([np.nan, np.nan, 1.0, np.nan])
    ground = np.uint8([loops.FREE, loops.OUTSIDE, loops.FREE, loops.EXCLUDED])
    assert loops.count_missing(values, ground) == 2
