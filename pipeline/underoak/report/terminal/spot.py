"""A spot judged from figures in hand, in words for the terminal and in plain values for other programs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from underoak.base.number_words import NO_VALUE, beside, cut_words, score
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.limits import change_of
from underoak.places.answers.needs import DrainageNeed, LimeBeyond, LimeNeed, NoHelp, RemedyNeed, WaterNeed
from underoak.places.answers.verdict import Purpose
from underoak.places.spot.figures import Figure
from underoak.places.spot.judgement import Doubt, JudgedCriterion, Potential, SpotJudgement
from underoak.plan.profiles.looked_at import MissingCriterion
from underoak.report.terminal.explanation import LIME_NOTES, WATER_NOTES
from underoak.report.text.answer_words import LIME_CAUTION
from underoak.report.text.cell_sentences import remedy_sentence
from underoak.report.text.class_words import held_sentence, held_words
from underoak.report.text.criterion_words import (
    best_range,
    labels,
    limiting,
    lost,
    measure_beside_range,
    state_words,
)
from underoak.report.text.error_words import amount
from underoak.report.text.findings import criterion_words
from underoak.report.text.lines import columns, wrapped
from underoak.report.text.verdicts.next_step import change_words

_SMALL_SD = 0.01  # of suitability, which no figure is measured again for
_MOST_MISSING = 6  # criteria in the table
_BY = {"lime": "lime", "irrigation": "water"}
_NO_VERDICT = (
    "This is no verdict, and screening only: it says nothing of the rest of the field, of access, title or the right "
    "to water. P says how sure the figures of this spot are; it is not the chance of a crop. No yield and no income is "
    "promised."
)
_UNITS = {"percent": "%", "1": "", "d": "days"}


def spot_text(spot: SpotJudgement) -> str:
    """Return the judgement of one species: answer, doubt, reason, remedies, what is missing, next step."""
    criteria, row, cuts = _words(spot), _row(spot), spot.plan.classes.cuts
    profile = spot.plan.profile
    assert profile is not None
    lines = [
        f"{profile.title}, from figures in hand.",
        f"{spot.class_name}, suitability {score(spot.suitability, cuts)}. {_chance(spot)}",
        *wrapped(held_sentence(criteria, row, cuts)),
        *wrapped(_looked_at(spot)),
        *wrapped(f"Limiting factor: {limiting(criteria, row)}."),
        *wrapped(_doubt(spot)),
        "",
        *_criteria(spot, criteria),
        *_losses(spot, criteria, row),
        *_remedies(spot, criteria, row),
        *_errors(spot),
        *_not_used(spot),
        *_missing(spot),
        "",
        *wrapped(f"Next: {_next(spot)}"),
        "",
        *wrapped(_NO_VERDICT),
    ]
    return "\n".join(lines)


def spots_text(spots: Sequence[SpotJudgement]) -> str:
    """Return a table of species, the most suitable first."""
    rows = []
    for spot in spots:
        cuts = spot.plan.classes.cuts
        then = spot.potential
        rows.append((
            spot.species,
            f"{spot.class_name} {score(spot.suitability, cuts)}",
            NO_VALUE if spot.p is None else score(spot.p),
            "" if then is None else f"{then.class_name} {score(then.suitability, cuts)}",
            f"{spot.looked_at.judged_weight:.2f}",
            limiting(_words(spot), _row(spot), is_short=True),
        ))  # fmt: skip
    head = ["species", "now", "P(S2+)", "potential", "looked at", "what limits it"]
    shown = [n for n, name in enumerate(head) if name != "potential" or any(row[3] for row in rows)]
    table = columns([head[n] for n in shown], [[row[n] for n in shown] for row in rows])
    return "\n".join([
        *table,
        "",
        *wrapped(
            "S1 highly, S2 moderately, S3 marginally, N not suitable. P(S2+): probability of S2 or better. Looked at: "
            "share of the profile's weight that these figures are; species with little of it may come out too high. "
            "Nothing here looks at where a species is native."
        ),
        "",
        *wrapped(f"Next: underoak judge {spots[0].species} with the same figures says why, and what is missing."),
        "",
        *wrapped(_NO_VERDICT),
    ])  # fmt: skip


def _words(spot: SpotJudgement) -> list[CriterionWords]:
    is_wild = spot.purpose is Purpose.RESTORE
    return [criterion_words(each.criterion, bool(each.criterion.is_soil), is_wild) for each in spot.criteria]


def _row(spot: SpotJudgement) -> dict[str, Any]:
    """Return the spot as a row of the table of parcels, for the sentences on parcels."""
    row: dict[str, Any] = {
        "class": spot.class_name, "suitability": spot.suitability, "held_by": spot.held_by, "limiting": spot.limiting,
        "remedies": spot.needs or None,
    }  # fmt: skip
    for need in spot.needs:
        match need:
            case LimeNeed():
                row["lime_t_ha"], row["lime_plan_t_ha"] = need.t_ha, need.plan_t_ha
            case WaterNeed():
                row["water_mm"] = need.mm
    for each in spot.criteria:
        row |= {f"membership_{each.name}": each.membership, f"value_{each.name}": each.value}
        row[f"side_{each.name}"] = each.side
    return row


def _chance(spot: SpotJudgement) -> str:
    if spot.p is None or spot.low is None or spot.high is None:
        return "P(S2 or better): not known, because no figure has an error."
    spread = f"suitability {score(spot.low)} to {score(spot.high)} in nine of ten draws"
    return f"P(S2 or better) {score(spot.p)}; {spread}."


def _doubt(spot: SpotJudgement) -> str:
    """Return which figure holds most of the doubt; "" where none stands out."""
    first = _first_doubt(spot)
    if first is None or spot.sd is None:
        return ""
    without = f"if it were exact, ± {first.sd_without:.2f} of ± {spot.sd:.2f} would be left" if spot.doubts[1:] else ""
    return f"Most of the doubt is in {_label(spot, first.layer)}{f': {without}' if without else ''}."


def _first_doubt(spot: SpotJudgement) -> Doubt | None:
    """Return the figure whose error, left out, lowers the spread by a third or more; None if no figure does."""
    if spot.sd is None or spot.sd < _SMALL_SD or not spot.doubts:
        return None
    return spot.doubts[0] if spot.doubts[0].sd_without <= spot.sd * 2.0 / 3.0 else None


def _looked_at(spot: SpotJudgement) -> str:
    """Return how much of the profile the figures are, and which essential criteria are not among them."""
    part, judged_at = spot.looked_at, spot.plan.spec.verdict.judged_at
    few = (
        f", less than the {cut_words(judged_at)} that a plan takes for a yes" if part.judged_weight < judged_at else ""
    )
    text = f"These figures are {beside(part.judged_weight, (judged_at,))} of the profile's weight{few}."
    essential = [each.label for each in part.missing if each.is_essential]
    if not essential:
        return text
    verb = "is essential" if len(essential) == 1 else "are essential"
    return f"{text} Not known: {', '.join(essential)}, which {verb}."


def _criteria(spot: SpotJudgement, criteria: Sequence[CriterionWords]) -> list[str]:
    by_name = {words.name: words for words in criteria}
    rows = [
        (
            f"{each.criterion.label}{' (essential)' if each.criterion.is_essential else ''}",
            measure_beside_range(each.value, by_name[each.name]),
            _error(each.figure),
            best_range(by_name[each.name]),
            score(each.membership),
            f"{each.weight:.3f}",
        )
        for each in sorted(spot.criteria, key=lambda each: each.membership)
    ]
    return columns(("criterion", "value", "error", "best range", "membership", "weight"), rows)


def _error(figure: Figure) -> str:
    if figure.error is None:
        return "not known"
    return f"± {figure.error:.2g}"


def _losses(spot: SpotJudgement, criteria: Sequence[CriterionWords], row: dict[str, Any]) -> Iterator[str]:
    is_wild = spot.purpose is Purpose.RESTORE
    lines = []
    for criterion, side in lost(criteria, row):
        missing = 1.0 - float(row[f"membership_{criterion.name}"])
        state = f" {words}" if (words := state_words(criterion, side)) else ""
        change = change_words(change_of(criterion.by, side, is_wild), criteria, row)
        lines += wrapped(f"- {criterion.label}{state} ({score(missing)} of its membership lost): {change}.", "  ")
    if lines and spot.gain > 0.0:
        gainful = labels(criteria, spot.most_gainful)
        lines += wrapped(f"Most to gain from: {gainful}; membership 1 would add {score(spot.gain)}.")
    yield from ["", *lines] if lines else []


def _remedies(spot: SpotJudgement, criteria: Sequence[CriterionWords], row: dict[str, Any]) -> Iterator[str]:
    if not spot.needs:
        return
    cuts = spot.plan.classes.cuts
    yield ""
    yield "What it would take:"
    for need in spot.needs:
        yield from wrapped(f"- {remedy_sentence(need)}", "  ")
    steps = [*((step, " alone") for step in spot.steps), *([(spot.potential, "")] if spot.potential else [])]
    for step, alone in steps:
        after = row | {"potential_class": step.class_name, "potential_held_by": step.held_by}
        holds = f", {held_words(criteria, after, is_potential=True)}" if step.held_by else ""
        named = " and ".join(_BY[by] for by in step.by)
        yield from wrapped(
            f"With {named}{alone}: {step.class_name}, suitability {score(step.suitability, cuts)}{holds}."
        )
    yield from wrapped(LIME_NOTES) if "lime_t_ha" in row else []
    yield from wrapped(LIME_CAUTION) if "lime_t_ha" in row else []
    yield from wrapped(WATER_NOTES) if "water_mm" in row else []


def _errors(spot: SpotJudgement) -> Iterator[str]:
    """Yield what is assumed of the figures: errors, and the method of a pH."""
    lines = []
    for figure in {each.figure.layer: each.figure for each in spot.criteria}.values():
        label = _label(spot, figure.layer)
        name = f"{label[:1].upper()}{label[1:]}"
        if figure.conversion:
            lines.append(f"{name}: {figure.conversion}.")
        elif figure.unit == "pH":
            lines.append(f"{name}: taken as measured in water; behind the number write KCl or CaCl2 if it was not.")
        if (error := figure.assumed) is not None:
            lines.append(f"{name}: {amount(error)} ({error.cite}; grade {error.grade}).")
        elif figure.error is None:
            why = f" ({figure.unknown})" if figure.unknown else ""
            lines.append(f"{name}: its error is not known{why}, so it counts as exact. Write one behind ±.")
    listed = [part for line in lines for part in wrapped(f"- {line}", "  ")]
    yield from ["", "Assumed, because the figures do not say:", *listed] if listed else []


def _label(spot: SpotJudgement, layer: str) -> str:
    return next(each.criterion.label for each in spot.criteria if each.figure.layer == layer)


def _not_used(spot: SpotJudgement) -> Iterator[str]:
    for name, reason in spot.not_used:
        yield from ["", *wrapped(f"Not used: {name}. {reason[:1].upper()}{reason[1:]}.")]


def _in_order(missing: Sequence[MissingCriterion]) -> list[MissingCriterion]:
    """Return the missing criteria, essential ones first, then the heaviest."""
    return sorted(missing, key=lambda criterion: not criterion.is_essential)


def _missing(spot: SpotJudgement) -> Iterator[str]:
    part = spot.looked_at
    if not part.missing:
        return
    yield ""
    profile = spot.plan.profile
    assert profile is not None
    ordered = _in_order(part.missing)
    rows = []
    for each in ordered[:_MOST_MISSING]:
        criterion = profile.criteria[each.name]
        essential = ", essential" if each.is_essential else ""
        unit = _UNITS.get(criterion.unit, criterion.unit)
        rows.append((f"{each.name}=…{unit}", f"{each.weight:.3f}", f"{each.label}{essential}"))
    yield from columns(("missing", "weight", "what it is"), rows)
    rest = [each.name for each in ordered[_MOST_MISSING:]]
    yield from wrapped(f"and {', '.join(rest)}" if rest else "")


def _next(spot: SpotJudgement) -> str:
    limits, first, missing = spot.plan.spec.verdict, _first_doubt(spot), _in_order(spot.looked_at.missing)
    has_essential = any(each.is_essential for each in missing)
    is_enough = spot.looked_at.judged_weight >= limits.judged_at and not has_essential
    if is_enough and first is not None and spot.p is not None and limits.no_at < spot.p < limits.yes_at:
        criterion = next(each.criterion for each in spot.criteria if each.figure.layer == first.layer)
        how = "from more bags" if criterion.is_soil else "from a longer or nearer record"
        return f"get {criterion.label} more exactly, {how}: most of the doubt is in it."
    if missing:
        names = ", ".join(each.name for each in missing[:3])
        why = "what is essential, then what is heaviest" if has_essential else "the heaviest of what is missing"
        return f"find out {names} ({why}), and judge again."
    return f"underoak new my-land --for {spot.purpose.value} writes a plan that judges the whole field with maps."


def spot_values(spot: SpotJudgement) -> dict[str, Any]:
    """Return the judgement in plain values, ready for JSON."""
    part = spot.looked_at
    return {
        "species": spot.species,
        "purpose": str(spot.purpose.value),
        "suitability": spot.suitability,
        "class": spot.class_name,
        "held_by": list(spot.held_by or ()),
        "p": spot.p,
        "sd": spot.sd,
        "low": spot.low,
        "high": spot.high,
        "draws": spot.draws,
        "seed": spot.seed,
        "doubts": [{"layer": doubt.layer, "sd_without": doubt.sd_without} for doubt in spot.doubts],
        "criteria": [_criterion_values(each) for each in spot.criteria],
        "limiting": [str(name) for name in spot.limiting],
        "most_gainful": [str(name) for name in spot.most_gainful],
        "gain": spot.gain,
        "remedies": [_need_values(need) for need in spot.needs],
        "steps": [_potential_values(step) for step in spot.steps],
        "potential": None if spot.potential is None else _potential_values(spot.potential),
        "judged_weight": part.judged_weight,
        "missing": [
            {"name": c.name, "label": c.label, "layer": c.layer, "weight": c.weight, "essential": c.is_essential}
            for c in part.missing
        ],
        "not_used": [{"name": name, "reason": reason} for name, reason in spot.not_used],
    }


def _criterion_values(each: JudgedCriterion) -> dict[str, Any]:
    figure = each.figure
    return {
        "name": each.name,
        "label": each.criterion.label,
        "layer": figure.layer,
        "value": figure.value,
        "unit": figure.unit,
        "error": figure.error,
        "assumed": None if figure.assumed is None else figure.assumed.model_dump(),
        "conversion": figure.conversion or None,
        "membership": each.membership,
        "weight": each.weight,
        "side": None if each.side is None else str(each.side.value),
        "essential": each.criterion.is_essential,
    }


def _potential_values(potential: Potential) -> dict[str, Any]:
    return {
        "by": [_BY[by] for by in potential.by],
        "suitability": potential.suitability,
        "class": potential.class_name,
        "held_by": list(potential.held_by or ()),
    }


def _need_values(need: RemedyNeed) -> dict[str, Any]:
    """Return what one remedy takes; amounts are for each hectare."""
    match need:
        case LimeNeed():
            amounts = {"t_ha": need.t_ha, "plan_t_ha": need.plan_t_ha}
            return {"by": "lime", **amounts, "depth_cm": need.depth_cm, "goal_ph": need.goal_ph}
        case WaterNeed():
            return {"by": "water", "mm": need.mm, "m3_ha": need.m3_ha}
        case DrainageNeed():
            return {"by": "drainage"}
        case LimeBeyond():
            return {"by": "lime", "t_ha": need.t_ha, "most_t_ha": need.most_t_ha, "counts": False}
        case NoHelp():
            return {"by": need.by, "counts": False, "at_zero": list(need.at_zero)}
