"""The key `water_supply`: water that the user holds a right to, and can bring to the parcels."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Area, Flow, Number, Text, Volume, Whole, quantity_in
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

_Month = Annotated[Whole, Field(ge=1, le=12)]


class WaterSupplySpec(Spec):
    """A well, a canal, a pond or another source of water, and what may be taken from it."""

    right: Volume | Literal["unlimited"] | None = None
    """Water that may be taken in a year, such as 7000 m3; `unlimited` where the law sets no limit."""
    right_area: Area | None = None
    """Land that the right is registered for; no more counts as watered. Default: none is registered."""
    rate: Flow | None = None
    """What the pump gives, such as 12 m3/h or 3 l/s. Default: not known; the account then supposes that it is
    enough."""
    hours: Annotated[Number, Field(gt=0, le=24)] = 24.0
    """Hours a day in which it may run. Default: 24."""
    months: Annotated[tuple[_Month, ...], Field(min_length=1, max_length=12)] | None = None
    """Calendar months in which water may be taken. Default: all."""
    pond: Volume | None = None
    """What a pond or tank holds. It counts as full when the watering season begins."""
    pond_from: Literal["right", "other"] = "right"
    """`right`: what fills the pond before the season counts against the right. `other`: it does not, such as
    rain from a roof. Default: right."""
    refill: Volume | None = None
    """Other water that runs into the pond in each month of the season, such as from a spring. Default: none."""
    parcels: Annotated[tuple[Text, ...], Field(min_length=1)] | None = None
    """Ids of the parcels that share it. Default: every parcel."""
    area: Area | None = None
    """Land to water, on all of these parcels together. Default: their usable land."""
    source: Text
    """Where the figures stand: permit or contract, and its date."""

    @property
    def right_m3(self) -> float:
        """Water that may be taken in a year [m3]; infinite where it is unlimited, 0 without a right."""
        if self.right is None:
            return 0.0
        return float("inf") if self.right == "unlimited" else quantity_in(self.right, "m3")

    @property
    def right_ha(self) -> float:
        """Land that the right is registered for [ha]; infinite where none is."""
        return float("inf") if self.right_area is None else quantity_in(self.right_area, "ha")

    @property
    def rate_m3_h(self) -> float:
        """What the pump gives [m3/h]; infinite where it is not known."""
        return float("inf") if self.rate is None else quantity_in(self.rate, "m3/h")

    @property
    def pond_m3(self) -> float:
        """What the pond holds [m3]."""
        return 0.0 if self.pond is None else quantity_in(self.pond, "m3")

    @property
    def refill_m3(self) -> float:
        """Other water that runs into the pond in a month [m3]."""
        return 0.0 if self.refill is None else quantity_in(self.refill, "m3")

    @property
    def area_ha(self) -> float | None:
        """Land to water [ha]; None: the usable land of the parcels."""
        return None if self.area is None else quantity_in(self.area, "ha")

    @model_validator(mode="after")
    def _check_source(self) -> Self:
        if self.right is None and self.pond is None:
            fix = "add `right`, in m3 a year; where the law sets no limit write `right: unlimited`"
            raise refusal("E304", "there is neither a right to water nor a pond", fix)
        if self.right is None and (self.rate is not None or self.pond_from == "right"):
            fix = "add `right`, or write `pond_from: other` where the pond fills without a right, and no `rate`"
            raise refusal("E304", "a pump, or a pond filled by it, needs a right to the water", fix)
        if self.refill is not None and self.pond is None:
            raise refusal("E304", "`refill` needs a `pond`", "add `pond`, or remove `refill`")
        return self
