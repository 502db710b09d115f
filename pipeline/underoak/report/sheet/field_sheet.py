"""The field sheet of one parcel or zone: soil, lime and water, rows, plants, inoculum, calendar, cautions.

All quantities are computed from the parcel or zone. Every number of practice names its source: `[practice]` is common
practice without a source, `[memory]` was not read again, the rest is in print as cited.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from underoak.base.errors import count_of, printable
from underoak.base.number_words import figure, hectares, score
from underoak.places.answers.native import Origin
from underoak.places.answers.needs import lime_beyond
from underoak.places.answers.not_judged import NotJudged
from underoak.places.planting.mix import Planted
from underoak.places.planting.planting import (
    CONCENTRATE_L,
    PLANTS_A_PORTION,
    SEEDS_A_PLACE,
    SOWN,
    WATER_L,
    alive,
    pots_to_order,
    roots_to_check,
    rounded,
    rounded_words,
    seeds_to_gather,
    slurry,
    water_m3,
    whips_to_order,
)
from underoak.plan.profiles.season import month_names, opposite_season_month
from underoak.report.sheet.lab_request import ASK, FIELD_TEST, OLD_CROPS, cores_of, too_large
from underoak.report.sheet.site import Field
from underoak.report.sheet.wild_sheet import wild_lines
from underoak.report.text.answer_words import CAUTIONS
from underoak.report.text.cell_sentences import remedy_sentence
from underoak.report.text.lines import section, wrapped
from underoak.report.text.state_words import ORIGINS, reason_words
from underoak.report.text.verdicts.next_step import number

_DOSE_MM = 32.0  # every two weeks, 22-year-old trees of black truffle; Oliach et al. 2016, talk, in print
_FIRST_FRUIT = {
    "tuber_melanosporum": "4 to 8 years after planting (in print, Western Australian agriculture department and a "
    "note on Salamanca, ITEA 2019)",
    "tuber_aestivum": "4 to 8 years after planting, hazel sooner than oak (in print, a Hungarian growers' page; six "
    "years on Gotland, Wedén et al. 2009)",
    "tuber_borchii": "3 to 6 years after planting [memory]",
    "tuber_magnatum": "4.5 years in one French orchard (Bach et al. 2021, Mycorrhiza 31:383); 15 to 20 in old Italian "
    "plantings, where it may be the wild fungus",
}


def field_sheet(field: Field) -> str:
    """Return the sheet as text, for paper."""
    lines = [*_head(field), *_soil(field)]
    if field.is_wild:
        lines += [*wild_lines(field), *_plants(field), *_inoculum(field)]
    else:
        lines += [*_remedies(field), *_rows(field), *_plants(field), *_inoculum(field)]
    lines += [*_calendar(field), *_watch(field), *_cautions(field)]
    return "\n".join(_numbered(lines))


def _numbered(lines: Iterable[str]) -> Iterator[str]:
    """Yield the lines with the sections numbered in order."""
    count = 0
    for line in lines:
        if line.startswith("#. "):
            count += 1
            line = f"{count}{line[1:]}"
        yield line


def _head(field: Field) -> Iterator[str]:
    title = field.profile.title if field.profile else "trees of your choice"
    yield f"Field sheet: {printable(field.name)}, {hectares(field.area_ha)}, {title}"
    yield ""
    if isinstance(field.row.get("reason"), NotJudged):
        yield from wrapped(
            f"Not judged: {printable(reason_words(field.row['reason']))}. Solve this first; the rest is for later."
        )
    else:
        class_words = f"{field.row['class']}, " if isinstance(field.row.get("class"), str) else ""
        head = f"{class_words}suitability" if class_words else "Suitability"
        yield from wrapped(f"{head} {score(field.row['suitability'])}; limiting factor: {field.limiting}.")
    if field.profile:
        season = field.profile.season
        yield from wrapped(f"Fruits {season.in_words(field.is_south)} ({season.source}).")
        assert field.state is not None
        state = f"{ORIGINS[field.state]} here"
        if field.state is Origin.INTRODUCED:
            state = "not native here: a crop, keep it away from wild truffle ground"
        yield from wrapped(f"{field.profile.latin} is {state}.")
    yield from wrapped("[practice]: common practice, no source. [memory]: not read again.")


def _soil(field: Field) -> Iterator[str]:
    sampling = field.sampling
    if sampling is None:
        yield from section("#. Soil", [f"No points: {field.no_sampling}."])
        return
    items = []
    for bag in sampling.bags:
        points = ", ".join(map(str, bag.points))
        items.append(
            f"Bag {bag.name}: point{'s' if len(bag.points) > 1 else ''} {points}, "
            f"{cores_of(bag)} (20 make a sample, in print, lecture slides), 0-30 cm; take a few down to 30-60 cm, "
            f"into another bag [practice].{too_large(bag)}"
        )
    items += ["Ask the laboratory for: " + "; ".join(ASK) + " [practice].", *OLD_CROPS, FIELD_TEST[0], *sampling.notes]
    if not field.is_wild:
        items.append("Sample half a year or more before liming (in print, a truffle growers' page).")
    yield from section("#. Soil", items)
    for n in range(len(sampling.x)):
        name, bag_name = sampling.name_of(n + 1), sampling.bag_of(n + 1).name
        yield f"  {name:<14} {sampling.lat[n]:>11.6f} {sampling.lon[n]:>11.6f}  bag {bag_name}"


def _remedies(field: Field) -> Iterator[str]:
    lime, depth = number(field.row, "lime_t_ha"), number(field.row, "water_mm")
    sentences = map(remedy_sentence, field.row.get("remedies") or ())
    items = [f"{sentence[:1].upper()}{sentence[1:]}." for sentence in sentences]
    if lime_beyond(field.row.get("remedies")) is not None:
        items.append("Ask a lime expert before you plant here; other land is the better choice.")
    if lime > 0:
        items.append(
            "Work lime in before planting: once trees stand this is impossible. Plant one to two years later "
            "[practice], after a new test. All lime figures are lower bounds (growers' rule, from memory)."
        )
    if depth > 0:
        volume, times = water_m3(depth, field.area_ha), -(-depth // _DOSE_MM)
        items.append(
            f"Water to plan for: {figure(volume)} m3 in the mean year, if all of it is watered, in {times:.0f} "
            f"watering{'s' if times > 1 else ''} of {figure(depth / times)} mm. {_DOSE_MM:g} mm every two weeks "
            "gave the best result with black truffle of 22 years (Oliach et al. 2016, talk); a medium amount was "
            "better than a high one (Büntgen et al. 2015). Secure the water right first."
        )
    yield from section("#. Lime and water", items or ["By the maps it needs neither; the soil test decides."])


def _rows(field: Field) -> Iterator[str]:
    layout = field.layout
    assert layout is not None
    items = [
        f"{layout.between_m:g} m between rows, {layout.along_m:g} m along them: {layout.per_ha:.0f} trees per hectare "
        "at this spacing [practice].",
    ]
    if layout.trees == 0:
        items.append(
            f"No tree fits inside a headland of {layout.setback_m:g} m: choose a smaller headland, or other land."
        )
    else:
        how = f"counted in {count_of(layout.rows, 'row')}" if layout.is_counted else "by area, too many to count"
        items.append(
            f"This parcel takes {_trees(layout.trees)}, {how} along its longest side (bearing {layout.bearing:.0f}° "
            f"from grid north), inside a headland of {layout.setback_m:g} m [practice]: "
            f"{figure(layout.trees / layout.area_ha)} per hectare of the parcel."
        )
    if layout.shut:
        lie = "place lies" if layout.shut == 1 else "places lie"
        more = (
            f"{rounded_words(layout.shut)} more {lie} on land that is excluded or was not judged: do not plant there."
        )
        items.append(f"{more[:1].upper()}{more[1:]}")
    items.append(
        "Keep 20 to 30 m free towards oak, pine, beech, hazel, birch, poplar and other trees with root fungi, "
        "or cut a root barrier [memory]: other fungi spread from neighbours. Vines, grain and grass beside it are good."
    )
    items.append("Rip, lime, lay pipes and kill weeds first; no machines after (in print, Western Australia).")
    yield from section("#. Rows", items)


def _plants(field: Field) -> Iterator[str]:
    items: list[str] = []
    if field.trees and not field.mix:
        items.append(f"{_first(_trees(field.trees))} of the hosts you choose: the plan names no truffle.")
    if field.is_wild and field.mix:
        items.append("Plant only those that grow wild here by a local flora, and give them the share of the others:")
    for part in field.mix:
        items.append(
            f"{_first(rounded_words(part.trees))} {part.host.common} ({part.host.latin}), {_origin(part, field)}."
        )
    if len(field.mix) > 1:
        items.append(
            "Plant a mix, two hazels to an oak where both are hosts (in print, a nursery's page): "
            "hazel bears first and fades, oak lasts. Shares of the others [practice]."
        )
    items += _raised(field)
    yield from section("#. Trees", items if field.trees else ["None."])


def _origin(part: Planted, field: Field) -> str:
    if part.host.introduced and field.state is not Origin.INTRODUCED:
        return f"{ORIGINS[Origin.INTRODUCED]} here"
    return f"{ORIGINS[Origin.UNKNOWN]} here; wild in {part.host.tree.native}"


def _raised(field: Field) -> Iterator[str]:
    trees = _to_plant(field)
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
            yield f"{_first(rounded_words(rest))} with seed too fine to sow in place: {order}."
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
    return part.host.name.partition("_")[0] in SOWN


def _inoculum(field: Field) -> Iterator[str]:
    if field.is_wild and field.state is not Origin.NATIVE:
        yield from section("#. Inoculum", ["None before there is evidence that the truffle is native here."])
        return
    trees = _to_plant(field)
    plants = rounded({
        "nuts": sum(part.trees for part in field.mix if _is_sown(part)), "pots": pots_to_order(trees),
        "whips": whips_to_order(trees),
    }[field.way])  # fmt: skip
    inoculum = slurry(plants)
    if not plants:
        return
    items = [
        f"For {count_of(plants, 'plant')}: {_litres(inoculum.concentrate_l)} of concentrate into "
        f"{_litres(inoculum.water_l)} of water, {_litres(inoculum.mix_l)} of mix, "
        f"{inoculum.mix_l / plants:.2f} l per plant; prepare "
        f"{count_of(inoculum.portions, 'portion')} of {CONCENTRATE_L:g} l.",
        f"The rule: {CONCENTRATE_L:g} l in {WATER_L:g} l of water serves {PLANTS_A_PORTION} plants, read here as water "
        f"on top of concentrate. If filled up to {WATER_L:g} l instead, it is {_litres(inoculum.made_up_l)} in all, "
        "0.50 l per plant [practice].",
    ]
    if field.way == "pots":
        items.insert(0, "Certified seedlings bring the fungus. Only if you raise them yourself:")
    items.append(
        "Ripe truffles of the same region, named by an expert, of one species only"
        + (", from this ground or its neighbours." if field.is_wild else " (in print, an Italian truffle school).")
    )
    yield from section("#. Inoculum", items)


def _calendar(field: Field) -> Iterator[str]:
    def when(*months: int) -> str:
        return month_names([opposite_season_month(month) if field.is_south else month for month in months])

    lime = 0 if field.is_wild else number(field.row, "lime_t_ha")
    start = "two" if lime > 0 else "one"
    items = [f"Year nought, {when(2, 3, 4)} or {when(9, 10)}: take the soil samples, when it is moist."]
    if lime > 0:
        items += [
            f"Year nought, {when(8, 9, 10)}: spread lime on dry ground and still days, and work it in.",
            f"Year one, {when(9, 10)}: test again; lime once more if it fell short.",
        ]
    if not field.trees:
        yield from section("#. Calendar, [practice] unless stated", items)
        return
    plant = {
        "nuts": f"{when(10, 11)}: gather, float and sow at once, or keep cool in moist sand and sow in {when(3)}.",
        "pots": f"{when(11, 12, 1, 2, 3)}, on days without frost: plant.",
        "whips": f"{when(11, 12, 1, 2, 3)}, leafless, on days without frost: move, inoculate the roots, plant.",
    }[field.way]
    items.append(f"Year {start}, {plant}")
    if field.way == "nuts" and not (field.is_wild and field.state is not Origin.NATIVE):
        items.append(f"The spring after, {when(4, 5, 6)}: pour the inoculum round the young roots.")
    if not field.is_wild:
        items.append(f"{when(6, 7, 8)} of the first summers: water and weed by hand.")
    if field.profile:
        fruit = _FIRST_FRUIT.get(field.profile.name, "not known; look each year")
        season = field.profile.season.in_words(field.is_south)
        items.append(f"First fruit, where there is any: {fruit}. Search with a trained dog, {season}.")
    yield from section("#. Calendar, [practice] unless stated", items)


def _watch(field: Field) -> Iterator[str]:
    if not field.trees:
        return
    count = rounded(roots_to_check(_to_plant(field)))
    items = [
        f"Sample the roots of {count_of(count, 'tree')} at planting, and in years three and six after; have a "
        "laboratory name the fungi. Other fungi grow most between three and six (in print, Hungarian orchards, "
        "abstract). Number of trees [practice].",
        "Count living trees each autumn, and fill gaps for three years [practice].",
    ]
    if not field.is_wild:
        items.append("Test soil pH each year after liming; in a standing orchard, just outside the burn (in print).")
    yield from section("#. Watch", items)


def _cautions(field: Field) -> Iterator[str]:
    items = [CAUTIONS[0], *([] if field.is_wild else [CAUTIONS[2]]), *CAUTIONS[3:]]
    items.append(
        "Ask for a certificate and a DNA test with inoculated plants: foreign truffles, such as Tuber indicum, have "
        "come with nursery stock [memory]. Trees and soil need papers across borders."
    )
    yield from section("Cautions", items)


def _to_plant(field: Field) -> int:
    """Return the number of trees, rounded in rows and over a hundred trial plots, exact otherwise."""
    return field.trees if field.is_wild and field.plots <= 100 else rounded(field.trees)


def _trees(count: int) -> str:
    return f"{rounded_words(count)} {'tree' if count == 1 else 'trees'}"


def _places(count: int) -> str:
    return f"{rounded_words(count)} {'place' if count == 1 else 'places'}"


def _first(text: str) -> str:
    """Return the text with a capital first letter."""
    return f"{text[:1].upper()}{text[1:]}"


def _litres(litres: float) -> str:
    return f"{litres:,.0f}".replace(",", " ") + " l" if litres >= 200 else f"{round(litres, 1):g} l"
