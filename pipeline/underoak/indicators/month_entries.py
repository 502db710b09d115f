"""Declarations of what months add up to."""

from __future__ import annotations

from underoak.indicators import climate
from underoak.indicators.declaration import Indicator, Input
from underoak.units import QUANTITIES

_PRACTICE = "common practice, no source"


def _monthly(id: str, title: str, quantity: str, text: str, is_year: bool = False) -> Indicator:
    kind = QUANTITIES[quantity]
    return Indicator(
        id=id, title=title, inputs={"months": Input(kind.unit, "months", is_year=is_year)}, unit=kind.unit,
        low=kind.low, high=kind.high, source=_PRACTICE, text=text, compute=getattr(climate, id),
    )  # fmt: skip


ENTRIES = (
    _monthly("months_sum", "sum of months", "any", "Sum over the months of the season."),
    _monthly("months_mean", "mean of months", "any", "Mean over the months of the season, each counted alike."),
    _monthly("months_min", "least month", "any", "Least of the months of the season."),
    _monthly("months_max", "greatest month", "any", "Greatest of the months of the season."),
    _monthly("warmest_month_mean", "warmest month", "temperature", "Mean temperature of the warmest month.", True),
    _monthly("coldest_month_mean", "coldest month", "temperature", "Mean temperature of the coldest month.", True),
    _monthly("annual_sum", "rain of the year", "precipitation", "Sum of the twelve months, each in mm.", True),
    _monthly("annual_mean", "mean of the year", "temperature", "Mean of the twelve months, each counted alike.", True),
)
