"""The verdict of a parcel and its doubt, in words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.report.text.findings import CriterionWords, Findings
from underoak.uncertainty import wilson

_CONFIDENCE = 0.90


def has_verdict(row: Mapping[str, Any]) -> bool:
    """Whether a row of the table of parcels holds one."""
    return isinstance(row.get("verdict"), str)


def chance(row: Mapping[str, Any]) -> str:
    """P(S2 or better) with two places; a dash where there is none."""
    p = row.get("p_s2")
    return f"{float(p):.2f}" if p is not None and p == p else "–"


def within(p: float, draws: int) -> tuple[float, float]:
    """Between what a share of so many draws lies nine times in ten (Wilson's interval, as in `uncertainty.wilson`).

    >>> [round(end, 2) for end in within(0.5, 64)]
    [0.4, 0.6]
    """
    return wilson(round(p * draws), draws, _CONFIDENCE)


def called(criteria: Sequence[CriterionWords], layer: Any) -> str:
    """What people call a layer that is tested: the criterion judged by it, else its own name."""
    return next((criterion.label for criterion in criteria if criterion.layer == layer), str(layer))


def uncertainty_card(findings: Findings, best: Mapping[str, Any]) -> dict[str, str]:
    """The biggest doubt about the best parcel, and how firm its place is."""
    about = f"Biggest doubt about {best['id']}"
    firm = findings.order.words[0].partition(";")[0] if findings.order is not None and findings.order.words else ""
    more = f"{firm[0].upper()}{firm[1:]}." if firm else ""
    if not isinstance(best["best_test"], str):
        return {"about": about, "says": "None that one test of the soil would settle", "more": more}
    name = called(findings.criteria, best["best_test"])
    says = f"{name}: one test would turn the answer with a chance of {best['flip_chance']:.2f}"
    return {"about": about, "says": says, "more": more}


def verdict_lines(parcel: str, row: Mapping[str, Any], plan: Mapping[str, Any]) -> list[str]:
    """For the explanation of a parcel: the answer, its chance, and why; nothing without a verdict."""
    if not has_verdict(row):
        return []
    draws = int(plan["uncertainty"]["draws"])
    p = float(row["p_s2"])
    low, high = within(p, draws)
    said = (
        f"Parcel {parcel}: {str(row['verdict']).upper()}. P(S2 or better) {p:.2f} "
        f"({low:.2f} to {high:.2f}, for the number of draws); "
        f"suitability {row['low']:.2f} to {row['high']:.2f} in nine draws of ten."
    )
    lines = [said, f"Why: {row['verdict_reason']}."]
    worth = row.get("worth")
    if isinstance(row.get("best_test"), str) and worth is not None and worth == worth:
        pays = row.get("test_pays")
        money = ""
        if pays is not None and pays == pays:
            currency = (plan.get("prices") or {}).get("currency") or ""
            money = f", {f'{pays:.0f} {currency}'.rstrip()} after its price"
        lines.append(f"A test of {row['best_test']} is worth {worth:.3f} of suitability{money}.")
    first = row.get("first_share")
    if first is not None and first == first:
        lines.append(
            f"Over weights and data in doubt it is first in {first * 100:.0f} %, among the first three in "
            f"{row['top3_share'] * 100:.0f} %, and has rank {row['mean_rank']:.1f} on average."
        )
    return [part for line in lines for part in textwrap.wrap(line, 88, break_on_hyphens=False)]


def uncertainty_lines(findings: Findings) -> list[str]:
    """How the figures were come by, with draws or without."""
    plan = findings.plan
    if plan.uncertainty is None:
        return [
            "The figures are best estimates. How far the maps may be wrong has not been worked into them; "
            "a difference of a few hundredths between two parcels means nothing. So there is no verdict: to get one, "
            "give layers `quantiles` or `sd` and add `uncertainty` to the plan."
        ]
    judged = list(dict.fromkeys(criterion.layer for criterion in plan.criteria))
    uncertain = [name for name in judged if plan.layers[name].has_uncertainty]
    sure = [name for name in judged if name not in uncertain]
    draws = plan.uncertainty.draws
    told = f"{draws} draws of what may be wrong with {', '.join(uncertain)}"
    if findings.has_parcels and not findings.is_future:
        line = f"P(S2 or better) and the verdict come from {told}: a P is known to {0.5 / draws**0.5:.2f}."
    else:
        line = f"The spread comes from {told}."
    if sure:
        line += f" Taken at their word: {', '.join(sure)}."
    lines = [line, *(findings.order.words if findings.order is not None else [])]
    unsaid = [name for name in _best_tests(findings) if name not in plan.uncertainty.lab_error]
    if unsaid:
        lines.append(
            f"Nobody says how far off a laboratory may be for {', '.join(unsaid)}: it was taken to be exact, so that a "
            "test looks a little better than it is. Say it under `uncertainty.lab_error`."
        )
    return lines


def _best_tests(findings: Findings) -> list[str]:
    if not findings.has_parcels or "best_test" not in findings.parcels:
        return []
    return sorted(set(findings.parcels["best_test"].dropna()))
