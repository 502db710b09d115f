"""The sections of a field sheet on trees and inoculum: the mix, plants to order or to raise, portions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from underoak.base.errors import count_of
from underoak.places.answers.native import Origin
from underoak.places.planting.mix import Planted, recipe_holds
from underoak.places.planting.planting import (
    CONCENTRATE_L,
    PLANTS_A_PORTION,
    SEEDS_A_PLACE,
    SOWN,
    WATER_L,
    alive,
    pots_to_order,
    rounded,
    rounded_words,
    seeds_to_gather,
    slurry,
    whips_to_order,
)
from underoak.plan.profiles.practice import Advice, Graded
from underoak.report.text.lines import section
from underoak.report.text.state_words import ORIGINS

if TYPE_CHECKING:
    from underoak.report.sheet.site import Field


def cited(figure: Graded) -> str:
    """Return the source and grade of a figure in brackets."""
    return f"[{figure.source}; grade {figure.grade}]"


def advice(item: Advice | None) -> list[str]:
    """Return a sentence of the profile with source and grade; nothing where the profile has none."""
    return [] if item is None else [f"{item.words} {cited(item)}."]


def capital(text: str) -> str:
    """Return the text with a capital first letter."""
    return f"{text[:1].upper()}{text[1:]}"


def trees_to_plant(field: Field) -> int:
    """Return the number of trees, rounded in rows and over a hundred trial plots, exact otherwise."""
    return field.trees if field.is_wild and field.plots <= 100 else rounded(field.trees)


def tree_count(count: int) -> str:
    """Return a number of trees in words."""
    return f"{rounded_words(count)} {'tree' if count == 1 else 'trees'}"


def plant_lines(field: Field) -> Iterator[str]:
    """Yield the section on trees: the mix, and how many to order or to sow."""
    items: list[str] = []
    if field.trees and not field.mix:
        items.append(f"{capital(tree_count(field.trees))} of the hosts you choose: the plan names no truffle.")
    if field.is_wild and field.mix:
        items.append("Plant only those that grow wild here by a local flora, and give them the share of the others:")
    for part in field.mix:
        items.append(
            f"{capital(rounded_words(part.trees))} {part.host.common} ({part.host.latin}), {_origin(part, field)}."
        )
    items += [f"Caution, {p.host.common}: {p.host.tree.caution}." for p in field.mix if p.host.tree.caution]
    if len(field.mix) > 1 and not field.is_wild:
        items += _mix_words(field)
    items += _raised(field)
    yield from section("#. Trees", items if field.trees else ["None."])


def inoculum_lines(field: Field) -> Iterator[str]:
    """Yield the section on inoculum; amounts only where the profile says what a portion is made of."""
    if field.is_wild and field.state is not Origin.NATIVE:
        yield from section("#. Inoculum", ["None before there is evidence that the truffle is native here."])
        return
    trees = trees_to_plant(field)
    plants = rounded({
        "nuts": sum(part.trees for part in field.mix if _is_sown(part)), "pots": pots_to_order(trees),
        "whips": whips_to_order(trees),
    }[field.way])  # fmt: skip
    if not plants:
        return
    portion = field.practice.inoculum if field.practice is not None else None
    items = ["No amount is printed: the profile does not say what a portion of inoculum is made of."]
    if portion is not None:
        inoculum = slurry(plants)
        items = [
            f"For {count_of(plants, 'plant')}: {_litres(inoculum.concentrate_l)} of concentrate into "
            f"{_litres(inoculum.water_l)} of water, {_litres(inoculum.mix_l)} of mix, "
            f"{inoculum.mix_l / plants:.2f} l per plant; prepare "
            f"{count_of(inoculum.portions, 'portion')} of {CONCENTRATE_L:g} l.",
            *advice(portion),
            f"The rule: {CONCENTRATE_L:g} l in {WATER_L:g} l of water serves {PLANTS_A_PORTION} plants, read here as "
            f"water on top of concentrate. If filled up to {WATER_L:g} l instead, it is "
            f"{_litres(inoculum.made_up_l)} in all, 0.50 l per plant [practice].",
        ]
    if field.way == "pots":
        only = " Only if you raise them yourself:" if portion is not None else ""
        items.insert(0, f"Certified seedlings bring the fungus.{only}")
    items.append(
        "Ripe truffles of the same region, named by an expert, of one species only"
        + (", from this ground or its neighbours." if field.is_wild else " (in print, an Italian truffle school).")
    )
    yield from section("#. Inoculum", items)


def _mix_words(field: Field) -> list[str]:
    recipe = field.practice.mix if field.practice is not None else None
    if recipe is None:
        return ["The profile has no mix for this truffle: the shares go by the strength of the hosts alone [practice]."]
    if recipe_holds(recipe, field.mix):
        return advice(recipe)
    return [f"Shares by the parts of the profile {cited(recipe)}."]


def _origin(part: Planted, field: Field) -> str:
    if part.host.introduced and field.state is not Origin.INTRODUCED:
        return f"{ORIGINS[Origin.INTRODUCED]} here"
    return f"{ORIGINS[Origin.UNKNOWN]} here; wild in {part.host.tree.native}"


def _raised(field: Field) -> Iterator[str]:
    trees = trees_to_plant(field)
    if field.way == "nuts":
        sown = rounded(sum(part.trees for part in field.mix if _is_sown(part)))
        if sown:
            yield (
                f"Sow {_places(sown)} with {SEEDS_A_PLACE} sound nuts or acorns each: "
                f"{rounded_words(sown * SEEDS_A_PLACE)}. "
                f"Put them into water: sow those that sink, discard those that float. "
                f"Gather {rounded_words(seeds_to_gather(sown))}, "
                "because a quarter floats. Guard from mice and jays; thin to one [practice]."
            )
            alive_words = rounded_words(round(alive(sown, "nuts")))
            yield f"Expect {alive_words} of the places to hold a tree, if half the seed grows [practice]."
        rest = rounded(sum(part.trees for part in field.mix if not _is_sown(part)))
        if rest:
            order = count_of(rounded(pots_to_order(rest)), "potted seedling")
            yield f"{capital(rounded_words(rest))} with seed too fine to sow in place: {order}."
    elif field.way == "pots":
        yield (
            f"Order {rounded_words(pots_to_order(trees))} certified potted seedlings with the truffle on their roots "
            f"and no other, of one or two years: a tenth is lost, so {rounded_words(trees)} "
            f"stay; keep the surplus to fill gaps "
            "[practice]."
        )
    elif field.way == "whips":
        year, five = alive(trees, "whips", 1), alive(trees, "whips")
        yield (
            f"Order {rounded_words(whips_to_order(trees))} whips of two to three years to have "
            f"{rounded_words(trees)} alive and taking in year five: 66 % are [practice]. "
            "Heel the surplus in, to fill gaps. Without filling, "
            f"{rounded_words(round(year))} live after a year and {rounded_words(round(five))} after five."
        )


def _is_sown(part: Planted) -> bool:
    return part.host.genus in SOWN


def _places(count: int) -> str:
    return f"{rounded_words(count)} {'place' if count == 1 else 'places'}"


def _litres(litres: float) -> str:
    return f"{litres:,.0f}".replace(",", " ") + " l" if litres >= 200 else f"{round(litres, 1):g} l"
