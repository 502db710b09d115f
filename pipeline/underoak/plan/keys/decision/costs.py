"""The key `costs`: a grower's own figures for the break-even of an orchard."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Self

from pydantic import Field, model_validator

from underoak.plan.keys.criteria import Price
from underoak.plan.keys.quantities import Number, Whole
from underoak.plan.reading.faults import PendingFault
from underoak.plan.reading.spec import PlacedFault, Spec, refuse_all

MOST_YEARS = 100
_Positive = Annotated[Number, Field(gt=0)]
_Year = Annotated[Whole, Field(ge=1, le=MOST_YEARS)]
_Chance = Annotated[Number, Field(gt=0, le=1)]


class CostsSpec(Spec):
    """Your own costs, hours and years. Nothing here has a default that favours a result: no yield, price or chance of
    bearing is assumed. Money is in the currency of `prices`, without inflation, tax or aid."""

    set_up_ha: Price
    """Cost of one hectare before the first year: plants, soil work, lime, water, fence. Without the land."""
    yearly_ha: Price
    """Cost of one hectare each year, picking left out."""
    hours_per_kg: Price
    """Hours of work for one kilogram picked."""
    wage: Price
    """Cost of one hour of that work, your own hours included."""
    price_kg: Annotated[tuple[_Positive, ...], Field(min_length=1, max_length=9)]
    """Prices of a kilogram sold to try, such as [300, 500, 700]. For a range give its ends."""
    saleable: _Chance
    """Share of the picked weight that is sold, 0..1."""
    discount: Annotated[Number, Field(ge=0, le=1)]
    """Discount rate of a year, such as 0.04."""
    years: _Year
    """Years that are counted."""
    first_crop: _Year
    """Year of the first crop."""
    full_crop: _Year
    """Year from which the crop is full."""
    chances: Annotated[tuple[_Chance, ...], Field(max_length=9)] = ()
    """Chances of bearing to try, 0..1, such as [0.5]. Default: only what it takes if the field surely bears."""
    stop_year: _Year | None = None
    """Last year in which a field that does not bear is kept. Default: the last of `years`."""
    yields_kg_ha: Annotated[tuple[_Positive, ...], Field(max_length=9)] = ()
    """Yields in full bearing to try: the price and the chance of bearing that each would need. Default: none."""

    @model_validator(mode="after")
    def _check_years(self) -> Self:
        refuse_all(self._year_faults(), self)
        return self

    def _year_faults(self) -> Iterator[PlacedFault]:
        last = f"`years` counts {self.years}"
        if self.full_crop < self.first_crop:
            fix = "give the year from which the crop is full"
            yield ("full_crop",), PendingFault("E304", "`full_crop` is before `first_crop`", fix)
        if self.first_crop > self.years:
            what = f"the first crop, in year {self.first_crop}, is never counted: {last}"
            yield ("first_crop",), PendingFault("E304", what, "raise `years`")
        if self.stop_year is not None and self.stop_year > self.years:
            what = f"year {self.stop_year} is after the last: {last}"
            yield ("stop_year",), PendingFault("E304", what, "lower `stop_year`, or raise `years`")
        if self.stop_year is not None and self.stop_year < self.first_crop:
            what = f"a field cannot be given up in year {self.stop_year} for not bearing: no crop is due before year "
            fix = "give a year from the first crop on"
            yield ("stop_year",), PendingFault("E304", f"{what}{self.first_crop}", fix)

    @property
    def last_year(self) -> int:
        """Last year in which a field that does not bear is kept."""
        return self.years if self.stop_year is None else self.stop_year
