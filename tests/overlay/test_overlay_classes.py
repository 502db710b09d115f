"""Classes: a cut belongs to the better class, and a fatal factor never hides in S1."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.overlay import EXCLUDED, MISSING, NOTHING_LIMITS, S1, S2, S3, N, check_classes, class_name, classify


def test_the_value_of_a_cut_belongs_to_the_better_class() -> None:
    scores = [1.0, 0.75, 0.7499999, 0.5, 0.4999999, 0.25, 0.2499999, 0.0]
    assert classify(scores).tolist() == [S1, S1, S2, S2, S3, S3, N, N]


@pytest.mark.parametrize("cut", [0.7, 0.1, 1 / 3, 0.6000001])
def test_a_cut_in_decimals_is_met_by_the_stored_score(cut: float) -> None:
    cuts = (cut, cut / 2, cut / 4)
    assert classify(np.float32(cut), cuts=cuts) == S1
    assert classify(np.nextafter(np.float32(cut), np.float32(0)), cuts=cuts) == S2


def test_the_cap_table() -> None:
    levels = [0.9, 0.6, 0.3, 0.1]  # one score in each class
    capped = [[int(classify(s, weakest=w)) for w in levels] for s in levels]
    assert capped == [[1, 1, 2, 3], [2, 2, 2, 3], [3, 3, 3, 3], [4, 4, 4, 4]]
    assert [[int(classify(s, weakest=w, cap="none")) for w in levels] for s in levels] == [
        [c] * 4 for c in (1, 2, 3, 4)
    ]


@settings(deadline=None)
@given(st.floats(0, 1), st.floats(0, 1))
def test_capping_never_betters_a_class_and_stays_one_above_the_weakest(score: float, weakest: float) -> None:
    capped, free, worst = (int(classify(s, w)) for s, w in ((score, weakest), (score, None), (weakest, None)))
    assert capped == max(free, worst - 1)


def test_missing_has_no_class() -> None:
    assert classify([np.nan, 0.9, np.nan], [0.5, np.nan, np.nan]).tolist() == [MISSING] * 3


def test_the_shape_is_kept() -> None:
    assert classify(np.ones((2, 3)), np.zeros((2, 3))).tolist() == [[S3] * 3] * 2
    assert classify(np.ones((2, 3))).dtype == np.uint8
    with pytest.raises(ValueError, match="lowest memberships"):
        classify(np.ones((2, 3)), np.ones(3))


def test_codes_are_the_ones_the_rasters_promise() -> None:
    assert [S1, S2, S3, N, EXCLUDED, MISSING, NOTHING_LIMITS] == [1, 2, 3, 4, 250, 255, 253]
    assert [class_name(c) for c in (1, 2, 3, 4, 250, 255)] == ["S1", "S2", "S3", "N", "excluded", "missing"]


@pytest.mark.parametrize("cuts", [(0.5, 0.75, 0.25), (0.75, 0.75, 0.25), (1.1, 0.5, 0.25), (0.75, 0.5, 0.0)])
def test_cuts_that_do_not_fall_are_refused(cuts: tuple[float, float, float]) -> None:
    with pytest.raises(UnderoakError, match="E318 classes: class cuts S1"):
        classify(0.5, cuts=cuts)


def test_an_unknown_cap_is_refused() -> None:
    with pytest.raises(UnderoakError, match="E318 classes: cap cannot be"):
        check_classes((0.75, 0.5, 0.25), "wekest")
