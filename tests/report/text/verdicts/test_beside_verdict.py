"""What stands beside a verdict: figures that show their side of what they are compared with, and no more than holds."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.number_words import TIE
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.limits import Side
from underoak.places.answers.verdict import DecidedBy, SoilTestFigures, TooSmall, VerdictReason
from underoak.places.verdicts.decision import SETTLES
from underoak.plan.keys.verdict import VerdictSpec
from underoak.report.text.criterion_words import value_and_best_range
from underoak.report.text.verdicts import verdict_words
from underoak.report.text.verdicts.beside_verdict import too_small_words, trees_words, usable_words
from underoak.report.text.verdicts.reason_sentence import VerdictReasonText
from underoak.report.text.verdicts.verdict_words import soil_test_lines, uncertainty_card

WARMTH = CriterionWords("warmth", "annual temperature", 0.4, "t", "", "", True, "", "degC", 7.5, 12.0)
ENCODE = VerdictReasonText().encode


@pytest.mark.parametrize("kind", [int, float, np.int64, np.float64, np.float32])
def test_trees_are_counted_whatever_type_the_file_gives(kind):
    assert trees_words({"trees": kind(1717)}) == "1 717"
    assert usable_words({"usable_ha": 3.0, "area_ha": 3.0, "trees": kind(1717)}).endswith("; 1 717 trees fit.")


@given(area=st.floats(0.2, 500.0), share=st.floats(0.0, 1.0), excluded=st.floats(0.0, 0.5))
def test_all_is_usable_only_where_nothing_is_left_out(area, share, excluded):
    row = {"usable_ha": area * share, "area_ha": area, "valid_share": 1.0, "excluded_share": excluded}
    says = usable_words(row)
    is_all = share > 1.0 - TIE and excluded < TIE
    assert (": all" in says) == is_all
    if match := re.fullmatch(r"Usable: ([\d .]+) of ([\d .]+) ha\.", says):
        part, total = (float(each.replace(" ", "")) for each in match.groups())
        assert part < total


def test_a_small_part_left_out_shows_in_the_digits():
    row = {"usable_ha": 4.713, "area_ha": 4.748, "valid_share": 1.0, "excluded_share": 0.0074}
    assert usable_words(row) == "Usable: 4.71 of 4.75 ha."


@given(st.floats(-20.0, 40.0) | st.floats(7.45, 7.55) | st.floats(11.95, 12.05))
def test_a_value_beside_the_best_range_shows_its_side_of_both_ends(value):
    says = value_and_best_range(WARMTH, "warmth", {"value_warmth": value, "side_warmth": Side.LOW}, is_short=True)
    shown = float(says.split(",")[0])
    for end in (7.5, 12.0):
        if abs(value - end) > TIE:
            assert (shown < end, shown > end) == (value < end, value > end)
        else:
            assert shown == end


@given(st.floats(0.0, 1.0) | st.floats(0.0, 0.02))
def test_a_test_that_hardly_turns_the_answer_is_not_offered(flip):
    reason = VerdictReason(DecidedBy.UNSETTLED, 0.6, 64, 0.8, 0.2, test="clay", flip_chance=flip)
    row = {
        "tests": (SoilTestFigures("clay", flip, 0.003),),
        "test_pays_above": 4100.0,
        "best_test": "clay",
        "area_ha": 2,
    }
    prices = SimpleNamespace(currency="EUR", parcel_ha=None)
    plan = SimpleNamespace(verdict=VerdictSpec(), prices=prices, purpose="buy")
    is_hardly = flip <= SETTLES + TIE
    assert ("hardly any test would turn the answer (greatest chance " in ENCODE(reason)) == is_hardly
    assert ("one test of clay would turn the answer" in ENCODE(reason)) == (not is_hardly)
    assert any(" pays if " in line for line in soil_test_lines(row, plan)) == (not is_hardly)


@given(st.floats(1e-5, 0.0999), st.sampled_from(TooSmall))
def test_tiny_land_has_digits_enough_and_no_word_on_tests(usable_ha, why):
    row = {"too_small": why, "usable_ha": usable_ha, "area_ha": 2.0}
    least = VerdictSpec().usable_ha("buy")
    area = least if why is TooSmall.AREA else None
    reason = VerdictReason(DecidedBy.TOO_SMALL, 0.5, 64, too_small=why, usable_ha=usable_ha, usable_area_ha=area)
    assert "test" not in ENCODE(reason)
    figures = re.findall(r"(\S+) ha of usable", ENCODE(reason))
    if why is TooSmall.AREA:
        figures += re.findall(r"land, (\S+) of", too_small_words(row, VerdictSpec()))
        assert len(figures) == 2
        assert float(max(figures)) < least
    assert all(float(figure) > 0.0 for figure in figures)


def test_ids_stay_as_they_are_where_a_sentence_starts(monkeypatch):
    monkeypatch.setattr(verdict_words, "lead_words", lambda order: f"{order} comes before g10.")
    reason = SimpleNamespace(decided_by=DecidedBy.LIKELY, unknown=(), flip_chance=None)
    plan = SimpleNamespace(spec=SimpleNamespace(verdict=VerdictSpec()), purpose="buy")
    findings = SimpleNamespace(order="f50", plan=plan)
    card = uncertainty_card(findings, {"id": "f50", "verdict_reason": reason, "best_test": None})
    assert card["more"] == "f50 comes before g10."
