"""The keys `checks` and `signing`: what you can have checked before you decide, and until when."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from underoak.plan.keys.criteria import Price
from underoak.plan.keys.quantities import Name, Share, Text, Whole
from underoak.plan.reading.spec import Spec


class CheckSpec(Spec):
    """One check: an office to ask, a paper to see, a test to pay."""

    name: Annotated[Text, Field(max_length=80)]
    """What it is, as screens print it."""
    answers: Name
    """The question of the deal that it answers, such as water_right, or the layer that it tests, such as soil_ph."""
    price: Price
    """Your price of it, in the currency of `prices`."""
    days: Annotated[Whole, Field(ge=0, le=3650)]
    """Days until its result is there."""
    chance_of_no: Share | None = None
    """Your own chance that its result ends the deal. None is shipped. Default: not known."""
