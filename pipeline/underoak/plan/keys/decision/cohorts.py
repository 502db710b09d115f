"""The key `cohorts`: counts of orchards that bear, such as those of your district."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from underoak.plan.keys.quantities import Share, Text, Whole
from underoak.plan.reading.spec import Spec

Counted = Literal["growers", "orchards", "hectares", "trees"]


class CohortSpec(Spec):
    """A count of those that bore. It is printed beside a probability, and nothing is worked out from it."""

    name: Annotated[Text, Field(max_length=80)]
    """Whose: a district, a country."""
    year: Annotated[Text, Field(max_length=20)]
    """Year of the count, in quotes."""
    counted: Counted
    """What was counted: growers, orchards, hectares or trees."""
    bearing: Share
    """Share of them that bore."""
    size: Annotated[Whole, Field(ge=1)] | None = None
    """How many were counted."""
    source: Text
    """Who counted."""
