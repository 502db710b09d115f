"""The sentences in the tables' files can be read back, whatever their figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.places.answers.needs import DrainageNeed, LabFinding, LimeBeyond, LimeNeed, Money, NoHelp, WaterNeed
from underoak.places.answers.verdict import DecidedBy, TooSmall, VerdictReason
from underoak.report.text.cell_sentences import LabText, RemediesText
from underoak.report.text.verdicts.reason_sentence import VerdictReasonText

AMOUNTS = st.floats(1e-7, 1e7)
SHARES = st.floats(1e-4, 1.0)
COSTS = st.none() | st.builds(Money, st.floats(0.0, 1e9), st.sampled_from(["", "EUR", "US$", "kr, SEK", "CHF 1"]))
LIME = st.builds(
    LimeNeed, AMOUNTS, AMOUNTS, st.sampled_from([20.0, 30.0, 32.5]), st.floats(4.0, 9.0), SHARES,
    AMOUNTS, COSTS, st.none() | AMOUNTS,
)  # fmt: skip
BEYOND = st.builds(LimeBeyond, AMOUNTS | st.floats(39.0, 41.0), st.sampled_from([40.0, 12.5]), SHARES)
WATER = st.builds(WaterNeed, AMOUNTS, AMOUNTS, st.sampled_from(["", "year", "summer", "growing_season"]), SHARES, COSTS)
NO_HELP = st.builds(
    NoHelp,
    st.sampled_from(["lime", "water"]),
    st.lists(st.sampled_from(["carbonate", "clay", "stay_ph"]), max_size=3, unique=True).map(tuple),
)
SHARES_OF_ONE, DRAWS = st.floats(0.0, 1.0), st.integers(1, 4096)
LAYERS = st.sampled_from(["soil_ph", "clay", "organic_matter"])
NAMED = st.lists(LAYERS, max_size=3, unique=True).map(tuple)


@st.composite
def reasons(draw):
    """A reason with the figures that its rule has."""
    rule = draw(st.sampled_from(DecidedBy))
    figures = {"unknown": draw(NAMED)}
    if draw(st.booleans()) or rule in (DecidedBy.TEST, DecidedBy.BETWEEN):
        figures |= {"test": draw(LAYERS), "flip_chance": draw(SHARES_OF_ONE)}
    if rule in (DecidedBy.LIKELY, DecidedBy.DOUBT_OFF, DecidedBy.BETWEEN, DecidedBy.UNSETTLED):
        figures["yes_at"] = draw(SHARES_OF_ONE)
    if rule in (DecidedBy.UNLIKELY, DecidedBy.BETWEEN, DecidedBy.UNSETTLED):
        figures["no_at"] = draw(SHARES_OF_ONE)
    if rule is DecidedBy.TEST:
        figures["test_first_at"] = draw(SHARES_OF_ONE)
    if rule is DecidedBy.LOOK_FIRST:
        figures |= {"judged_weight": draw(SHARES_OF_ONE), "judged_at": draw(SHARES_OF_ONE), "add": draw(NAMED)}
    if rule is DecidedBy.TOO_SMALL:
        figures |= {"too_small": draw(st.sampled_from(TooSmall)), "usable_ha": draw(st.floats(0.0, 1e6))}
        if figures["too_small"] is TooSmall.AREA:
            figures["usable_area_ha"] = draw(st.floats(1e-4, 1e3))
    return VerdictReason(rule, draw(SHARES_OF_ONE), draw(DRAWS), **figures)


REASONS = reasons()
LAB = st.builds(
    LabFinding, st.sampled_from(["soil_ph", "clay"]), st.floats(-50, 500), st.floats(-50, 500), st.floats(-50, 500),
    st.none() | st.floats(-90, 90),
)  # fmt: skip


@given(st.lists(LIME | BEYOND | WATER | NO_HELP | st.just(DrainageNeed()), min_size=1, max_size=3).map(tuple))
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
    back = cell.decode(text)
    assert cell.encode(back) == text
    assert (back.decided_by, back.too_small, back.unknown, back.add) == (
        reason.decided_by, reason.too_small, reason.unknown, reason.add,
    )  # fmt: skip


@pytest.mark.parametrize("cell", [RemediesText(), LabText(), VerdictReasonText()])
def test_other_text_is_refused(cell):
    with pytest.raises(ValueError, match=r"a hill is no"):
        cell.decode("a hill")
