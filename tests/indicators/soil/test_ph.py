"""pH by another method: known pairs only, within bounds, and averages."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.indicators.soil.ph import PH_CONVERSIONS, convert_ph, converted_sd, mean_ph


@pytest.mark.parametrize("pair", PH_CONVERSIONS, ids=" to ".join)
def test_a_line_rises_and_stays_near_what_it_comes_from(pair):
    conversion = PH_CONVERSIONS[pair]
    ph = np.linspace(conversion.low, conversion.high, 101)
    made = convert_ph(ph, *pair)
    assert (np.diff(made) > 0).all()
    assert np.abs(made - ph).max() < 1.7
    assert made.min() > 2.0
    assert made.max() < 11.0
    assert conversion.source
    assert conversion.sd >= 0.3


@pytest.mark.parametrize("pair", PH_CONVERSIONS, ids=" to ".join)
def test_a_ph_outside_the_line_is_missing(pair):
    conversion = PH_CONVERSIONS[pair]
    outside = [conversion.low - 0.1, conversion.high + 0.1, np.nan]
    assert np.isnan(convert_ph(outside, *pair)).all()


def test_there_and_back_is_where_one_was():
    ph = np.linspace(5.0, 8.5, 8)
    there = convert_ph(ph, "water 1:2.5", "CaCl2 1:2.5")
    np.testing.assert_allclose(convert_ph(there, "CaCl2 1:2.5", "water 1:2.5"), ph, atol=1e-5)


def test_the_same_method_changes_nothing():
    assert float(convert_ph(12.0, "KCl 1:2.5", "KCl 1:2.5")) == 12.0
    assert converted_sd(0.2, "KCl 1:2.5", "KCl 1:2.5") == 0.2


@pytest.mark.parametrize("pair", [("CaCl2 1:5", "water 1:5"), ("water", "KCl"), ("water 1:5", "water 1:2.5")])
def test_an_unknown_pair_is_refused(pair):
    for call in (lambda: convert_ph(7.0, *pair), lambda: converted_sd(0.1, *pair)):
        with pytest.raises(UnderoakError) as caught:
            call()
        assert caught.value.faults[0].code == "E346"
        assert "water 1:2.5 to water 1:5" in caught.value.faults[0].fix


@given(st.lists(st.floats(3, 10), min_size=1, max_size=9))
def test_the_mean_of_the_acid_lies_at_or_below_that_of_the_values(ph):
    by_value, by_acid = float(mean_ph(ph)), float(mean_ph(ph, by="acid"))
    assert min(ph) - 1e-5 <= by_acid <= by_value + 1e-5


def test_averages_run_along_an_axis_and_keep_what_is_missing():
    made = mean_ph(np.array([[6.0, np.nan], [8.0, 8.0]]), by="acid")
    assert made.shape == (2,)
    assert np.isnan(made).tolist() == [False, True]
    with pytest.raises(ValueError, match="acid"):
        mean_ph([7.0], by="feeling")
