"""The questions of a deal, with what each is for and who can answer it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import Field

from underoak.plan.keys.decision.deal import QUESTIONS, DealSpec
from underoak.plan.keys.quantities import Name, Text
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped


class Question(Spec):
    """A question of the deal."""

    about: Text
    """The question in a few words."""
    why: Text
    """What it is for."""
    ask: Text
    """Who can answer it."""
    source: Text
    """Where the reason comes from."""
    grade: Literal["read", "calc", "memory", "judgement"]
    """How it is known."""


class _Questions(Spec):
    """The file of questions."""

    questions: Annotated[dict[Name, Question], Field(min_length=1)]
    """Questions by name, in the order of asking."""


@lru_cache(maxsize=1)
def shipped_questions() -> Mapping[str, Question]:
    """Return the questions that come with the package, in the order of asking.

    >>> next(iter(shipped_questions().items()))[1].about
    'land plan'

    Raises:
        UnderoakError: E3xx with every fault of the file and its line.
    """
    listed = read_as(_Questions, shipped("configs", "decision", "deal.yaml")).questions
    return MappingProxyType({name: listed[name] for name in listed if name in QUESTIONS})


def questions_of(spec: DealSpec | None) -> dict[str, Question]:
    """Return the questions of a plan, its own last."""
    questions = dict(shipped_questions())
    for name, entry in ({} if spec is None else spec.also).items():
        why = entry.why or "the plan does not say what it is for"
        ask = entry.ask or "the plan does not say whom to ask"
        questions[name] = Question(about=entry.about, why=why, ask=ask, source="the plan", grade="judgement")
    return questions
