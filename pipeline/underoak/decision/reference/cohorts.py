"""Counts of orchards that bore, by country and year: what a probability of the maps is not."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

from pydantic import Field

from underoak.plan.keys.decision.cohorts import Counted
from underoak.plan.keys.quantities import Share, Text, Whole
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped


class Cohort(Spec):
    """A count of those that bore."""

    name: Text
    """Whose: a country, an orchard."""
    year: Text
    """Year of the count."""
    counted: Counted
    """What was counted."""
    size: Annotated[Whole, Field(ge=1)] | None = None
    """How many, where it is known."""
    age: Text
    """How old they were."""
    bearing: Share | None = None
    """Share that bore; None where something else was counted."""
    is_at_most: bool = False
    """The share is an upper bound."""
    is_in_short: bool = False
    """It is named in the sentence beside a probability."""
    text: Text
    """What the source says, in a few words."""
    source: Text
    """Where it was printed."""
    grade: Literal["read", "calc", "memory", "judgement"]
    """How it is known."""


class _Cohorts(Spec):
    """The file of cohorts."""

    cohorts: Annotated[tuple[Cohort, ...], Field(min_length=1)]
    """Cohorts, those of whole countries first."""


@lru_cache(maxsize=1)
def cohorts() -> tuple[Cohort, ...]:
    """Return the cohorts that come with the package.

    >>> [(each.name, each.year) for each in cohorts() if each.is_in_short]
    [('Australia', '2012'), ('New Zealand', '2006'), ('Chile', '2018')]

    Raises:
        UnderoakError: E3xx with every fault of the file and its line.
    """
    return read_as(_Cohorts, shipped("configs", "decision", "cohorts.yaml")).cohorts
