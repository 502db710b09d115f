"""The sentences in the tables' files can be read back, whatever their figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.places.answers.needs import DrainageNeed, LabFinding, LimeNeed, Money, WaterNeed
from underoak.places.answers.verdict import VerdictReason
from underoak.report.text.cell_sentences import LabText, RemediesText, VerdictReasonText

AMOUNTS = st.floats(1e-7, 1e7)
SHARES = st.floats(1e-4, 1.0)
COSTS = st.none() | st.builds(Money, st.floats(0.0, 1e9), st.sampled_from(["", "EUR", "US$", "kr, SEK", "CHF 1"]))
LIME = st.builds(
    LimeNeed, AMOUNTS | st.floats(39.0, 41.0), st.sampled_from([20.0, 30.0, 32.5]), st.floats(4.0, 9.0), SHARES,
    AMOUNTS, COSTS, st.none() | AMOUNTS,
)  # fmt: skip
WATER = st.builds(WaterNeed, AMOUNTS, AMOUNTS, st.sampled_from(["", "year", "summer", "growing_season"]), SHARES, COSTS)
CHANCES = st.integers(0, 100).map(lambda percent: percent / 100)
P, DRAWS, LIMITS = st.floats(0.0, 1.0), st.integers(1, 4096), st.none() | CHANCES
REASONS = st.builds(VerdictReason, P, DRAWS, LIMITS, LIMITS, st.none(), st.none()) | st.builds(
    VerdictReason, P, DRAWS, best_test=st.just("soil_ph"), flip_chance=CHANCES
)
LAB = st.builds(
    LabFinding, st.sampled_from(["soil_ph", "clay"]), st.floats(-50, 500), st.floats(-50, 500), st.floats(-50, 500),
    st.none() | st.floats(-90, 90),
)  # fmt: skip


@given(st.lists(LIME | WATER | st.just(DrainageNeed()), min_size=1, max_size=3).map(tuple))
def test_remedies_come_back_with_the_same_text(needs):
    cell = RemediesText()
    text = cell.encode(needs)
    back = cell.decode(text)
    assert [type(need) for need in back] == [type(need) for need in needs]
    assert cell.encode(back) == text


@given(st.lists(LAB, max_size=3).map(tuple))
def test_lab_results_come_back_with_the_same_text(findings):
    cell = LabText()
    text = cell.encode(findings)
    assert cell.encode(cell.decode(text)) == text


@given(REASONS)
def test_the_reason_of_a_verdict_comes_back_with_the_same_text(reason):
    cell = VerdictReasonText()
    text = cell.encode(reason)
    assert cell.encode(cell.decode(text)) == text


@pytest.mark.parametrize("cell", [RemediesText(), LabText(), VerdictReasonText()])
def test_other_text_is_refused(cell):
    with pytest.raises(ValueError, match=r"a hill is no"):
        cell.decode("a hill")
