"""The deal of a parcel, what beside the ground must be settled, and the answer that joins it with the verdict."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from underoak.places.answers.verdict import Verdict


class DealState(StrEnum):
    """The state of one question, or of all of a parcel together."""

    CLEAR = "clear"
    BLOCKS = "blocks"
    UNKNOWN = "unknown"


class Answer(StrEnum):
    """The answer for one parcel: its verdict on the ground and its deal together."""

    YES = "yes"
    NO = "no"
    NOT_YET = "not yet"  # the ground is good, and a question of the deal is open
    TEST_FIRST = "test first"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Block:
    """A question that ends the deal of a parcel."""

    question: str
    share: float | None = None  # of the parcel that shapes cover; None where a person says so


def answer_of(verdict: Verdict | None, deal: DealState | None) -> Answer | None:
    """Return the answer of a verdict and a deal; None for a verdict or a deal that was not asked for.

    An unknown deal never improves an answer.

    >>> [answer_of(Verdict.YES, state).value for state in (None, *DealState)]
    ['yes', 'yes', 'no', 'not yet']
    >>> answer_of(Verdict.NO, DealState.CLEAR), answer_of(None, DealState.UNKNOWN)
    (<Answer.NO: 'no'>, None)
    """
    if deal is DealState.BLOCKS:
        return Answer.NO
    if verdict is Verdict.YES and deal is DealState.UNKNOWN:
        return Answer.NOT_YET
    return None if verdict is None else Answer(verdict.value)
