"""The next step for a parcel, in one sentence that many parcels may share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from underoak.base.number_words import figure, percent
from underoak.decision.reference.questions import questions_of
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.deal import Answer
from underoak.places.answers.limits import Change, change_of
from underoak.places.answers.needs import LabUse, LimeBeyond, LimeNeed, lime_beyond, no_help
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.answers.verdict import DecidedBy, Purpose, TooSmall
from underoak.plan.keys.decision.deal import DealSpec
from underoak.report.text.criterion_words import CHANGES, lost, state_words
from underoak.report.text.decision.deal_words import answer_in
from underoak.report.text.verdicts.verdict_words import label_of

DECIDE = {
    Purpose.BUY: "you sign",
    Purpose.ORCHARD: "you plant",
    Purpose.RESTORE: "you restore",
    Purpose.REGION: "anyone decides",
}
_NOT_JUDGED = {
    Cause.NO_SHAPE: "Draw its outline: the file has none.",
    Cause.OFF_MAP: "Widen the region, or take it off the list.",
    Cause.NO_DATA: "The maps have no data here: only a test on the site can tell.",
    Cause.ALL_EXCLUDED: "Look elsewhere: all of this parcel is excluded.",
    Cause.NOT_NATIVE: "Leave wild ground there as it is: the truffle is not native to it.",
    Cause.MOSTLY_EXCLUDED: "Look elsewhere, or draw the outline of what is left of it and judge that.",
}
_TOO_SMALL = {
    TooSmall.AREA: "Look elsewhere, or draw a larger outline: it has too little usable land.",
    TooSmall.TREES: "Look elsewhere, or draw a wider outline: no tree fits inside its headland.",
}
_CHECK = {
    Purpose.BUY: "check water, access and title",
    Purpose.ORCHARD: "check water and access",
    Purpose.RESTORE: "check light, the truffle itself and the permission",
    Purpose.REGION: "check water, access and title",
}
_GOOD = ("S1", "S2")
_MOST_NAMED = 3  # questions of the deal
_REMEDIES = (("lime", "lime_t_ha"), ("water", "water_mm"))


def next_step(
    criteria: Sequence[CriterionWords], purpose: str, row: Mapping[str, Any], deal: DealSpec | None = None
) -> str:
    """Return what to do about one parcel next: what ends its deal, else what its ground needs and what is not known."""
    questions = questions_of(deal)
    blocks, unknown = row.get("deal_blocks"), row.get("deal_unknown")
    if isinstance(blocks, tuple):
        names = " and ".join(questions[block.question].about for block in blocks)
        return f"Look elsewhere, unless the offices in charge lift what ends the deal: {names}."
    if answer_in(row) is Answer.NOT_YET and isinstance(unknown, tuple):
        names = ", ".join(questions[name].about for name in unknown[:_MOST_NAMED])
        more = f" and {len(unknown) - _MOST_NAMED} more" if len(unknown) > _MOST_NAMED else ""
        return f"Settle the deal first: {names}{more}{_after_the_deal(criteria, purpose, row)}."
    return _ground_step(criteria, purpose, row)


def _after_the_deal(criteria: Sequence[CriterionWords], purpose: str, row: Mapping[str, Any]) -> str:
    if not isinstance(row.get("lab"), tuple):
        return "" if purpose == Purpose.RESTORE else ", then test the soil"
    without_place = _tests_without_place(criteria, row)
    return f", then say where the sample of {without_place} was taken" if without_place else ""


def _tests_without_place(criteria: Sequence[CriterionWords], row: Mapping[str, Any]) -> str:
    """Return the labels of lab results that wait for a place; "" for none."""
    results = row["lab"] if isinstance(row.get("lab"), tuple) else ()
    layers = dict.fromkeys(finding.layer for finding in results if finding.use is LabUse.NO_PLACE)
    return " and ".join(label_of(criteria, layer) for layer in layers)


def _ground_step(criteria: Sequence[CriterionWords], purpose: str, row: Mapping[str, Any]) -> str:
    decide = DECIDE[Purpose(purpose)]
    if isinstance(row["reason"], NotJudged):
        return _NOT_JUDGED[row["reason"].cause]
    if isinstance(row.get("too_small"), TooSmall):
        return _TOO_SMALL[row["too_small"]]
    results = row["lab"] if isinstance(row.get("lab"), tuple) else ()
    without_place = _tests_without_place(criteria, row)
    if without_place:
        why = "the maps show several soils here, so it is not used yet"
        return f"Say where the sample of {without_place} was taken: {why}."
    match row.get("decided_by"):
        case DecidedBy.LOOK_FIRST:
            layers = ", ".join(row["verdict_reason"].add)
            return f"Look first: add {layers} to the plan, the heaviest of what was not looked at."
        case DecidedBy.TEST | DecidedBy.BETWEEN:
            if not isinstance(row["best_test"], str):
                name = label_of(criteria, row["verdict_reason"].test)
                return (
                    f"Have {name} tested before {decide}: of all soil tests it is the likeliest to change the answer."
                )
            name = label_of(criteria, row["best_test"])
            return f"Have {name} tested before {decide}: of all soil tests it is worth most."
        case DecidedBy.UNSETTLED:
            return f"No soil test would settle it: look at the site and local records before {decide}."
        case DecidedBy.DOUBT_OFF:
            return "Let the plan draw the errors of all its layers: without them no yes is given."
    if row["excluded_share"] > 0.5:
        return "First look at what is left of it: most is excluded, and the score is that of the rest."
    if row["class"] in _GOOD and any(finding.use is LabUse.USED for finding in results):
        return f"The lab result confirms it: {_CHECK[Purpose(purpose)]} before {decide}."
    if row["class"] in _GOOD:
        return f"Have the soil tested before {decide}: pH in water, total and active carbonate, texture."
    better, beyond = row.get("potential_class"), lime_beyond(row.get("remedies"))
    if beyond is not None and better not in _GOOD and no_help(row.get("remedies"), "lime") is None:
        return f"Look elsewhere first: it would take more than {beyond.most_t_ha:g} t/ha of lime."
    remedies = " and ".join(word for word, column in _REMEDIES if number(row, column) > 0)
    if remedies and better in _GOOD:
        right = " and whether a right to water can be had" if "water" in remedies else ""
        return f"Find out what {remedies} would cost{right}: that could make it {better}."
    reasons = [f"even with {remedies} it stays {better}"] if remedies and isinstance(better, str) else []
    for criterion, side in lost(criteria, row):
        change = change_of(criterion.by, side, purpose == Purpose.RESTORE)
        if not change.is_possible:
            state = state_words(criterion, side) or "is the limit"
            return (
                f"Look elsewhere first: {'; '.join([*reasons, f'{criterion.label} {state}, and {CHANGES[change]}'])}."
            )
    return f"Look elsewhere first: {'; '.join(reasons) or 'too many criteria are outside their best range'}."


def remedies_in_short(row: Mapping[str, Any]) -> str:
    """Return what a parcel takes, or why a remedy is none, for a narrow column: `lime 24 t/ha, water 45 mm`.

    Lime is what to plan with.
    """
    lime, water = number(row, "lime_t_ha"), number(row, "water_mm")
    beyond = lime_beyond(row.get("remedies"))
    planned = number(row, "lime_plan_t_ha") or lime
    parts = [f"lime {figure(planned)} t/ha{_on_a_part(row, beyond)}" if lime > 0 else ""]
    parts.append(f"water {figure(water)} mm" if water > 0 else "")
    return ", ".join(filter(None, parts)) or _no_remedy_in_short(row, beyond)


def _no_remedy_in_short(row: Mapping[str, Any], beyond: LimeBeyond | None) -> str:
    """Return the first reason why no remedy helps a parcel; "" where there is none."""
    for by, _ in _REMEDIES:
        idle = no_help(row.get("remedies"), by)
        if idle is not None:
            names = ", ".join(name.replace("_", " ") for name in idle.at_zero)
            stays = f"{names} stay{'s' if len(idle.at_zero) == 1 else ''} 0"
            remedy = "watering" if by == "water" else by  # "no water" would say that there is none
            return f"no {remedy}: {stays if names else 'hardly helps'}"
        if beyond is not None:
            return f"no lime: above {beyond.most_t_ha:g} t/ha"
    return ""


def _on_a_part(row: Mapping[str, Any], beyond: LimeBeyond | None) -> str:
    """Return where lime is counted, and that it is too much elsewhere; "" where all of it is counted."""
    if beyond is None:
        return ""
    share = next((need.share for need in row["remedies"] if isinstance(need, LimeNeed)), 0.0)
    rest = "the rest" if share + beyond.share > 0.99 else percent(beyond.share)
    return f" on {percent(share)}, too much on {rest}"


def change_words(change: Change, criteria: Sequence[CriterionWords], row: Mapping[str, Any]) -> str:
    """Return what can be done about a criterion of a parcel: `lime can raise it`, or why it would not help."""
    if change not in (Change.LIME, Change.WATER):
        return CHANGES[change]
    by, needs = str(change.value), row.get("remedies")
    idle, beyond = no_help(needs, by), lime_beyond(needs) if change is Change.LIME else None
    is_counted = number(row, dict(_REMEDIES)[by]) > 0
    too_much = "" if beyond is None else f"would take more than {beyond.most_t_ha:g} t/ha of lime"
    if is_counted:
        return f"{CHANGES[change]} in part; the rest {too_much}" if too_much else CHANGES[change]
    if idle is not None and idle.at_zero:
        labels = {criterion.name: criterion.label for criterion in criteria}
        stays = "stays" if len(idle.at_zero) == 1 else "stay"
        return f"{by} would not help: {', '.join(labels.get(name, name) for name in idle.at_zero)} {stays} at 0"
    return f"it {too_much}" if too_much and idle is None else f"{by} would hardly help"


def grouped(steps: Iterable[tuple[str, str]], most: int = 30) -> list[tuple[str, str]]:
    """Return sentences with their parcels, in order of appearance; of many parcels only the first `most`.

    >>> grouped([("a", "Look."), ("b", "Dig."), ("c", "Look.")])
    [('Look.', 'a, c'), ('Dig.', 'b')]
    """
    parcels: dict[str, list[str]] = {}
    for parcel, step in steps:
        parcels.setdefault(step, []).append(parcel)
    return [
        (step, ", ".join(ids[:most]) + (f" and {len(ids) - most} more" if len(ids) > most else ""))
        for step, ids in parcels.items()
    ]


def number(row: Mapping[str, Any], column: str) -> float:
    """Return a figure of a row; 0 where there is none."""
    value = row.get(column)
    return float(value) if value is not None and value == value else 0.0
