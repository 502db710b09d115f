"""The class of parcels in every draw: capped suitability reaches the cut of S2 exactly where the class is S2."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.overlay import Rules, combine
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.parcels.ranking import classes_of

WEIGHTS = (0.4, 0.0, 0.35, 0.25)


def draws_of(seed: int, rules: Rules, parcels: int = 6, draws: int = 40) -> ParcelDraws:
    """Parcels with two uncertain criteria, 1 and 2, and two that have no draws."""
    rng = np.random.default_rng(seed)
    drawn = (1, 2)
    steady, memberships = rng.random((parcels, 4)), rng.random((parcels, 2, draws))
    every = np.repeat(steady[:, :, None], draws, axis=2)
    every[:, drawn] = memberships
    suitability = combine(every.transpose(1, 0, 2), rules.weights, rules.rule)
    return ParcelDraws(tuple("abcdef"[:parcels]), suitability, drawn, memberships, steady)


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    rule=st.sampled_from(["linear", "geometric"]),
    cap=st.sampled_from(["weakest", "none"]),
    essential=st.sets(st.integers(0, 3)),
    cuts=st.sampled_from([(0.75, 0.5, 0.25), (0.9, 0.43, 0.17)]),
)
def test_the_chance_of_s2_is_the_share_of_draws_whose_class_is_s2_or_better(
    seed: int, rule: Any, cap: Any, essential: set[int], cuts: Any
) -> None:
    rules = Rules(WEIGHTS, rule, cap=cap, cuts=cuts, essential=tuple(essential))
    spread = draws_of(seed, rules)
    p = spread.columns(rules)["p_s2"].to_numpy()
    every = spread.every
    for parcel in range(len(spread.ids)):
        names = classes_of(every[parcel, :, 0], every[parcel, :, 1:], rules)
        assert p[parcel] == pytest.approx(np.mean([name in ("S1", "S2") for name in names]))
    free = spread.columns(Rules(WEIGHTS, rule, cap=cap, cuts=cuts))["p_s2"].to_numpy()
    assert (p <= free).all()


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), essential=st.sets(st.integers(0, 3), min_size=1))
def test_draws_that_an_essential_criterion_makes_n_count_as_nothing(seed: int, essential: set[int]) -> None:
    rules = Rules(WEIGHTS, cap="none", essential=tuple(essential))
    spread = draws_of(seed, rules)
    every, outside = spread.every, spread.outside_n(rules)
    barred = every[:, :, 1:][:, :, sorted(essential)].min(axis=2) < rules.cuts[2]
    np.testing.assert_array_equal(outside, np.where(barred, 0.0, spread.suitability))
    assert spread.outside_n(Rules(WEIGHTS)).tobytes() == spread.suitability.tobytes()


def test_an_essential_criterion_at_its_best_changes_no_chance() -> None:
    rules = Rules(WEIGHTS, "geometric")
    spread = draws_of(3, rules)
    spread.steady[:, 0] = 1.0
    marked = Rules(WEIGHTS, "geometric", essential=(0,))
    assert spread.capped(rules).tobytes() == spread.capped(marked).tobytes()
