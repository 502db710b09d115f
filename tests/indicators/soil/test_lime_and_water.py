"""Lime and water: never negative, never beyond the ceiling, in proportion to depth and lack."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.indicators.soil.lime_and_water import (
    FARM_TABLE_ENDS,
    HIGHEST_PH,
    LIME_FACTORS,
    LIME_FACTORS_GRASS,
    lime_need,
    lime_need_by_texture,
    lime_product,
    water_deficit,
    water_volume,
)
from underoak.indicators.soil.texture import TEXTURES

ph = st.floats(3, 10)


@given(ph, ph, st.floats(1, 60))
def test_lime_is_never_negative_and_nothing_is_given_at_or_above_the_target(have, want, depth):
    made = float(lime_need(have, want, depth))
    assert made >= 0.0
    assert (made == 0.0) == (have >= min(want, HIGHEST_PH))


@given(ph, st.floats(HIGHEST_PH, 12))
def test_no_target_lies_above_the_ceiling(have, want):
    assert float(lime_need(have, want, 30)) == float(lime_need(have, HIGHEST_PH, 30))


@given(ph, ph, st.floats(1, 30))
def test_twice_the_depth_takes_twice_the_lime(have, want, depth):
    assert float(lime_need(have, want, 2 * depth)) == pytest.approx(2 * float(lime_need(have, want, depth)))


@given(ph, st.floats(3, FARM_TABLE_ENDS), st.sampled_from(sorted(LIME_FACTORS)))
def test_farm_tables_are_never_negative_and_ask_less_under_grass(have, want, texture):
    ploughed = float(lime_need_by_texture(have, want, texture))
    assert 0.0 <= float(lime_need_by_texture(have, want, texture, grass=True)) <= ploughed


def test_every_texture_has_a_factor():
    assert set(LIME_FACTORS) == set(LIME_FACTORS_GRASS) == {*TEXTURES, "organic", "peat"}


def test_missing_in_missing_out():
    assert np.isnan(lime_need([np.nan, 6.0], 7.9, 30)).tolist() == [True, False]
    assert np.isnan(lime_need_by_texture([np.nan, 6.0], 6.7, "loam")).tolist() == [True, False]
    assert np.isnan(water_deficit([np.nan, 6.0], 145.0)).tolist() == [True, False]


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="depth"):
        lime_need(6.0, 7.9, 0.0)
    with pytest.raises(ValueError, match="texture"):
        lime_need_by_texture(6.0, 6.7, "gravel")
    for value in (0.0, -5.0, 101.0, float("nan")):
        with pytest.raises(ValueError, match="neutralising"):
            lime_product(10.0, value)


@given(st.floats(0, 1000), st.floats(0, 1000), st.floats(0, 300))
def test_water_fills_the_lack_and_no_more_than_the_limit(rain, target, most):
    made = float(water_deficit(rain, target, most))
    assert 0.0 <= made <= most
    assert made <= max(target - rain, 0.0)
    assert float(water_volume(made, 2.0)) == pytest.approx(20.0 * made)
