"""The break-even of an orchard, turned round: the yield, price and chance of bearing at which costs are just covered.

All amounts are of one hectare and discounted to the year of planting: set-up at year 0, costs and crops at the ends of
years 1 to N. The crop grows in equal steps from the first crop to the full one and then stays. A field bears with
chance p; one that does not is kept until its stop year. With a(n) the sum of the discount factors of n years and F that
of the crop's shares, the yield in full bearing that covers set-up S and yearly cost Y at a net price of a picked
kilogram is

    y = [S + p Y a(N) + (1 - p) Y a(stop)] / (p net F),    net = price x saleable share - hours x wage.

The annuity and the discount factors are textbook finance, from memory; the ramp is ours. Nothing here is a
forecast, and nothing adds up what is left over.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from underoak.engine.storage.records.break_even_record import (
    BreakEven,
    NeededChance,
    NeededPrice,
    NeededYield,
    StopRule,
)
from underoak.plan.keys.decision.costs import CostsSpec


def annuity(years: int, discount: float) -> float:
    """Return the sum of the discount factors of the ends of some years.

    >>> annuity(3, 0.0), round(annuity(25, 0.04), 4)
    (3.0, 15.6221)
    """
    return math.fsum((1.0 + discount) ** -year for year in range(1, years + 1))


def crop_share(year: int, first_crop: int, full_crop: int) -> float:
    """Return the share of the full crop in a year: equal steps from the first crop to the full one.

    >>> [crop_share(year, 7, 9) for year in (6, 7, 8, 9, 20)]
    [0.0, 0.3333333333333333, 0.6666666666666666, 1.0, 1.0]
    """
    return min(max((year - first_crop + 1) / (full_crop - first_crop + 1), 0.0), 1.0)


def discounted_crops(costs: CostsSpec) -> float:
    """Return the number of full crops that all crops of a bearing field are worth at planting."""
    return math.fsum(
        crop_share(year, costs.first_crop, costs.full_crop) * (1.0 + costs.discount) ** -year
        for year in range(1, costs.years + 1)
    )


def net_price(costs: CostsSpec, price_kg: float) -> float:
    """Return what a picked kilogram brings after picking: price x saleable share - hours x wage."""
    return price_kg * costs.saleable - costs.hours_per_kg * costs.wage


def needed_yield(costs: CostsSpec, price_kg: float, chance: float, stop_year: int | None = None) -> NeededYield:
    """Return the yield [kg/ha] that covers the costs; `stop_year` replaces the plan's."""
    net = net_price(costs, price_kg)
    if net <= 0.0:
        return NeededYield(price_kg, chance, None)
    spent = expected_cost(costs, chance, stop_year)
    return NeededYield(price_kg, chance, spent / (chance * net * discounted_crops(costs)))


def expected_cost(costs: CostsSpec, chance: float, stop_year: int | None = None) -> float:
    """Return set-up and yearly costs of one hectare, discounted, over fields that bear and fields that do not."""
    last = costs.last_year if stop_year is None else stop_year
    bearing, barren = (costs.yearly_ha * annuity(years, costs.discount) for years in (costs.years, last))
    return costs.set_up_ha + chance * bearing + (1.0 - chance) * barren


def needed_price(costs: CostsSpec, kg_ha: float, chance: float) -> NeededPrice:
    """Return the price of a sold kilogram that covers the costs."""
    net = expected_cost(costs, chance) / (chance * kg_ha * discounted_crops(costs))
    return NeededPrice(kg_ha, chance, (net + costs.hours_per_kg * costs.wage) / costs.saleable)


def needed_chance(costs: CostsSpec, kg_ha: float, price_kg: float) -> NeededChance:
    """Return the chance of bearing that covers the costs."""
    barren = costs.set_up_ha + costs.yearly_ha * annuity(costs.last_year, costs.discount)
    if barren == 0.0:
        return NeededChance(kg_ha, price_kg, 0.0 if net_price(costs, price_kg) >= 0.0 else None)
    more = costs.yearly_ha * (annuity(costs.years, costs.discount) - annuity(costs.last_year, costs.discount))
    crops = net_price(costs, price_kg) * kg_ha * discounted_crops(costs)
    chance = barren / (crops - more) if crops > more else math.inf
    return NeededChance(kg_ha, price_kg, chance if chance <= 1.0 else None)


def break_even(costs: CostsSpec) -> BreakEven:
    """Return what would have to be true for one hectare to cover its costs."""
    chances = _chances(costs)
    yields = tuple(needed_yield(costs, price, chance) for chance in chances for price in costs.price_kg)
    prices = tuple(needed_price(costs, kg_ha, chance) for chance in chances for kg_ha in costs.yields_kg_ha)
    needed = tuple(needed_chance(costs, kg_ha, price) for kg_ha in costs.yields_kg_ha for price in costs.price_kg)
    return BreakEven(yields, prices, needed, next(_stop_rule(costs, chances), None))


def _chances(costs: CostsSpec) -> tuple[float, ...]:
    return tuple(sorted({1.0, *costs.chances}, reverse=True))


def _stop_rule(costs: CostsSpec, chances: tuple[float, ...]) -> Iterator[StopRule]:
    if chances[-1] < 1.0:
        price = sorted(costs.price_kg)[len(costs.price_kg) // 2]
        with_stop, to_the_end = (
            needed_yield(costs, price, chances[-1], year) for year in (costs.last_year, costs.years)
        )
        yield StopRule(costs.last_year, costs.years, costs.yearly_ha, with_stop, to_the_end)
