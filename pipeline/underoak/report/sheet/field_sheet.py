"""The field sheet of one parcel or zone: soil, lime and water, rows, plants, inoculum, calendar, cautions.

All quantities are computed from the parcel or zone. Advice on the truffle is what its profile carries, with source and
grade (`plan.profiles.practice`). Other numbers of practice name theirs: `[practice]` is common practice without a
source, `[memory]` was not read again, the rest is in print as cited.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from underoak.base.errors import count_of, printable
from underoak.base.number_words import figure, hectares, score
from underoak.places.answers.deal import Answer
from underoak.places.answers.native import Origin
from underoak.places.answers.needs import lime_beyond
from underoak.places.answers.not_judged import NotJudged
from underoak.places.answers.verdict import Verdict
from underoak.places.planting.planting import roots_to_check, rounded, rounded_words, water_m3
from underoak.plan.profiles.season import month_names, opposite_season_month
from underoak.report.sheet.lab_request import ASK, FIELD_TEST, OLD_CROPS, cores_of
from underoak.report.sheet.site import Field
from underoak.report.sheet.tree_sections import (
    advice,
    capital,
    cited,
    inoculum_lines,
    plant_lines,
    tree_count,
    trees_to_plant,
)
from underoak.report.sheet.wild_sheet import wild_lines
from underoak.report.text.answer_words import CAUTIONS, LIME_CAUTION
from underoak.report.text.cell_sentences import remedy_sentence
from underoak.report.text.decision.deal_words import answer_in, ground_and_deal
from underoak.report.text.decision.years_words import dry_words
from underoak.report.text.lines import section, wrapped
from underoak.report.text.state_words import ORIGINS, reason_words
from underoak.report.text.verdicts.next_step import number
from underoak.report.text.verdicts.reason_sentence import VerdictReasonText
from underoak.report.text.verdicts.verdict_words import answer_and_part, chance, has_verdict

_DOSE_MM = 30.0  # of one watering, where the profile gives none; common practice, no source
_REASON = VerdictReasonText()


def field_sheet(field: Field) -> str:
    """Return the sheet as text, for paper."""
    lines = [*_head(field), *_soil(field)]
    if field.is_wild:
        lines += [*wild_lines(field), *plant_lines(field), *inoculum_lines(field)]
    else:
        lines += [*_remedies(field), *_rows(field), *plant_lines(field), *inoculum_lines(field)]
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
        yield from _verdict(field)
    if field.profile:
        season = field.profile.season
        yield from wrapped(f"Fruits {season.in_words(field.is_south)} ({season.source}).")
        assert field.state is not None
        state = f"{ORIGINS[field.state]} here"
        if field.state is Origin.INTRODUCED:
            state = "not native here: a crop, keep it away from wild truffle ground"
        yield from wrapped(f"{field.profile.latin} is {state}.")
        for item in () if field.is_wild else field.profile.ruled_out:
            yield from wrapped(f"Ruled out, even where the maps look good: {item.words.rstrip('.')} [{item.source}].")
    yield from wrapped(
        "[practice]: common practice, no source. [memory]: not read again. Grades: A two independent readings agree, "
        "B one fair or several weak ones, C from memory or without a source."
    )


def _verdict(field: Field) -> Iterator[str]:
    """Yield the verdict with its reason; nothing without one."""
    if not has_verdict(field.row):
        return
    answer = answer_and_part(field.row, field.purpose, field.limits, is_loud=True)
    yield from wrapped(f"Answer: {answer}. P(S2 or better) {chance(field.row, field.limits)}.")
    yield from wrapped(field.what_p_is_not)
    yield from wrapped(ground_and_deal(field.row, field.limits, field.deal))
    yield from wrapped(f"Why: {_REASON.encode(field.row['verdict_reason'])}.")
    if answer_in(field.row) is Answer.NOT_YET:
        yield from wrapped("The answer is not yet: settle the deal before you spend money on what follows.")
    if answer_in(field.row) is Answer.NO:
        yield from wrapped("The answer is no: the rest of this sheet is for the case that you go ahead all the same.")


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
            "into another bag [practice]."
        )
    items += ["Ask the laboratory for: " + "; ".join(ASK) + " [practice].", *OLD_CROPS, FIELD_TEST[0], *sampling.notes]
    if field.is_limed:
        items.append("Sample half a year or more before liming (in print, a truffle growers' page).")
    yield from section("#. Soil", items)
    for n in range(len(sampling.x)):
        name, bag_name = sampling.name_of(n + 1), sampling.bag_of(n + 1).name
        yield f"  {name:<14} {sampling.lat[n]:>11.6f} {sampling.lon[n]:>11.6f}  bag {bag_name}"


def _remedies(field: Field) -> Iterator[str]:
    """Yield the section on lime and water; it speaks of those that the plan or its profile has a remedy by."""
    names = [name for name, by in (("lime", "lime"), ("water", "irrigation")) if by in field.remedies]
    if not names:
        return
    lime, depth = number(field.row, "lime_t_ha"), number(field.row, "water_mm")
    sentences = map(remedy_sentence, field.row.get("remedies") or ())
    items = [f"{capital(sentence)}." for sentence in sentences]
    if lime_beyond(field.row.get("remedies")) is not None:
        items.append("Ask a lime expert before you plant here; other land is the better choice.")
    if lime > 0:
        rule = field.lime_rule
        wait = f" {capital(rule.wait)}." if rule.wait else ""
        items.append(
            "Work lime in before planting: once trees stand this is impossible. Plant one to two years later "
            f"[practice], after a new test.{wait} For a tenth of pH in 10 cm the rule is {rule.least:g} to "
            f"{rule.plan_with:g} t/ha: the lower figure is a lower bound, plan with the upper {cited(rule)}."
        )
    if depth > 0:
        irrigation = field.practice.irrigation if field.practice else None
        dose = irrigation.dose if irrigation and irrigation.dose else _DOSE_MM
        volume, times = water_m3(depth, field.area_ha), -(-depth // dose)
        items.append(
            f"Water to plan for: {figure(volume)} m3 in the mean year, if all of it is watered, in {times:.0f} "
            f"watering{'s' if times > 1 else ''} of {figure(depth / times)} mm. Secure the water right first."
        )
        items += advice(irrigation)
        if irrigation is not None and field.is_south:
            items.append("Months of watering are named as north of the equator: here they come half a year later.")
    if field.dry is not None:
        items.append(f"In the single years of the plan's series rain lacked {dry_words(field.dry)}.")
    head = f"#. {capital(' and '.join(names))}"
    yield from section(head, items or [_nothing_lacks(field, names)])


def _nothing_lacks(field: Field, names: list[str]) -> str:
    lacks = f"By the maps it lacks no {' and no '.join(names)}"
    if field.row.get("verdict") is Verdict.NO or field.row.get("class") not in ("S1", "S2"):
        return f"{lacks}, and {' or '.join(names)} would not make it good. The limiting factor is {field.limiting}."
    return f"{lacks}; the soil test decides."


def _rows(field: Field) -> Iterator[str]:
    layout = field.layout
    assert layout is not None
    spacing = cited(field.spacing) if field.spacing is not None else "[your choice]"
    items = [
        f"{layout.between_m:g} m between rows, {layout.along_m:g} m along them: {layout.per_ha:.0f} trees per hectare "
        f"at this spacing {spacing}.",
    ]
    if layout.trees == 0:
        items.append(
            f"No tree fits inside a headland of {layout.setback_m:g} m: choose a smaller headland, or other land."
        )
    else:
        how = f"counted in {count_of(layout.rows, 'row')}" if layout.is_counted else "by area, too many to count"
        items.append(
            f"This parcel takes {tree_count(layout.trees)}, {how} along its longest side (bearing "
            f"{layout.bearing:.0f}° from grid north), inside a headland of {layout.setback_m:g} m [practice]: "
            f"{figure(layout.trees / layout.area_ha)} per hectare of the parcel."
        )
    if layout.shut:
        lie = "place lies" if layout.shut == 1 else "places lie"
        more = (
            f"{rounded_words(layout.shut)} more {lie} on land that is excluded or was not judged: do not plant there."
        )
        items.append(capital(more))
    if field.practice is not None:
        items += [*advice(field.practice.neighbours), *advice(field.practice.former_land)]
    first = ["rip", "lime"] if field.is_limed else ["rip"]
    pipes = ["lay pipes"] if "irrigation" in field.remedies else []
    work = f"{', '.join([*first, *pipes])} and kill weeds first"
    items.append(f"{capital(work)}; no machines after (in print, Western Australia).")
    yield from section("#. Rows", items)


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
    has_inoculum = field.practice is not None and field.practice.inoculum is not None
    if field.way == "nuts" and has_inoculum and not (field.is_wild and field.state is not Origin.NATIVE):
        items.append(f"The spring after, {when(4, 5, 6)}: pour the inoculum round the young roots.")
    if not field.is_wild:
        care = "water and weed" if "irrigation" in field.remedies else "weed"
        items.append(f"{when(6, 7, 8)} of the first summers: {care} by hand.")
    if field.profile and field.practice:
        first = field.practice.first_fruit
        fruit = f"{first.words} {cited(first)}" if first else "no figure is on record; look each year"
        items.append(
            f"First fruit, where there is any: {fruit}. Season: {field.profile.season.in_words(field.is_south)}."
        )
        items += advice(field.practice.tools)
    yield from section("#. Calendar, [practice] unless stated", items)


def _watch(field: Field) -> Iterator[str]:
    if not field.trees:
        return
    count = rounded(roots_to_check(trees_to_plant(field)))
    items = [
        f"Sample the roots of {count_of(count, 'tree')} at planting, and in years three and six after; have a "
        "laboratory name the fungi. Other fungi grow most between three and six (in print, Hungarian orchards, "
        "abstract). Number of trees [practice].",
        "Count living trees each autumn, and fill gaps for three years [practice].",
    ]
    if field.is_limed:
        items.append("Test soil pH each year after liming; in a standing orchard, just outside the burn (in print).")
    yield from section("#. Watch", items)


def _cautions(field: Field) -> Iterator[str]:
    items = [CAUTIONS[0], *([LIME_CAUTION] if field.is_limed else []), *CAUTIONS[3:]]
    items.append(
        "Ask for a certificate and a DNA test with inoculated plants: foreign truffles, such as Tuber indicum, have "
        "come with nursery stock [memory]. Trees and soil need papers across borders."
    )
    yield from section("Cautions", items)
