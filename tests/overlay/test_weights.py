"""Weights given outright or by rank."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.overlay import normalise, rank_order_centroid, rank_reciprocal, rank_sum


@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=12).filter(any))
def test_weights_sum_to_one_and_keep_their_proportions(weights: list[float]) -> None:
    found = normalise(weights)
    assert math.isclose(math.fsum(found), 1.0, abs_tol=1e-14)
    for w, f in zip(weights, found, strict=True):
        assert math.isclose(f, w / math.fsum(weights), rel_tol=1e-12, abs_tol=1e-300)


@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=12))
def test_normalising_again_changes_no_bit(weights: list[float]) -> None:
    once = normalise(weights)
    assert normalise(once) == once


@pytest.mark.parametrize(
    ("weights", "code", "says"),
    [
        ([0.5, math.nan], "E310", "cannot be nan"),
        ([0.5, math.inf], "E310", "cannot be inf"),
        ([0.5, -0.1], "E310", "cannot be -0.1"),
        ([0.0, 0.0], "E311", "no criterion"),
        ([], "E311", "no criterion"),
    ],
)
def test_weights_that_cannot_be_are_refused(weights: list[float], code: str, says: str) -> None:
    with pytest.raises(UnderoakError, match=says) as caught:
        normalise(weights)
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.exit_code == 3


def test_every_faulty_weight_is_named() -> None:
    with pytest.raises(UnderoakError) as caught:
        normalise([-1.0, 0.5, math.nan], names=["ph", "water", "slope"])
    assert [fault.where for fault in caught.value.faults] == ["ph", "slope"]


@pytest.mark.parametrize("make", [rank_order_centroid, rank_sum, rank_reciprocal])
@pytest.mark.parametrize("n", [1, 2, 5, 30])
def test_ranked_weights_fall_and_sum_to_one(make: object, n: int) -> None:
    found = make(n)  # type: ignore[operator]
    assert len(found) == n
    assert list(found) == sorted(found, reverse=True)
    assert len(set(found)) == n
    assert math.isclose(math.fsum(found), 1.0, abs_tol=1e-14)


@pytest.mark.parametrize("make", [rank_order_centroid, rank_sum, rank_reciprocal])
def test_no_criteria_cannot_be_ranked(make: object) -> None:
    with pytest.raises(ValueError, match="cannot rank 0"):
        make(0)  # type: ignore[operator]
