"""Weights from pairwise ratios: complete or not, and told when they disagree, contradict or do not link."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.overlay import check_consistency, pairwise_from_ratios, pairwise_weights
from underoak.overlay.pairwise import log_least_squares, random_index

true_weights = st.lists(st.floats(0.05, 1.0), min_size=2, max_size=8)
NAMES = ["ph", "water", "rock", "slope"]


def faults_of(*triples: tuple[str, str, float], names: list[str] = NAMES) -> list[tuple[str, str]]:
    with pytest.raises(UnderoakError) as caught:
        pairwise_from_ratios(names, triples)
    return [(fault.code, str(fault)) for fault in caught.value.faults]


@given(true_weights)
def test_consistent_ratios_give_the_weights_back(true: list[float]) -> None:
    names = [f"c{i}" for i in range(len(true))]
    pairs = list(combinations(range(len(true)), 2))
    full = pairwise_from_ratios(names, [(names[i], names[j], true[i] / true[j]) for i, j in pairs])
    np.testing.assert_allclose(full.weights, np.array(true) / sum(true), atol=1e-9)
    assert full.method == "principal eigenvector"
    assert full.consistency_ratio == pytest.approx(0.0, abs=1e-9)
    assert (full.worst_triple, full.worst) == (None, "")

    chain = [(names[i], names[i + 1], true[i] / true[i + 1]) for i in range(len(true) - 1)]
    linked = pairwise_from_ratios(names, chain)
    np.testing.assert_allclose(linked.weights, np.array(true) / sum(true), atol=1e-9)
    assert linked.rms_residual == pytest.approx(0.0, abs=1e-9)
    if len(true) > 2:
        assert (linked.method, linked.consistency_ratio, linked.table) == ("log least squares", None, None)


@given(st.permutations(range(4)), st.lists(st.floats(0.2, 5.0), min_size=6, max_size=6), st.integers(4, 6))
def test_neither_order_nor_direction_of_the_pairs_matters(order: list[int], ratios: list[float], given_: int) -> None:
    pairs = [(0, 1), (1, 2), (2, 3), (0, 3), (0, 2), (1, 3)][:given_]
    plain = pairwise_from_ratios(NAMES, [(NAMES[i], NAMES[j], r) for (i, j), r in zip(pairs, ratios, strict=False)])
    turned = [(NAMES[j], NAMES[i], 1.0 / r) for (i, j), r in zip(pairs, ratios, strict=False)][::-1]
    names = [NAMES[i] for i in order]
    other = pairwise_from_ratios(names, turned)
    np.testing.assert_allclose([other.weights[names.index(n)] for n in NAMES], plain.weights, atol=1e-9)
    assert other.inconsistency == pytest.approx(plain.inconsistency, abs=1e-9)


def test_log_least_squares_of_all_pairs_is_the_geometric_mean_of_rows() -> None:
    matrix = np.array([[1, 3, 5], [1 / 3, 1, 2], [1 / 5, 1 / 2, 1]])
    found = log_least_squares(3, {(0, 1): 3.0, (0, 2): 5.0, (1, 2): 2.0})
    means = np.prod(matrix, axis=1) ** (1 / 3)
    np.testing.assert_allclose(found, means / means.sum(), atol=1e-12)


def test_inconsistency_of_incomplete_ratios_is_that_of_the_residual() -> None:
    ring = pairwise_from_ratios(
        NAMES, [("ph", "water", 2), ("water", "rock", 3), ("rock", "slope", 2), ("ph", "slope", 6)]
    )
    assert ring.consistency_ratio is None
    assert ring.rms_residual == pytest.approx(math.log(2) / 4, abs=1e-12)
    assert ring.inconsistency == pytest.approx(2**0.25 - 1, abs=1e-12)
    assert ring.worst_triple is None
    assert ring.worst.startswith("worst pair")


def test_too_inconsistent_ratios_name_the_worst_triple() -> None:
    triples = [
        ("ph", "water", 2),
        ("water", "rock", 3),
        ("ph", "rock", 1 / 2),
        ("ph", "slope", 4),
        ("water", "slope", 2),
    ]
    found = pairwise_from_ratios(NAMES, [*triples, ("rock", "slope", 4 / 6)])
    assert found.worst_triple == ("ph", "water", "rock")
    with pytest.raises(UnderoakError) as caught:
        check_consistency(found, 0.10)
    (fault,) = caught.value.faults
    assert fault.code == "E313"
    for part in (
        "ph, water, rock",
        "2 times water",
        "3 times rock",
        "makes 6",
        "0.5 is given",
        "above max_inconsistency 0.1",
    ):
        assert part in str(fault)
    assert check_consistency(found, found.inconsistency) is found


def test_too_inconsistent_incomplete_ratios_are_refused_too() -> None:
    names = ["a", "b", "c", "d", "e"]
    triangle = [("a", "b", 2), ("b", "c", 2), ("a", "c", 1 / 4), ("c", "d", 2), ("d", "e", 1)]
    found = pairwise_from_ratios(names, triangle)
    with pytest.raises(UnderoakError, match=r"E313 .*exp\(RMS residual\) - 1 .*worst triple a, b, c"):
        check_consistency(found)


def test_when_a_longer_ring_disagrees_more_its_pair_is_named() -> None:
    names = ["a", "b", "c", "d", "e", "f"]
    ring = [("c", "d", 9), ("d", "e", 9), ("e", "f", 9), ("c", "f", 1)]
    found = pairwise_from_ratios(names, [("a", "b", 2), ("b", "c", 2), ("a", "c", 3.9), *ring])
    assert found.worst_triple == ("a", "b", "c")
    assert found.worst.startswith("worst pair")


def test_names_that_no_chain_links_are_told() -> None:
    assert faults_of(("ph", "water", 2), ("rock", "slope", 3))[0][0] == "E312"
    assert "links rock, slope to" in faults_of(("ph", "water", 2), ("rock", "slope", 3))[0][1]
    assert "links ph to" in faults_of(("rock", "water", 2), ("rock", "slope", 3))[0][1]
    assert faults_of(names=["a", "b"])[0][0] == "E312"


@pytest.mark.parametrize("ratio", [0.0, -2.0, math.nan, math.inf])
def test_a_ratio_that_is_not_above_zero_is_refused(ratio: float) -> None:
    ((code, text),) = faults_of(("ph", "water", ratio))
    assert code == "E314"
    assert "pair ph, water" in text


def test_a_pair_given_twice_is_refused_and_a_contradiction_said() -> None:
    links = [("water", "rock", 1), ("rock", "slope", 1)]
    ((code, text),) = faults_of(("ph", "water", 2), ("water", "ph", 0.5), *links)
    assert code == "E314"
    assert "contradict" not in text
    ((code, text),) = faults_of(("ph", "water", 2), ("water", "ph", 2), *links)
    assert code == "E314"
    assert "contradict" in text


def test_all_faults_of_the_pairs_are_told_at_once() -> None:
    found = faults_of(("ph", "watr", 2), ("rock", "rock", 1), ("slope", "ph", -1))
    assert [code for code, _ in found] == ["E315", "E314", "E314"]
    assert 'did you mean "water"?' in found[0][1]


def test_one_and_two_criteria_cannot_disagree() -> None:
    assert pairwise_from_ratios(["ph"], []).weights == (1.0,)
    two = pairwise_from_ratios(["ph", "water"], [("ph", "water", 3)])
    assert two.weights == pytest.approx((0.75, 0.25), abs=1e-12)
    assert (two.consistency_ratio, two.inconsistency, two.worst) == (0.0, 0.0, "")
    assert two.rms_residual == pytest.approx(0.0, abs=1e-12)


def test_above_ten_criteria_the_index_of_ten_is_held() -> None:
    assert [random_index(n) for n in (10, 11, 15)] == [1.49, 1.49, 1.49]
    rng = np.random.default_rng(3)
    upper = np.triu(rng.uniform(1, 3, (12, 12)), 1)
    matrix = upper + np.eye(12) + np.where(upper.T > 0, 1 / np.where(upper.T > 0, upper.T, 1), 0)
    weights, ratio = pairwise_weights(matrix)
    w = np.array(weights)
    index = (np.mean(matrix @ w / w) - 12) / 11
    assert ratio == pytest.approx(index / 1.49, rel=1e-9)


def test_rounded_reciprocals_are_taken_and_contradictions_refused() -> None:
    assert pairwise_weights([[1, 3], [0.33, 1]])[0] == pytest.approx((0.75, 0.25), abs=2e-3)
    for wrong in ([[1, 3], [3, 1]], [[2, 3], [1 / 3, 1]], [[1, 0], [1, 1]], [[1, math.nan], [1, 1]]):
        with pytest.raises(UnderoakError, match="E314"):
            pairwise_weights(wrong)
    with pytest.raises(ValueError, match="square"):
        pairwise_weights([[1, 3, 5], [1, 1, 1]])
