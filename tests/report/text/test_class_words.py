"""What holds a class below that of its suitability, in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.limits import Side
from underoak.report.text.class_words import held_and_limiting, held_or_limiting, held_sentence, held_words

RAIN = CriterionWords("water", "summer rain", 0.6, "rain", "", "", True, "", "mm", 145.0, 220.0)
COLD = CriterionWords("winter_cold", "winter cold", 0.4, "t", "", "", False, "", "degC", 1.0, 8.0)
CUTS = (0.8, 0.55, 0.3)


def row(**more: object) -> dict[str, object]:
    return {
        "class": "S2", "suitability": 0.83, "held_by": ("water",), "limiting": ("water",), "value_water": 96.4,
        "side_water": Side.LOW, "value_winter_cold": -2.5, "side_winter_cold": Side.LOW, "potential_class": "S2",
        "potential_held_by": ("winter_cold",),
    } | more  # fmt: skip


def test_a_narrow_column_names_what_holds_the_class_with_its_value() -> None:
    assert held_or_limiting([RAIN, COLD], row()) == "held by water 96 mm, too low"
    both = row(held_by=("water", "winter_cold"))
    assert held_or_limiting([RAIN, COLD], both) == "held by water, winter cold"
    assert held_or_limiting([RAIN, COLD], row(held_by=None)) == "water 96, best 145 to 220 mm"
    assert held_or_limiting([COLD], row(held_by=("winter_cold",), value_winter_cold=float("nan"))) == (
        "held by winter cold, too low"
    )


def test_a_cell_of_a_page_names_the_limiting_factor_too_where_it_is_another() -> None:
    assert held_and_limiting([RAIN, COLD], row()) == "held to S2 by summer rain 96, best 145 to 220 mm"
    other = row(held_by=("winter_cold",))
    assert held_and_limiting([RAIN, COLD], other) == (
        "held to S2 by winter cold; limiting factor: summer rain 96, best 145 to 220 mm"
    )
    assert held_and_limiting([RAIN, COLD], row(held_by=None)) == "summer rain 96, best 145 to 220 mm"


@pytest.mark.parametrize(
    ("essential", "names", "says"),
    [
        ((), ("water",), "it is held to S2 by summer rain: a class is at most one above that of each criterion."),
        (("water",), ("water",), "it is held to S2 by summer rain, an essential criterion."),
        (("water", "winter_cold"), ("water", "winter_cold"),
         "it is held to S2 by summer rain, winter cold, essential criteria."),
        (("winter_cold",), ("water", "winter_cold"),
         "it is held to S2 by summer rain, winter cold, of which winter cold is essential."),
    ],
)  # fmt: skip
def test_a_sentence_says_what_the_score_alone_would_be_and_why_it_is_not(
    essential: tuple[str, ...], names: tuple[str, ...], says: str
) -> None:
    criteria = [replace(each, is_essential=each.name in essential) for each in (RAIN, COLD)]
    text = held_sentence(criteria, row(held_by=names), CUTS)
    assert text == f"By its suitability alone it would be S1; {says}"
    assert held_sentence(criteria, row(suitability=0.55), CUTS).startswith("By its suitability alone it would be S2;")


def test_where_class_and_score_agree_nothing_is_said() -> None:
    assert held_sentence([RAIN], row(held_by=None), CUTS) == held_words([RAIN], row(held_by=None)) == ""
    assert held_words([RAIN, COLD], row(), is_potential=True) == "held to S2 by winter cold"
