"""Limits for the weather of a single year: rain that is enough, frost that kills, an autumn that drowns.

They are not the corners of curves: those are for means over many years.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from underoak.plan.keys.quantities import Number, Whole
from underoak.plan.profiles.practice import Graded, Positive
from underoak.plan.profiles.season import Month, month_names, opposite_season_month
from underoak.plan.reading.spec import Spec


class _OfMonths(Graded):
    """A limit for some months in a row."""

    months: Annotated[tuple[Month, ...], Field(min_length=1, max_length=11)]
    """The months in their order, north of the equator; half a year later south of it."""

    def calendar_months(self, is_south: bool) -> tuple[int, ...]:
        """Return the months (1..12) in their order."""
        return tuple(opposite_season_month(month) if is_south else month for month in self.months)


class RainOfMonths(_OfMonths):
    """Rain of some months together."""

    mm: Positive
    """The limit [mm]."""

    @property
    def words(self) -> str:
        """The limit in words."""
        return f"{self.mm:g} mm or more, {month_names(self.months)}"


class HardFrost(_OfMonths):
    """Nights in a row at or below a temperature."""

    degrees: Number
    """The temperature of the air [degC]."""
    nights: Annotated[Whole, Field(ge=1)]
    """How many in a row."""

    @property
    def words(self) -> str:
        """The limit in words."""
        return f"{self.nights} nights in a row at {self.degrees:g} °C or less, {month_names(self.months)}"


class SingleYears(Spec):
    """The limits for one year."""

    rain_enough: RainOfMonths | None = None
    """Rain with which an unwatered crop did well."""
    frost: HardFrost | None = None
    """Frost that kills truffles in the ground."""
    wet_autumn: RainOfMonths | None = None
    """Rain of an autumn in which truffles rotted."""

    @property
    def named(self) -> dict[str, RainOfMonths | HardFrost]:
        """The limits that are known, by what they stand for."""
        every = {"rain enough": self.rain_enough, "hard frost": self.frost, "wet autumn": self.wet_autumn}
        return {name: limit for name, limit in every.items() if limit is not None}
