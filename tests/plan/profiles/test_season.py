from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.plan import load_profile, profile_names
from underoak.plan.profiles.season import Span, month_names, opposite_season_month

MONTHS = st.integers(1, 12)


@given(MONTHS)
def test_crossing_the_equator_twice_comes_back(month: int) -> None:
    assert opposite_season_month(opposite_season_month(month)) == month
    assert (opposite_season_month(month) - month) % 12 == 6


@given(MONTHS, MONTHS)
def test_a_span_is_as_long_on_either_side_and_ends_where_it_says(first: int, last: int) -> None:
    span = Span(first=first, last=last)
    north, south = span.months(), span.months(is_south=True)
    assert (north[0], north[-1]) == (first, last)
    assert len(north) == len(south) <= 12
    assert tuple(map(opposite_season_month, north)) == south


def test_black_truffle_is_dug_in_winter_on_either_side() -> None:
    season = load_profile("tuber_melanosporum").season
    assert [m for m in range(1, 13) if season.holds(m)] == [1, 2, 3, 11, 12]
    assert [m for m in range(1, 13) if season.holds(m, is_south=True)] == [5, 6, 7, 8, 9]


def test_forms_with_seasons_of_their_own_are_told_apart() -> None:
    words = load_profile("tuber_aestivum").season.in_words()
    assert words == "May to August (summer form) and September to January (autumn form)"


@pytest.mark.parametrize("name", profile_names())
def test_every_species_fruits_somewhen_and_not_always_and_somebody_says_so(name: str) -> None:
    season = load_profile(name).season
    held = [month for month in range(1, 13) if season.holds(month)]
    assert 0 < len(held) < 12
    assert season.source


def test_a_month_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="at most 12"):
        Span(first=13, last=1)


def test_months_are_named_in_few_words() -> None:
    assert month_names((11, 12, 1)) == "November to January"
    assert month_names((6,)) == "June"
    assert month_names((6, 7)) == "June, July"
