"""The keys `verdict` and `prices`: limits of a verdict, and prices."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from underoak.plan.keys.criteria import Price
from underoak.plan.keys.quantities import Area, Share, Text, quantity_in
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

# Least usable land of a parcel [ha], by purpose: common practice, no source. On wild ground truffles live on a few
# hundred square metres (plots of 300 to 500 m2 in a study of four Italian regions, abstract).
USABLE_HA = {"buy": 0.1, "orchard": 0.1, "region": 0.1, "restore": 0.01}


class VerdictSpec(Spec):
    """The limits for yes, no, test first and open. The defaults are ours: common practice, no source."""

    yes_at: Share = 0.80
    """Yes if the probability of S2 or better is at least this. Default: 0.80."""
    no_at: Share = 0.20
    """No if it is at most this. Default: 0.20."""
    test_first_at: Share = 0.20
    """Test first if the greatest flip chance of a soil test is at least this. Default: 0.20."""
    judged_at: Share = 0.50
    """No yes if the criteria with a layer have less than this share of the profile's weight. Default: 0.50."""
    usable_area: Area | None = None
    """No if less land than this is judged and not excluded. Default: 0.1 ha; with purpose restore 0.01 ha."""
    usable_share: Share = 0.50
    """If less than this share of a parcel is usable, the verdict is said to be of that part only. Default: 0.50."""

    @model_validator(mode="after")
    def _check_limits(self) -> Self:
        if not self.no_at < self.yes_at:
            raise refusal("E304", "`no_at` must be less than `yes_at`", "write for example 0.20 and 0.80")
        return self

    def usable_ha(self, purpose: str) -> float:
        """Return the least usable land of a parcel [ha].

        >>> VerdictSpec().usable_ha("restore"), VerdictSpec(usable_area="2500 m2").usable_ha("buy")
        (0.01, 0.25)
        """
        return USABLE_HA[purpose] if self.usable_area is None else quantity_in(self.usable_area, "m2") / 1e4


class PricesSpec(Spec):
    """Prices, for the cost of remedies and the loss above which a soil test pays."""

    soil_test: Price | None = None
    """Price of a laboratory test of the soil."""
    parcel_ha: Price | None = None
    """Price of a hectare of land. The loss above which a test pays is shown beside the price of the parcel."""
    lime_t: Price | None = None
    """Price of a tonne of lime, spread and worked in."""
    water_m3: Price | None = None
    """Price of a cubic metre of water on the field."""
    fence_m: Price | None = None
    """Price of a metre of fence against deer and boar."""
    currency: Annotated[Text, Field(max_length=12)] | None = None
    """Currency of the prices, such as EUR."""
