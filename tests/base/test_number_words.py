"""Numbers in words: rounding never moves a value to the other side of a cut that stands beside it."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.number_words import TIE, beside, cut_words, percent_beside, score

CUTS = st.lists(st.integers(1, 999).map(lambda n: n / 1000), min_size=1, max_size=4, unique=True)
VALUES = st.floats(0.0, 1.0)


def near_a_cut(cuts):
    """Values anywhere, and values that a plain rounding would write as a cut."""
    gaps = st.sampled_from([-1.0, 1.0]).flatmap(lambda side: st.floats(1e-7, 6e-3).map(lambda gap: side * gap))
    beside_one = st.tuples(st.sampled_from(cuts), gaps).map(lambda pair: min(max(sum(pair), 0.0), 1.0))
    return VALUES | beside_one | st.sampled_from(cuts)


def side(value, cut):
    """-1, 0 or 1; values that differ by no more than the tie are equal."""
    return 0 if abs(value - cut) <= TIE * (1 + 1e-9) else math.copysign(1, value - cut)


def written_side(value, cut):
    steps, cut_steps = round(value * 1e6), round(cut * 1e6)
    return (steps > cut_steps) - (steps < cut_steps)


@given(st.data())
def test_a_figure_stays_on_its_side_of_every_cut(data):
    cuts = data.draw(CUTS)
    value = data.draw(near_a_cut(cuts))
    text = beside(value, cuts)
    shown = float(text)
    assert abs(shown - value) <= 0.005 + 1e-12
    assert beside(shown, cuts) == text
    for cut in cuts:
        assert written_side(shown, float(cut_words(cut))) == side(value, cut), (text, cut)


def test_a_value_one_step_from_a_cut_is_written_as_the_cut():
    assert beside(0.001999, [0.002]) == "0.002"  # their difference in bits is a little more than the step


@given(st.data())
def test_no_more_digits_than_it_takes(data):
    cuts = data.draw(CUTS)
    value = data.draw(near_a_cut(cuts))
    text = beside(value, cuts)
    decimals = len(text.partition(".")[2])
    if decimals == 2 or any(side(value, cut) == 0 for cut in cuts):
        return
    unit = 10.0 ** -(decimals - 1)  # with a decimal less, a cut would lie between the two numbers around it
    low, high = math.floor(value / unit + 1e-6) * unit, math.ceil(value / unit - 1e-6) * unit
    assert any(low - 2.5e-6 <= cut <= high + 2.5e-6 for cut in cuts)


@given(st.data())
def test_percent_stays_on_its_side_too_and_none_and_all_stay_apart(data):
    cuts = data.draw(CUTS)
    share = data.draw(near_a_cut(cuts))
    shown = float(re.fullmatch(r"(-?[\d.]+) %", percent_beside(share, cuts))[1])
    for cut in [*cuts, 0.0, 1.0]:
        if abs(share - cut) > TIE:
            assert (shown > cut * 100.0) == (share > cut)
            assert round(shown, 4) != round(cut * 100.0, 4)


@given(VALUES)
def test_a_score_without_a_cut_has_two_decimals(value):
    assert score(value) == f"{value:.2f}"


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_no_figure_is_a_dash(value):
    assert beside(value, (0.5,)) == percent_beside(value, (0.5,)) == "–"


@given(st.integers(0, 10**6).map(lambda n: n / 10**6))
def test_a_cut_is_written_in_full(cut):
    assert float(cut_words(cut)) == cut
