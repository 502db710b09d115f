"""The verdict of a parcel and its uncertainty, in words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.number_words import beside, figure, money
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.verdict import DecidedBy, Purpose, SoilTestFigures, Verdict
from underoak.places.verdicts.decision import SETTLES
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.verdict import VerdictSpec
from underoak.plan.profiles.looked_at import LookedAt
from underoak.report.text.decision.cohort_words import what_p_is_not
from underoak.report.text.decision.deal_words import answer_in, answer_words, ground_and_deal
from underoak.report.text.error_words import error_lines
from underoak.report.text.findings import Findings
from underoak.report.text.verdicts.beside_verdict import (
    blind_spots,
    looked_at_words,
    part_words,
    too_small_words,
    usable_words,
)
from underoak.report.text.verdicts.rank_words import lead_words, order_lines
from underoak.report.text.verdicts.reason_sentence import VerdictReasonText, turns_hardly
from underoak.report.text.verdicts.shared_words import shared_failure_words
from underoak.uncertainty import wilson

_CONFIDENCE = 0.90
_WRONG = {
    Purpose.BUY: "purchase",
    Purpose.ORCHARD: "planting",
    Purpose.RESTORE: "restoration",
    Purpose.REGION: "choice",
}
_REASON = VerdictReasonText()


def has_verdict(row: Mapping[str, Any]) -> bool:
    """Return whether a row of the table of parcels has a verdict."""
    return isinstance(row.get("verdict"), Verdict)


def answer_and_part(row: Mapping[str, Any], purpose: str, limits: VerdictSpec, is_loud: bool = False) -> str:
    """Return the answer of a row, with the part it is for: `buy, part only: 0.8 ha`; "" without a verdict.

    `is_loud`: the answer in capitals.
    """
    value = answer_in(row)
    if not has_verdict(row) or value is None:
        return ""
    answer = answer_words(value, purpose)
    return ", ".join(filter(None, (answer.upper() if is_loud else answer, part_words(row, limits))))


def chance(row: Mapping[str, Any], limits: VerdictSpec) -> str:
    """Return P(S2 or better), on its side of the limits of a yes and a no; a dash where there is none."""
    p = row.get("p_s2")
    return "–" if p is None else beside(float(p), (limits.no_at, limits.yes_at))


def within(p: float, draws: int) -> tuple[float, float]:
    """Return the 90 % interval of a share of so many draws (Wilson's interval, as in `uncertainty.wilson`).

    >>> [round(end, 2) for end in within(0.5, 64)]
    [0.4, 0.6]
    """
    return wilson(round(p * draws), draws, _CONFIDENCE)


_SMALL_WORTH = 0.001  # of suitability


def label_of(criteria: Sequence[CriterionWords], layer: str) -> str:
    """Return the label of the criterion that a layer feeds, else the layer's name."""
    return next((criterion.label for criterion in criteria if criterion.layer == layer), layer)


def uncertainty_card(findings: Findings, best: Mapping[str, Any]) -> dict[str, str]:
    """Return the card on the biggest doubt about the best parcel, and how certain its place is."""
    about, reason = f"Biggest doubt about {best['id']}", best["verdict_reason"]
    more = lead_words(findings.order) if findings.order is not None else ""
    if reason.decided_by is DecidedBy.LOOK_FIRST:
        says = looked_at_words(findings.plan.looked_at, findings.plan.spec.verdict.judged_at)
    elif small := too_small_words(best, findings.plan.spec.verdict, findings.plan.purpose):
        says = f"{small[:1].upper()}{small[1:]}"
    elif reason.flip_chance is not None and turns_hardly(reason.flip_chance):
        says = "Hardly any soil test would change the verdict"
    elif isinstance(best["best_test"], str):
        name, limits = label_of(findings.criteria, best["best_test"]), findings.plan.spec.verdict
        flip = beside(float(best["flip_chance"]), (0.0, SETTLES, limits.test_first_at))
        says = f"{name}: a test would change the verdict with a probability of {flip}"
    elif reason.flip_chance and reason.test is not None:
        name, limits = label_of(findings.criteria, reason.test), findings.plan.spec.verdict
        flip = beside(reason.flip_chance, (0.0, SETTLES, limits.test_first_at))
        says = f"{name}: a test would change the verdict with a probability of {flip}"
    elif reason.unknown:
        says = f"The error of {', '.join(reason.unknown)} is not known"
    else:
        says = "No single soil test would change the verdict"
    return {"about": about, "says": says, "more": more}


def verdict_lines(parcel: str, row: Mapping[str, Any], plan: PlanSpec, part: LookedAt | None) -> list[str]:
    """Return the answer for a parcel, the reason of its verdict and what stands beside it; nothing without one."""
    if not has_verdict(row) or plan.uncertainty is None:
        return []
    limits, draws, p = plan.verdict, plan.uncertainty.draws, float(row["p_s2"])
    low, high = within(p, draws)
    lines = [
        f"Parcel {parcel}: {answer_and_part(row, plan.purpose, limits, is_loud=True)}. P(S2 or better) "
        f"{chance(row, limits)} ({low:.2f} to {high:.2f}, for the number of draws); "
        f"suitability {row['low']:.2f} to {row['high']:.2f} in nine draws of ten.",
        what_p_is_not(plan, p),
        ground_and_deal(row, limits, plan.deal),
        f"Why: {_REASON.encode(row['verdict_reason'])}.",
        usable_words(row),
        looked_at_words(part, limits.judged_at),
        *soil_test_lines(row, plan),
        blind_spots(plan.purpose) if row["verdict"] is Verdict.YES else "",
    ]
    first = row.get("first_share")
    if first is not None and first == first:
        lines.append(
            f"Over the draws of weights and data it is first in {first * 100:.0f} %, among the first three in "
            f"{row['top3_share'] * 100:.0f} %, and has rank {row['mean_rank']:.1f} on average."
        )
    return [part for line in filter(None, lines) for part in textwrap.wrap(line, 88, break_on_hyphens=False)]


def soil_test_lines(row: Mapping[str, Any], plan: PlanSpec) -> list[str]:
    """Return the soil tests that could change the verdict of a parcel, by worth, and when the first of them pays."""
    tests, limits = row.get("tests"), plan.verdict
    if not isinstance(tests, tuple) or not tests:
        return []
    cuts = (0.0, SETTLES, limits.test_first_at)
    figures = "; ".join(
        f"{test.layer}, {_worth_words(test)}, changes the verdict with a chance of {beside(test.flip_chance, cuts)}"
        for test in tests
    )
    lines = [f"Soil tests, by worth: {figures}."]
    least, prices = row.get("test_pays_above"), plan.prices
    if least is not None and least == least and not turns_hardly(max(test.flip_chance for test in tests)):
        currency, price = prices.currency or "", ""
        if prices.parcel_ha is not None:
            price = f" At your price of land the parcel costs {money(prices.parcel_ha * row['area_ha'], currency)}."
        lines.append(
            f"A test of {row['best_test']} pays if a wrong {_WRONG[Purpose(plan.purpose)]} costs you more than "
            f"about {money(float(least), currency, float(least) * tests[0].worth_error / tests[0].worth)}.{price}"
        )
    return lines


def _worth_words(test: SoilTestFigures) -> str:
    if not test.is_worth_known:
        return "whose worth cannot be told from 0 with so few draws"
    if test.worth < _SMALL_WORTH:
        return f"worth less than {_SMALL_WORTH:g} of suitability"
    return f"worth about {figure(test.worth, test.worth_error)} of suitability"


def uncertainty_lines(findings: Findings) -> list[str]:
    """Return the sentences on how the figures were computed, with draws or without."""
    plan = findings.plan
    if plan.uncertainty is None:
        return [
            "The figures are best estimates. They do not include the errors of the maps; a difference of a few "
            "hundredths between two parcels means nothing. So there is no verdict: to get one, give layers "
            "`quantiles` or `sd` and add `uncertainty` to the plan."
        ]
    judged = list(dict.fromkeys(criterion.layer for criterion in plan.criteria))
    uncertain = [name for name in judged if plan.layers[name].has_uncertainty]
    draws = plan.uncertainty.draws
    if not uncertain:
        source = f"{draws} draws that are all the same, because no layer has an error"
    else:
        source = f"{draws} draws of the errors of {', '.join(uncertain)}"
    if findings.has_parcels and findings.case.is_present:
        line = f"P(S2 or better) and the verdict come from {source}: a P is known to {0.5 / draws**0.5:.2f}."
    else:
        line = f"The spread comes from {source}."
    lines = [line, *error_lines(findings.uncertainty, lambda layer: label_of(findings.criteria, layer))]
    lines += [] if findings.shared is None else [shared_failure_words(findings.shared)]
    lines += [*(order_lines(findings.order) if findings.order is not None else [])]
    without_error = [name for name in _best_tests(findings) if name not in plan.uncertainty.lab_error]
    if without_error:
        lines.append(
            f"No lab error is stated for {', '.join(without_error)}: the lab's method was taken to be exact, and only "
            "the error of sampling by 20 cores counts, so a test looks a little better than it is. State it under "
            "`uncertainty.lab_error`."
        )
    return lines


def _best_tests(findings: Findings) -> list[str]:
    if findings.parcels is None or "best_test" not in findings.parcels:
        return []
    return sorted(set(findings.parcels["best_test"].dropna()))
