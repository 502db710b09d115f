"""Results in words: the answer, the reason, the next step, and the limits of use."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.number_words import hectares, metres, percent, percent_beside, score
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.deal import Answer
from underoak.places.answers.limits import NoLimit
from underoak.places.answers.needs import has_remedy
from underoak.places.answers.verdict import Purpose, Verdict
from underoak.places.parcels.ranking import VALID_AT_LEAST
from underoak.places.verdicts.sensitivity import FirstTwo
from underoak.plan.profiles.season import month_names
from underoak.report.text.class_words import held_words
from underoak.report.text.criterion_words import NOTHING_LIMITS
from underoak.report.text.decision.deal_words import answer_in
from underoak.report.text.decision.potential_words import counted_words
from underoak.report.text.findings import Findings, rows_of
from underoak.report.text.verdicts.beside_verdict import blind_spots, usable_words
from underoak.report.text.verdicts.next_step import DECIDE, next_step
from underoak.report.text.verdicts.verdict_words import (
    answer_and_part,
    chance,
    has_verdict,
    uncertainty_card,
    uncertainty_lines,
)

PURPOSES = {
    Purpose.BUY: "land to buy",
    Purpose.ORCHARD: "land to plant",
    Purpose.RESTORE: "wild ground to restore",
    Purpose.REGION: "land of a region",
}

CAUTIONS = (
    "This is screening from open maps, not advice. It does not replace a soil test, a visit to the site, water "
    "rights, access, title and licensed professionals. No yield and no income is promised.",
    "Soil maps show an average over their cells. A field may differ from it, and from itself within fifty metres.",
    "Lime burns eyes and skin, burnt and hydrated lime most: wear goggles, gloves and a mask, spread on still days, "
    "keep it off watercourses, and follow the product sheet. A lime figure from maps is a lower bound.",
    "Never eat a fungus unless an expert has named it in hand: smell and pictures are not enough.",
    "On wild ground, never set free a truffle, strain or host that is not native there. Ask the owner and, on "
    "protected ground, the authority, before digging, planting or inoculating. A map that shows no protection "
    "gives no permission.",
    "Each country has laws on foraging, planting and moving soil or trees. Check yours. Oak, hazel and chestnut carry "
    "pests and diseases: ask the plant-health office before you move any.",
)
LIME_CAUTION = CAUTIONS[2]


def cautions(purpose: str) -> tuple[str, ...]:
    """Return the cautions for a purpose; wild ground is not limed, so it has none about lime."""
    return tuple(each for each in CAUTIONS if each is not LIME_CAUTION or purpose != Purpose.RESTORE)


def judged_words(row: Mapping[str, Any]) -> str:
    """Return how much of a parcel is excluded, by what most, and how much of the rest was judged.

    >>> judged_words({"excluded_share": 0.0, "valid_share": 1.0})
    'nothing of it excluded, all of it judged'
    >>> judged_words({"excluded_share": 0.81, "valid_share": 0.6, "excluded_by": ("built_up",)})
    '81 % of it excluded (most by built_up), 60 % of the rest judged'
    """
    is_free, is_complete = row["excluded_share"] < 1e-6, row["valid_share"] > 1.0 - 1e-6
    excluded = "nothing of it excluded" if is_free else f"{percent(row['excluded_share'])} of it excluded"
    if isinstance(row.get("excluded_by"), tuple) and not is_free:
        excluded += f" (most by {', '.join(row['excluded_by'])})"
    judged = "all" if is_complete else percent_beside(row["valid_share"], (VALID_AT_LEAST,))
    return f"{excluded}, {judged} of {'it' if is_free else 'the rest'} judged"


def answers(findings: Findings) -> list[dict[str, str]]:
    """Return three cards: the best, the biggest doubt (or the main limiting factor), the next step."""
    lead = _lead(findings)
    second = uncertainty_card(findings, lead) if lead is not None and has_verdict(lead) else _main_limit(findings)
    cards = [_best(findings, lead), second]
    if findings.has_parcels:
        best = lead or findings.rows(1)[0]
        plan = findings.plan
        about, says = f"Next, for {best['id']}", next_step(findings.criteria, plan.purpose, best, plan.spec.deal)
        more = blind_spots(findings.plan.purpose) if best.get("verdict") is Verdict.YES else ""
    else:
        about, says = "Next", f"Have the best land tested before {DECIDE[Purpose(findings.plan.purpose)]}."
        more = ""
    return [*cards, {"about": about, "says": says, "more": more}]


def _lead(findings: Findings) -> dict[str, Any] | None:
    """Return the best parcel that neither ground nor deal rules out, else the best; None if none is ranked."""
    if not findings.has_parcels:
        return None
    rows = rows_of(findings.ranked[findings.ranked["rank"].notna()])
    return next((row for row in rows if answer_in(row) is not Answer.NO), rows[0] if rows else None)


def _best(findings: Findings, best: dict[str, Any] | None) -> dict[str, str]:
    if findings.has_parcels:
        if best is None:
            return {
                "about": "Best parcel",
                "says": "None could be judged",
                "more": "The table gives the reason for each.",
            }
        ranked = findings.ranked["rank"].dropna()
        count, ties = len(ranked), int((ranked == best["rank"]).sum()) - 1
        same = f", with {ties} more in the same rank" if ties else ""
        passed = " that nothing rules out" if best["rank"] != 1 or findings.rows(1)[0]["id"] != best["id"] else ""
        has_remedies = has_remedy(best["remedies"])
        cuts, limits = findings.plan.classes.cuts, findings.plan.spec.verdict
        counted = counted_words(best, findings.plan.spec) if has_remedies else ""
        better = f"; with remedies {counted}" if counted else ""
        answer, p, holds = "", "", held_words(findings.criteria, best)
        holds = f"; class {holds}" if holds else ""
        if has_verdict(best):
            answer = f"{answer_and_part(best, findings.plan.purpose, limits)}. "
            p = f"; P(S2 or better) {chance(best, limits)}"
        return {
            "about": f"Best of {count} parcels{passed}" if count > 1 else "The parcel",
            "says": f"{best['id']}: {answer}{best['class']}, suitability {score(best['suitability'], cuts)}{same}{p}",
            "more": f"{hectares(best['area_ha'])}, {judged_words(best)}{better}{holds}. {usable_words(best)}".rstrip(),
        }
    good = sum(n for code, n in findings.counts.classes.items() if code in (1, 2))
    judged = sum(n for code, n in findings.counts.classes.items() if code <= 4)
    says = f"{hectares(good * findings.cell_ha)} of class S2 or better"
    more = f"{percent(good / judged) if judged else '–'} of the land that could be judged"
    return {"about": "Suitable land", "says": says, "more": more}


def _main_limit(findings: Findings) -> dict[str, str]:
    counts = findings.counts.limiting
    judged = sum(counts.values())
    if not judged:
        return {"about": "The limiting factor", "says": "Nothing could be judged", "more": ""}
    name, cells = max(counts.items(), key=lambda item: item[1])
    about = "The limiting factor on most of the region"
    if name == NoLimit.NOTHING:
        more = f"{percent(cells / judged)} of judged land"
        return {"about": about, "says": f"{NOTHING_LIMITS[:1].upper()}{NOTHING_LIMITS[1:]} most of it", "more": more}
    criterion = next(c for c in findings.criteria if c.name == name)
    more = f"the limiting factor on {percent(cells / judged)} of judged land; {criterion.remedy}"
    return {"about": about, "says": criterion.label, "more": more}


def _order(findings: Findings) -> list[str]:
    """Return how other weights would change the order of the first two parcels."""
    words = swap_words(findings.first_two, findings.criteria)
    return [words] if words else []


def swap_words(two: FirstTwo | None, criteria: Sequence[CriterionWords]) -> str:
    """Return the weight change that would reverse the first two parcels; "" when there is nothing to say."""
    if two is None:
        return ""
    if two.swap is None:
        return f"No change of a single weight would bring {two.second} before {two.first}."
    criterion = criteria[two.swap.criterion]
    if abs(two.swap.change) < 5e-4:
        return f"{two.first} and {two.second} are about equal: any other weights may reverse their order."
    return (
        f"{two.first} and {two.second} change places if {criterion.label} has weight {two.swap.weight:.3f} instead of "
        f"{criterion.weight:.3f} and the others keep their proportions; no smaller change of a single weight does it."
    )


def band_lines(findings: Findings) -> list[str]:
    """Return how the lab results compare with the stated uncertainty of the maps."""
    lines = []
    for layer, coverage in findings.calibration.items():
        if coverage.inflation is None:
            continue
        line = (
            f"{layer}: of {coverage.tests} tested parcels {percent(coverage.share)} lie within the map's 90 % band; "
            f"with so many tests the true share is {percent(coverage.low)} to {percent(coverage.high)}"
        )
        if coverage.finding == "fits":
            line += ", which agrees with 90 %"
        elif math.isfinite(coverage.inflation):
            line += f". To hold 90 %, its standard deviation would have to be {coverage.inflation:.1f} times as large"
        lines.append(f"{line}.")
    return lines


def limits_of_use(findings: Findings) -> list[str]:
    """Return the limits of use of the figures, in sentences."""
    lines = [*uncertainty_lines(findings)]
    lines += [*_order(findings), *band_lines(findings)]
    used = {c.layer for c in findings.plan.criteria}
    coarse = sorted(((grain, name) for name, grain in findings.grains.items() if name in used), reverse=True)
    for grain, name in coarse[:4]:
        if grain < 1.5 * math.sqrt(findings.cell_ha * 1e4):
            continue
        cell = grain * grain / 1e4
        line = f"{name} resolves {metres(grain)}: one of its cells covers {hectares(cell)}"
        if findings.has_parcels:
            areas = findings.ranked["area_ha"].dropna()
            small = int((areas < cell).sum())
            if small:
                line += f", more than {_of_parcels(small, len(areas))}"
        lines.append(line + ". Inside a cell all fields get one value.")
    missing = findings.counts.classes.get(255, 0)
    if missing:
        share = percent(missing / findings.counts.inside)
        lines.append(f"{share} of the region could not be judged, because some layer has no value there.")
    return lines


def _of_parcels(some: int, every: int) -> str:
    if some == every:
        return "any of the parcels has" if every > 1 else "the parcel has"
    return f"{some} of the {every} parcels {'have' if some > 1 else 'has'}"


def _indicator(spec: Any) -> str:
    settings = ", ".join(f"{name} {value}" for name, value in spec.settings.items())
    return f"{spec.derive} ({settings})" if settings else str(spec.derive)


def decision(plan: Any, layer: str, facts: Any, months: Sequence[int] = ()) -> str:
    """Return the decoding rules of a layer and how it is resampled; `months` are those that were used."""
    spec = plan.layers[layer]
    origins = plan.origins(layer)
    parts = [f"{_indicator(spec)} of {' and '.join(origins)}"] if spec.from_ else []
    if spec.file or len(origins) > 1:
        parts.append(facts.decoding)
    if spec.file and spec.derive:
        parts.append(_indicator(spec))
    if spec.reduce:
        named = month_names(months or spec.months or range(1, 13))
        parts.append(f"{spec.reduce} of {spec.season} ({named})" if spec.season else f"{spec.reduce} of {named}")
    return "; ".join([*parts, f"onto the grid by {spec.resampling}"])
