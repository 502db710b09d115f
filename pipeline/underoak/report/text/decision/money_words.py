"""The break-even of an orchard in sentences: what would have to be true, beside what others printed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from underoak.base.number_words import figure, percent
from underoak.decision.money.break_even import break_even
from underoak.decision.reference.published_ranges import Item, figures_of
from underoak.engine.storage.records.break_even_record import BreakEven, NeededYield, StopRule
from underoak.plan.keys.decision.costs import CostsSpec
from underoak.report.text.decision.published_words import exact, published_words, range_words

BREAK_EVEN = "Break-even, turned round: what would have to be true"
WARNINGS = (
    "The costs are yours, what others printed is theirs. Nobody has counted which share of suited "
    "fields bears, and P(S2 or better) is not that share.",
    "Land is left out: it may keep its worth or lose it. So are tax, aid and inflation. Lime, water and fence that are "
    "named elsewhere count only as far as they are in set_up_ha and yearly_ha.",
    "Screening, not advice, and no forecast: ask growers nearby for their books, and someone licensed where you are.",
)
RANGES_SOURCES = "Whose figure each is, with its year and source, stands in report.html."
_BESIDE = (Item.YIELD, Item.FIRST_CROP, Item.PRICE, Item.HOURS, Item.FRESH, Item.LOSS)
PUBLISHED = "What others printed. None of it is of your field, and none of it is a promise:"


@dataclass(frozen=True, slots=True)
class BreakEvenWords:
    """The break-even in words: an introduction, a table, sentences, and published figures."""

    intro: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]
    published: tuple[str, ...]  # each with its source
    ranges: tuple[str, ...]  # the same in a line for each item
    warnings: tuple[str, ...] = WARNINGS


def break_even_words(costs: CostsSpec, currency: str) -> BreakEvenWords:
    """Return the break-even of a plan's costs in words; `currency` may be ""."""
    result, beside = break_even(costs), figures_of(*_BESIDE)
    chances = tuple(dict.fromkeys(each.chance for each in result.yields))
    return BreakEvenWords(
        _intro(costs, currency),
        ("chance of bearing", *(f"at {_money(price, currency)}/kg" for price in costs.price_kg)),
        tuple((_chance(chance), *_row(result, chance)) for chance in chances),
        tuple(_lines(result, costs, currency)),
        tuple(map(published_words, beside)),
        tuple(range_words(beside)),
    )


def _money(amount: float, currency: str) -> str:
    return f"{exact(amount)} {currency}".rstrip()


def _estimate(amount: float, currency: str) -> str:
    return f"{figure(amount)} {currency}".rstrip()


def _intro(costs: CostsSpec, currency: str) -> str:
    sold = "all of it sold" if costs.saleable == 1.0 else f"{percent(costs.saleable)} of the weight sold"
    return (
        f"Yield in full bearing [kg/ha] that just covers the costs that the plan gives: {_money(costs.set_up_ha, '')} "
        f"{currency}/ha to set up, {_money(costs.yearly_ha, currency)}/ha each year, {exact(costs.hours_per_kg)} hours "
        f"per kg picked at {_money(costs.wage, currency)} an hour, {sold}; {costs.years} years at a discount of "
        f"{costs.discount * 100:g} %, first crop in year {costs.first_crop}, full crop from year {costs.full_crop}."
    ).replace(" /", "/")


def _chance(chance: float) -> str:
    return "bears for sure" if chance == 1.0 else f"{chance:g}"


def _row(result: BreakEven, chance: float) -> Iterator[str]:
    for each in result.yields:
        if each.chance == chance:
            yield _yield(each)


def _yield(needed: NeededYield) -> str:
    return "no yield" if needed.kg_ha is None else figure(needed.kg_ha)


def _lines(result: BreakEven, costs: CostsSpec, currency: str) -> Iterator[str]:
    lost = [price for price in costs.price_kg if any(n.price_kg == price and n.kg_ha is None for n in result.yields)]
    if lost:
        listed = ", ".join(_money(price, currency) for price in lost)
        yield f"No yield: at {listed} per kg the picking alone costs what is sold, or more."
    for kg_ha in costs.yields_kg_ha:
        prices = [each for each in result.prices if each.kg_ha == kg_ha]
        listed = ", ".join(f"{_estimate(each.price_kg, currency)}/kg {_if(each.chance)}" for each in prices)
        yield f"At {exact(kg_ha)} kg/ha the price would have to be {listed}."
        chances = [each for each in result.chances if each.kg_ha == kg_ha]
        listed = ", ".join(
            f"{figure(each.chance)} at {_money(each.price_kg, currency)}/kg"
            for each in chances
            if each.chance is not None
        )
        if listed:
            yield f"At {exact(kg_ha)} kg/ha the chance of bearing would have to be {listed}."
        never = [_money(each.price_kg, currency) for each in chances if each.chance is None]
        if never:
            yield (
                f"At {exact(kg_ha)} kg/ha and {', '.join(never)} per kg not even a field that surely bears covers its "
                "costs."
            )
    if result.stop is not None:
        yield _stop(result.stop, currency)


def _if(chance: float) -> str:
    return "if the field surely bears" if chance == 1.0 else f"at a chance of {chance:g}"


def _stop(rule: StopRule, currency: str) -> str:
    text = (
        f"Stop-year rule: settle before planting in which year you stop if nothing comes. A field that does not bear "
        f"costs {_money(rule.yearly_ha, currency)}/ha in each year that it is kept"
    )
    needed, later = rule.with_stop, rule.to_the_end
    if rule.stop_year == rule.last_year:
        return f"{text}; here it is kept to year {rule.last_year}. Try an earlier stop_year."
    if needed.kg_ha is None or later.kg_ha is None:
        return f"{text}; here it is kept to year {rule.stop_year}."
    return (
        f"{text}. Stopping after year {rule.stop_year} instead of {rule.last_year} lowers the yield needed from "
        f"{figure(later.kg_ha)} to {figure(needed.kg_ha)} kg/ha, at {_money(needed.price_kg, currency)}/kg and a "
        f"chance of {needed.chance:g}."
    )
