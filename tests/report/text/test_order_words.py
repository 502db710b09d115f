"""The weight change that reverses the first two parcels, in one sentence."""

from types import SimpleNamespace

import pytest

from underoak.places.verdicts.sensitivity import FirstTwo
from underoak.report.text.answer_words import swap_words
from underoak.uncertainty import WeightChange

CRITERIA = (SimpleNamespace(label="soil pH", weight=0.6), SimpleNamespace(label="rain", weight=0.4))


def said(two):
    return swap_words(two, CRITERIA)


@pytest.mark.parametrize(
    ("two", "words"),
    [
        (None, ""),
        (FirstTwo("a", "b", None), "No change of a single weight would bring b before a."),
        (
            FirstTwo("a", "b", WeightChange(1, 0.55, 0.15, (0.45, 0.55))),
            "a and b change places if rain has weight 0.550 instead of 0.400 and the others keep their proportions; no "
            "smaller change of a single weight does it.",
        ),
        (
            FirstTwo("a", "b", WeightChange(0, 0.6001, 0.0001, (0.6001, 0.3999))),
            "a and b are about equal: any other weights may reverse their order.",
        ),
    ],
)
def test_the_sentence_says_which_weight_turns_the_order(two, words):
    assert said(two) == words
