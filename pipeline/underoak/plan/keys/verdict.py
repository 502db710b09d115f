"""The keys `verdict` and `prices`: limits of a verdict, and what things cost."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from underoak.plan.keys.criteria import Price
from underoak.plan.keys.quantities import Share, Text
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec


class VerdictSpec(Spec):
    """The limits for yes, no and test first. The defaults are ours: common practice, no source."""

    yes_at: Share = 0.80
    """Yes if the probability of S2 or better is at least this. Default: 0.80."""
    no_at: Share = 0.20
    """No if it is at most this; between the two, test first. Default: 0.20."""
    test_first_at: Share = 0.20
    """Test first if the flip chance of one soil test is at least this. Default: 0.20."""

    @model_validator(mode="after")
    def _check_limits(self) -> Self:
        if not self.no_at < self.yes_at:
            raise refusal("E304", "`no_at` must be less than `yes_at`", "write for example 0.20 and 0.80")
        return self


class PricesSpec(Spec):
    """Prices, for the cost of remedies and the value of a soil test."""

    soil_test: Price | None = None
    """Price of a laboratory test of the soil."""
    parcel_ha: Price | None = None
    """Price of a hectare of perfectly suitable land."""
    lime_t: Price | None = None
    """Price of a tonne of lime, spread and worked in."""
    water_m3: Price | None = None
    """Price of a cubic metre of water on the field."""
    fence_m: Price | None = None
    """Price of a metre of fence against deer and boar."""
    currency: Annotated[Text, Field(max_length=12)] | None = None
    """Currency of the prices, such as EUR."""
