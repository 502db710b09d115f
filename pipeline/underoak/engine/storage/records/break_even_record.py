"""The break-even of an orchard as `run.json` holds it: yields, prices and chances that would have to be true."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NeededYield:
    """The yield in full bearing that covers the costs at one price and chance of bearing."""

    price_kg: float
    chance: float  # of bearing, 0..1
    kg_ha: float | None  # None: picking costs as much as the price brings, so no yield does


@dataclass(frozen=True, slots=True)
class NeededPrice:
    """The price of a sold kilogram that covers the costs at one yield and chance of bearing."""

    kg_ha: float
    chance: float
    price_kg: float


@dataclass(frozen=True, slots=True)
class NeededChance:
    """The chance of bearing that covers the costs at one yield and price."""

    kg_ha: float
    price_kg: float
    chance: float | None  # None: not even a field that surely bears does


@dataclass(frozen=True, slots=True)
class StopRule:
    """What it costs to keep a field that does not bear, and what stopping in time changes."""

    stop_year: int
    last_year: int  # of those that are counted
    yearly_ha: float
    with_stop: NeededYield  # at the middle price and the least chance that the plan tries
    to_the_end: NeededYield  # the same if the field is kept to the end


@dataclass(frozen=True, slots=True)
class BreakEven:
    """What would have to be true for one hectare to cover the costs of a plan."""

    yields: tuple[NeededYield, ...]  # by chance, then price; a field that surely bears first
    prices: tuple[NeededPrice, ...]
    chances: tuple[NeededChance, ...]
    stop: StopRule | None  # None where the plan tries no chance below 1
