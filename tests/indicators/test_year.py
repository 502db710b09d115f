"""Twelve months, the seasons of both hemispheres, and latitudes over cells."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.indicators.year import SEASONS, latitude_by_cell, season_mean, season_months, season_sum, stack_months

MONTHS = np.arange(1, 13, dtype=np.float32).reshape(12, 1, 1)


@pytest.mark.parametrize("season", [name for name in SEASONS if name != "year"])
def test_the_south_has_each_season_half_a_year_later(season):
    north, south = season_months(season, False), season_months(season, True)
    assert [(month - 1 + 6) % 12 + 1 for month in north] == list(south)


def test_each_cell_has_the_season_of_its_own_hemisphere():
    months = np.broadcast_to(MONTHS, (12, 3, 2))
    made = season_sum(months, np.array([40.0, 0.0, -40.0]))
    assert made.tolist() == [[21.0, 21.0], [21.0, 21.0], [15.0, 15.0]]  # 6 + 7 + 8, and 12 + 1 + 2
    np.testing.assert_array_equal(season_mean(months, np.array([40.0, 0.0, -40.0])), made / 3)


def test_the_four_seasons_make_the_year():
    made = sum(season_sum(MONTHS, -33.0, season) for season in SEASONS if season != "year")
    np.testing.assert_array_equal(made, season_sum(MONTHS, -33.0, "year"))


def test_a_missing_month_spoils_its_own_season_only():
    months = MONTHS.copy()
    months[0] = np.nan
    assert np.isnan(season_sum(months, 45.0, "winter"))[0, 0]
    assert season_sum(months, 45.0, "summer")[0, 0] == 21.0


def test_a_place_beyond_the_pole_is_missing():
    assert np.isnan(season_sum(MONTHS, 90.5))[0, 0]


def test_latitude_may_be_a_number_a_column_or_a_field():
    assert latitude_by_cell(10.0, (2, 3)).shape == (1, 1)
    assert latitude_by_cell(np.zeros(2), (2, 3)).shape == (2, 1)
    assert latitude_by_cell(np.zeros((2, 3)), (2, 3)).shape == (2, 3)
    with pytest.raises(ValueError, match="latitude"):
        latitude_by_cell(np.zeros(3), (2, 3))


def test_what_is_no_year_is_refused():
    with pytest.raises(ValueError, match="twelve months"):
        stack_months(MONTHS[:11])
    with pytest.raises(ValueError, match="differ"):
        stack_months(np.zeros((12, 1, 1)), np.zeros((12, 1, 2)))
    with pytest.raises(ValueError, match="season"):
        season_sum(MONTHS, 45.0, "monsoon")
