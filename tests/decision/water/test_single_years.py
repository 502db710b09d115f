"""Hazen's positions, seasons, and what rain lacked: by hand and by properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.decision.water.plotting_positions import exceeded_in_one_of, hazen_positions
from underoak.decision.water.seasons import lacked, longest_cold_run, longest_run, season_months_by_year

_rain = st.lists(st.lists(st.floats(0.0, 300.0), min_size=3, max_size=3), min_size=1, max_size=12)


def test_hazen_positions_by_hand() -> None:
    # ten values: 0.05, 0.15 ... 0.95. One in five is 0.8, half way from the eighth (0.75) to the ninth (0.85).
    assert hazen_positions(10)[[0, 7, 8, 9]].tolist() == pytest.approx([0.05, 0.75, 0.85, 0.95])
    needs = [3.0, 41.0, 7.0, 88.0, 12.0, 0.0, 64.0, 20.0, 31.0, 55.0]
    assert exceeded_in_one_of(5, needs) == pytest.approx((55.0 + 64.0) / 2.0)
    # twenty values: one in ten is 0.9, half way from the eighteenth (0.875) to the nineteenth (0.925)
    assert exceeded_in_one_of(10, [*range(20)]) == pytest.approx(17.5)


@pytest.mark.parametrize(("years", "least"), [(5, 10), (10, 20)])
def test_a_short_record_gives_no_dry_year(years: int, least: int) -> None:
    assert exceeded_in_one_of(years, np.ones(least - 1)) is None
    assert exceeded_in_one_of(years, np.ones(least)) == pytest.approx(1.0)


@given(st.lists(st.floats(0.0, 500.0), min_size=20, max_size=60))
def test_the_rarer_year_needs_no_less(needs: list[float]) -> None:
    five, ten = exceeded_in_one_of(5, needs), exceeded_in_one_of(10, needs)
    assert five is not None
    assert ten is not None
    assert min(needs) <= five <= ten <= max(needs)


def test_a_season_across_the_turn_of_the_year_begins_in_its_own() -> None:
    months = np.arange(36.0).reshape(3, 12)
    winter = season_months_by_year(months, (11, 12, 1, 2, 3))
    assert winter[0].tolist() == [10.0, 11.0, 12.0, 13.0, 14.0]
    assert np.isnan(winter[2, 2:]).all()


@given(_rain, st.floats(1.0, 400.0))
def test_what_the_months_lack_adds_up_to_what_the_season_lacks(rain: list[list[float]], enough: float) -> None:
    season = np.array(rain)
    short = lacked(season, enough)
    assert (short >= 0.0).all()
    assert short.sum(axis=1) == pytest.approx(np.maximum(enough - season.sum(axis=1), 0.0), abs=1e-9)
    more = lacked(season + 7.0, enough).sum(axis=1)
    assert (more <= short.sum(axis=1) + 1e-9).all()


def test_runs_end_at_gaps() -> None:
    assert longest_run([1990, 1991, 1993, 1994, 1995], [True, True, True, True, False]) == 2
    assert longest_cold_run(np.array([-7.0, -7.1, -8.0, -6.9, -7.0]), -7.0) == 3
