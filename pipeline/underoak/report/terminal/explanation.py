"""The explanation of one parcel or zone, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from underoak.base.errors import Fault, UnderoakError, did_you_mean, printable
from underoak.base.number_words import figure, hectares, metres, money, percent, score
from underoak.decision.ground.potential import split_of
from underoak.engine.storage.manifest import CaseManifest, CriterionWords
from underoak.engine.storage.records.year_records import YearsRecord
from underoak.places.answers.limits import change_of
from underoak.places.answers.native import ZoneState
from underoak.places.answers.needs import has_remedy
from underoak.places.answers.verdict import Purpose
from underoak.places.parcels.ranking import outranked
from underoak.places.soil.remedies import fence_m
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.terminal.ground_lines import instead_lines, lime_calendar_lines
from underoak.report.terminal.money import break_even_lines
from underoak.report.terminal.neighbours import neighbour_lines
from underoak.report.terminal.water import years_lines
from underoak.report.text.answer_words import CAUTIONS, LIME_CAUTION, judged_words
from underoak.report.text.cell_sentences import lab_sentence, remedy_sentence
from underoak.report.text.class_words import held_sentence, held_words, zone_held_words
from underoak.report.text.criterion_words import (
    best_range,
    column_names,
    labels,
    lost,
    measure_beside_range,
    state_words,
    value_of,
)
from underoak.report.text.decision.check_words import parcel_check_lines
from underoak.report.text.decision.deal_words import deal_lines
from underoak.report.text.decision.facts import DecisionFacts
from underoak.report.text.decision.potential_words import lift_words, split_head, split_rows
from underoak.report.text.decision.rule_words import rule_lines
from underoak.report.text.decision.years_words import dry_words
from underoak.report.text.error_words import error_lines
from underoak.report.text.lab_words import sampling_lines
from underoak.report.text.lines import columns, wrapped
from underoak.report.text.pair_words import pair_words
from underoak.report.text.state_words import ZONE_STATES, reason_words
from underoak.report.text.verdicts.beside_verdict import too_small_words, usable_words
from underoak.report.text.verdicts.next_step import change_words, next_step, number
from underoak.report.text.verdicts.verdict_words import has_verdict, label_of, verdict_lines

LIME_NOTES = (
    "Lime, as pure calcium carbonate: the first figure is a lower bound, by the lower end of growers' rules for a "
    "tenth of pH in ten centimetres; plan with the upper. Above pH 7 the soil holds back more, and a laboratory's "
    "buffer test decides. Work it in before planting: once trees stand it cannot be. It acts within one to two years "
    "or more; test each year."
)
_RANKS_LAST = "It ranks after the parcels that are large enough: {}."
WATER_NOTES = "Water is what the mean year lacks: a dry year lacks more. Secure the right to it before you decide."


def explain(case: CaseManifest, plan: PlanSpec, parcels: Any, parcel: str, facts: DecisionFacts | None = None) -> str:
    """Return a parcel of a finished run in words: answer, reason, criteria, remedies, deal and next step.

    `case` and `plan` are those of the run's manifest, `facts` what is known beside the ground of the parcel.

    Raises:
        UnderoakError: E604 when the run has no parcel of that id, or no parcels at all.
    """
    place = parcel_place(parcels, parcel)
    row = parcels.iloc[place]
    judged_by, purpose = case.criteria, Purpose(plan.purpose)
    if not isinstance(row["class"], str):
        lines = [f"Parcel {parcel}: not judged ({reason_words(row['reason'])}).", f"{hectares(row['area_ha'])}."]
        lines += [] if facts is None else _beside_ground(row, plan, facts)
    else:
        lines = [
            *verdict_lines(parcel, row, plan, case.looked_at),
            *_answer(parcel, row, parcels, judged_by, plan),
            *([] if facts is None else _beside_ground(row, plan, facts)),
            "",
            *_criteria(judged_by, row),
            *_losses(judged_by, row, purpose == Purpose.RESTORE),
            *_remedies(row, plan, parcels.crs, case.years),
            *_grains(case, row["area_ha"]),
            *_errors(case),
            *neighbour_lines(plan, row),
            *years_lines(case.years, case.water_held, row),
            *([] if facts is None else lime_calendar_lines(row, parcels.crs, facts.today)),
            *instead_lines(case, row, parcels.crs, plan),
            *break_even_lines(plan),
        ]
    lines += ["", *wrapped(f"Next: {next_step(judged_by, purpose, row, plan.deal)}")]
    lines += [*(_sources(judged_by) if isinstance(row["class"], str) else ()), ""]
    return "\n".join([*lines, *wrapped(CAUTIONS[0])])


def _beside_ground(row: Any, plan: PlanSpec, facts: DecisionFacts) -> list[str]:
    """Return what is known beside the ground: the deal, what to check first, the user's rules."""
    lines = []
    for part in (
        deal_lines(row, facts.deal, plan, facts.today),
        parcel_check_lines(row, facts.deal, plan, facts.today),
        rule_lines(row, facts.rules, plan, facts.today),
    ):
        lines += [""] if part else []
        lines += [piece for line in part for piece in wrapped(line, "  " if line.startswith("- ") else "")]
    return lines


def parcel_place(parcels: Any, parcel: str) -> int:
    """Return the row of a parcel in the table; control characters in its id may be escaped or not.

    Raises:
        UnderoakError: E604 when there is none of that id.
    """
    ids, parcel = [] if parcels is None else [str(id) for id in parcels["id"]], printable(parcel)
    if not ids:
        what, fix = "this run has judged no parcels", "name a file of them in the plan as `parcels`, and run it again"
        raise UnderoakError(Fault("E604", what, fix=fix))
    if parcel not in ids:
        fix = did_you_mean(parcel, ids, f'choose an id from parcels.csv, such as "{ids[0]}"')
        raise UnderoakError(Fault("E604", f'no parcel of this run has the id "{parcel}"', fix=fix))
    return ids.index(parcel)


def explain_zone(case: CaseManifest, zones: Any, zone: str, memberships: Sequence[float]) -> str:
    """Return a zone of a finished run in words; `zone` is its rank or id, `memberships` the mean of each criterion."""
    place, has_rank = zone_place(zones, zone), zones["rank"].notna()
    row, ranked = zones.iloc[place], int(has_rank.sum())
    if not has_rank.iloc[place]:
        state = ZONE_STATES[row.get("native_range", ZoneState.CUT)]
        lines = [f"Zone {row['id']}: {state}.", f"{hectares(row['area_ha'])}.", ""]
        return "\n".join([*lines, *wrapped(CAUTIONS[0])])
    judged_by = case.criteria
    lines = [
        f"Zone {row['id']}: rank {int(row['rank'])} of {ranked}, suitability {score(row['suitability'])}.",
        f"{hectares(row['area_ha'])}, equal to {hectares(row['good_ha'])} of suitability 1: "
        + ", ".join(f"{name} {percent(row[f'share_{name.lower()}'])}" for name in ("S1", "S2", "S3"))
        + ".",
        *_drawn(row),
        f"Limiting factor: {labels(judged_by, row['limiting'])}, on {percent(row['limiting_share'])} of it.",
        *wrapped(f"{lowered[0].upper()}{lowered[1:]}." if (lowered := zone_held_words(row)) else ""),
        "",
        *columns(
            ("criterion", "membership", "weight", "best range"),
            [
                (c.label, score(m), f"{c.weight:.3f}", best_range(c))
                for m, c in sorted(zip(memberships, judged_by, strict=True), key=lambda pair: pair[0])
            ],
        ),
        *_grains(case, float(row["area_ha"])),
        *_sources(judged_by),
        "",
    ]
    return "\n".join([*lines, *wrapped(CAUTIONS[0])])


def _drawn(row: Any) -> list[str]:
    """Return the share of a zone that is S2 or better in the draws; a zone has no verdict, as its mean is not drawn."""
    share = row.get("s2_share_drawn")
    if share is None or not share >= 0:
        return []
    return wrapped(
        f"In the draws {percent(share)} of it is S2 or better, on average. That is no probability of the zone, and no "
        "verdict: to get one, name it as a parcel."
    )


def zone_place(zones: Any, zone: str) -> int:
    """Return the row of a zone in the table, by rank or id.

    Raises:
        UnderoakError: E604 when there is none of that name.
    """
    ids = [] if zones is None else [str(id) for id in zones["id"]]
    ranks = [str(i) for i in range(1, len(ids) + 1)]
    if zone in ranks:
        return ranks.index(zone)
    if zone in ids:
        return ids.index(zone)
    if zones is None:
        what, fix = "this run has looked for no zones", "add `zones` to the plan, and run it again"
    elif not ids:
        what, fix = "this run has found no zone", "set a smaller `min_area` or a lower class in the plan's `zones`"
    else:
        what = f'no zone of this run has the rank or the id "{zone}"'
        fix = (
            f"choose a rank from 1 to {len(ids)}, or an id from zones.gpkg" if len(ids) > 1 else "it has one: --zone 1"
        )
    raise UnderoakError(Fault("E604", what, fix=fix))


def _answer(parcel: str, row: Any, parcels: Any, criteria: Sequence[CriterionWords], plan: PlanSpec) -> list[str]:
    ranked, is_outranked = int(parcels["rank"].notna().sum()), bool(outranked(parcels)[parcel_place(parcels, parcel)])
    lab, cuts, small = [], plan.classes.cuts, too_small_words(row, plan.verdict, plan.purpose)
    if isinstance(row.get("lab"), tuple):
        lab = [f"Laboratory, {'; '.join(map(lab_sentence, row['lab']))}."]
        lab += sampling_lines(plan, criteria, row["lab"])
    head = "Now" if has_verdict(row) else f"Parcel {parcel}:"
    lines = [
        f"{head} {row['class']}, suitability {score(row['suitability'], cuts)}, rank {int(row['rank'])} of {ranked}.",
        *wrapped(held_sentence(criteria, row, cuts)),
        f"{hectares(row['area_ha'])}; {judged_words(row)}.",
        *([] if has_verdict(row) else wrapped(usable_words(row))),
        *(wrapped(_RANKS_LAST.format(small)) if small else _placed(row, cuts, is_outranked)),
    ]
    if isinstance(row.get("best_host"), tuple):
        lines += wrapped(f"Best hosts: {pair_words(row['best_host'])}.")
    if has_remedy(row.get("remedies")):
        lines += _potential(criteria, row, plan)
    return lines + [part for line in lab for part in wrapped(line)]


def _potential(criteria: Sequence[CriterionWords], row: Any, plan: PlanSpec) -> list[str]:
    """Return the potential that counts, each remedy by itself, and what lifts the class."""
    split = split_of(row, plan)
    counted, holds = split.counted, held_words(criteria, row, is_potential=True)
    why = f", {holds}" if holds and counted == split.with_both else ""
    lines = wrapped(
        f"Potential with the remedies that count: {counted.class_name}, suitability "
        f"{score(counted.suitability, plan.classes.cuts)}{why}."
    )
    if not split.has_gain:
        return lines
    lines += ["", *columns(split_head(split), split_rows(split, plan.classes.cuts))]
    return [*lines, *wrapped(lift_words(split))]


def _placed(row: Any, cuts: Sequence[float], is_outranked: bool) -> list[str]:
    """Return the value that a parcel is ranked by, where that is not its suitability alone."""
    free = 1.0 - float(row["excluded_share"])
    if free > 0.995 and not is_outranked:
        return []
    ranking_value = float(row["suitability"]) * free
    return wrapped(
        f"Its rank goes by suitability times the share that is not excluded: {score(row['suitability'], cuts)} on "
        f"{percent(free)} of it counts as {score(ranking_value)}."
    )


def _criteria(criteria: Sequence[CriterionWords], row: Any) -> list[str]:
    stems = column_names(criteria)
    rows = [
        (
            c.label,
            measure_beside_range(value_of(stems[c.name], row), c),
            best_range(c),
            score(row[f"membership_{stems[c.name]}"]),
            f"{c.weight:.3f}",
        )
        for c in sorted(criteria, key=lambda c: row[f"membership_{stems[c.name]}"])
    ]
    return columns(("criterion", "value", "best range", "membership", "weight"), rows)


def _losses(criteria: Sequence[CriterionWords], row: Any, is_wild: bool) -> list[str]:
    stems = column_names(criteria)
    factors = labels(criteria, row["limiting"])
    lines = [
        "",
        *wrapped(f"Limiting factor: {factors}, on {percent(row['limiting_share'])} of the judged land."),
    ]
    if float(row["gain"]) > 0.0:
        gainful = labels(criteria, row["most_gainful"])
        lines += wrapped(f"Most to gain from: {gainful}; membership 1 would add {score(row['gain'])}.")
    for criterion, side in lost(criteria, row):
        missing = 1.0 - float(row[f"membership_{stems[criterion.name]}"])
        state = f" {words}" if (words := state_words(criterion, side)) else ""
        by = change_of(criterion.by, side, is_wild)
        change = change_words(by, criteria, row)
        lines += wrapped(f"- {criterion.label}{state} ({score(missing)} of its membership lost): {change}.", "  ")
    return lines


def _remedies(row: Any, plan: PlanSpec, crs: Any, years: YearsRecord | None) -> list[str]:
    lines = []
    if isinstance(row.get("remedies"), tuple):
        lines += ["", "What it would take:"]
        for need in row["remedies"]:
            lines += wrapped(f"- {remedy_sentence(need)}", "  ")
        lines += wrapped(LIME_NOTES) if number(row, "lime_t_ha") > 0 else []
        lines += wrapped(LIME_CAUTION) if number(row, "lime_t_ha") > 0 else []
        if number(row, "water_mm") > 0:
            place = None if years is None else years.of(str(row["id"]))
            in_years = "" if place is None or place.dry is None else f" In single years: {dry_words(place.dry)}."
            lines += wrapped(f"{WATER_NOTES}{in_years}")
    if plan.purpose in (Purpose.BUY, Purpose.ORCHARD) and row.get("geometry") is not None and crs is not None:
        length = fence_m(row["geometry"], crs.to_wkt())
        price = plan.prices.fence_m
        cost_words = f", {money(length * price, plan.prices.currency or '')}" if price is not None else ""
        lines += ["", *wrapped(f"A fence against deer and boar round it: about {figure(length)} m{cost_words}.")]
    return lines


def _grains(case: CaseManifest, area_ha: float) -> list[str]:
    """Return how coarse the sources are compared with the parcel or zone."""
    grains, seen = case.grains, []
    for layer in dict.fromkeys(criterion.layer for criterion in case.criteria):
        if layer not in grains or not area_ha > 0:
            continue
        cells = area_ha * 1e4 / grains[layer] ** 2
        if cells < 20:
            share = f"{figure(cells)} of them" if cells >= 0.1 else "a small part of one"
            seen.append(f"{layer}: one cell is {metres(grains[layer])} wide, and this land is {share}")
    return ["", "Grain of the sources:", *(f"- {line}" for line in seen)] if seen else []


def _errors(case: CaseManifest) -> list[str]:
    """Return the errors of layers that the plan does not state."""
    lines = error_lines(case.uncertainty, lambda layer: label_of(case.criteria, layer))
    listed = [part for line in lines for part in wrapped(f"- {line}", "  ")]
    return ["", "Errors that the plan does not state:", *listed] if listed else []


def _sources(criteria: Sequence[CriterionWords]) -> Iterator[str]:
    yield ""
    yield "Where the numbers come from:"
    for criterion in criteria:
        grade = f" (grade {criterion.grade})" if criterion.grade and "grade" not in criterion.source else ""
        yield from wrapped(f"- {criterion.label}, {criterion.curve}: {criterion.source}{grade}", "  ")
        if criterion.remedy_source:
            yield from wrapped(f"  {criterion.by}: {criterion.remedy_source}", "    ")
        if criterion.is_essential:
            yield from wrapped(f"  essential, so no class is above its own: {criterion.essential_source}", "    ")
