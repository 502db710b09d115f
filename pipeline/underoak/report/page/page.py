"""The report: one self-contained page without network access or scripts."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from underoak.base.codes import CLASS_LABELS, CLASS_NAMES, EXCLUDED, MISSING, S1, S2, S3, STATE_LABELS, N
from underoak.base.number_words import hectares, metres, percent, percent_beside, score, thousands
from underoak.base.palette import CLASS_RGB, INK, LINE, MARK, PAPER, SOFT, WASH, hex_colour
from underoak.engine.storage.manifest import CriterionWords
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.answers.verdict import Purpose
from underoak.places.parcels.ranking import VALID_AT_LEAST, outranked
from underoak.places.wild.native_rules import CONSTRAINT
from underoak.places.wild.zone_draws import COLUMN
from underoak.plan.profiles.profile import grade_words
from underoak.report.page.years_section import in_single_years, years_section
from underoak.report.text.answer_words import PURPOSES, answers, cautions, decision, limits_of_use
from underoak.report.text.cell_sentences import lab_sentence, remedy_sentence
from underoak.report.text.class_words import held_and_limiting, zone_held_words
from underoak.report.text.criterion_words import labels, limiting
from underoak.report.text.decision.check_words import check_lines
from underoak.report.text.decision.cohort_words import what_p_is_not
from underoak.report.text.decision.deal_words import DEFERS, deal_words, has_deal, stale_words
from underoak.report.text.decision.money_words import BREAK_EVEN, PUBLISHED, BreakEvenWords, break_even_words
from underoak.report.text.decision.neighbour_words import NEIGHBOURS, NO_SCORE, kind_words, neighbour_words
from underoak.report.text.decision.potential_words import counted_words, uncounted_words
from underoak.report.text.decision.rule_words import rule_totals
from underoak.report.text.error_words import error_of
from underoak.report.text.findings import Findings, rows_of
from underoak.report.text.lab_words import lab_lines
from underoak.report.text.state_words import ZONE_STATES, reason_words
from underoak.report.text.verdicts.beside_verdict import blind_spots, has_yes, looked_at_words, rank_words, trees_words
from underoak.report.text.verdicts.next_step import grouped, next_step
from underoak.report.text.verdicts.verdict_words import answer_and_part, chance, has_verdict

if TYPE_CHECKING:
    from jinja2 import Environment

_RULES = {
    "linear": "Suitability is the weighted mean of the memberships: a high one can compensate for a low one.",
    "geometric": "Suitability is the weighted geometric mean of the memberships: high ones compensate "
    "for low ones in part; if one is 0, suitability is 0.",
    "minimum": "Suitability is the lowest membership: no other criterion can compensate for it.",
    "ordered": "Suitability is an ordered weighted mean: weights apply to memberships ordered from best to worst.",
}
_COLOURS = {"ink": INK, "soft": SOFT, "line": LINE, "paper": PAPER, "wash": WASH, "mark": MARK}
_CLASSES = {CLASS_NAMES[code]: hex_colour(rgb) for code, rgb in CLASS_RGB.items()}
MOST_PARCELS, _MOST_ZONES = 500, 20  # rows shown in a table; the files beside the page have all


class MapPictures(NamedTuple):
    """The pictures of the page, as PNG bytes."""

    suitability: bytes
    classes: bytes


def report_html(findings: Findings, maps: MapPictures, planting: Sequence[Mapping[str, str]] = ()) -> str:
    """Return the page as HTML; the template engine escapes every value.

    `planting` are the rows by `pair_columns.planting_rows`.
    """
    plan = findings.plan
    return rendered(
        "report.html",
        title=f"{plan.title}: {findings.case.heading}" if findings.case.heading else plan.title,
        subtitle=f"{subtitle(findings)} · {findings.started:%Y-%m-%d}",
        answers=answers(findings),
        map_png=base64.b64encode(maps.suitability).decode("ascii"),
        map_words=f"Map of suitability for {plan.title}; the tables below have the same results.",
        class_png=base64.b64encode(maps.classes).decode("ascii"),
        class_words=f"Map of classes for {plan.title}; the table below has their areas.",
        areas=_class_areas(findings),
        parcels=_parcels(findings),
        beside_verdicts=_beside_verdicts(findings),
        parcels_left_out=left_out(len(findings.ranked), MOST_PARCELS) if findings.has_parcels else "",
        steps=_steps(findings),
        lab_lines=lab_lines(findings),
        has_chance=findings.has_parcels and "p_s2" in findings.ranked,
        has_verdicts=findings.has_parcels and "verdict" in findings.ranked,
        has_deal=findings.has_parcels and "deal" in findings.ranked and findings.deal is not None,
        has_trees=findings.has_parcels and "trees" in findings.ranked,
        has_remedies=findings.has_parcels and bool(findings.ranked["remedies"].notna().any()),
        water_words=_water_words(findings),
        planting=planting,
        has_rows=any(row["trees"] != "–" for row in planting),
        neighbours=_neighbours(findings),
        neighbours_head=NEIGHBOURS,
        kinds_of_neighbours=" ".join([*kind_words(plan.spec), NO_SCORE]),
        years=years_section(findings),
        money=_money(findings),
        money_head=BREAK_EVEN,
        published_head=PUBLISHED,
        zones=_zones(findings),
        zones_at_least=plan.zones.at_least if plan.zones else "",
        zones_left_out=_zones_left_out(findings),
        rule_words=_rule_words(plan),
        criteria=findings.criteria,
        weight_words=_weight_words(plan),
        grade_words=_grade_words(findings.criteria),
        constraints=_constraints(findings),
        not_judged=[str(item) for item in plan.not_judged],
        trust=limits_of_use(findings),
        layers=_layers(findings),
        has_errors=findings.uncertainty is not None,
        warnings=[str(fault) for fault in findings.warnings],
        checks=check_lines(plan.spec.checks, plan.spec, findings.started.date()) if plan.spec.checks else [],
        rules=_rules(findings),
        cautions=cautions(plan.purpose),
        provenance=_provenance(findings),
    )


def rendered(template: str, **values: Any) -> str:
    """Return a page from a template; every value is escaped, and a missing one raises an error."""
    from markupsafe import Markup

    environment = _environment()
    style = Markup(environment.get_template("style.css").render(colours=_COLOURS, classes=_CLASSES))
    return environment.get_template(template).render(style=style, **values)


@cache  # it holds the compiled templates, which take longer to make than a page
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("underoak.report.page", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def subtitle(findings: Findings) -> str:
    """Return purpose, species and cell size in one line."""
    plan = findings.plan
    who = f"{plan.profile.latin}, {plan.profile.common[0]}" if plan.profile else "criteria of the plan"
    return f"{PURPOSES[Purpose(plan.purpose)].capitalize()} · {who} · {findings.grid.cell_m:g} m cells"


def _class_areas(findings: Findings) -> dict[str, Any]:
    cells, inside = findings.counts.classes, findings.counts.inside
    named = [(code, CLASS_LABELS[code].split(" ", 1)) for code in (S1, S2, S3, N)]
    counted = [(short, words, cells.get(code, 0)) for code, (short, words) in named]
    counted += [("", STATE_LABELS[code], cells.get(code, 0)) for code in (EXCLUDED, MISSING)]
    rows = [
        {"code": short, "meaning": words, "area": hectares(count * findings.cell_ha),
         "share": percent(count / inside) if inside else "–"}
        for short, words, count in counted
    ]  # fmt: skip
    return {"total": hectares(inside * findings.cell_ha), "rows": rows}


def _parcels(findings: Findings) -> list[dict[str, Any]]:
    if not findings.has_parcels:
        return []
    rows, criteria, plan = [], findings.criteria, findings.plan
    cuts, limits, shown = plan.classes.cuts, plan.spec.verdict, findings.ranked.head(MOST_PARCELS)
    for row, is_below in zip(rows_of(shown), outranked(shown), strict=True):
        is_judged = isinstance(row["class"], str)
        rows.append(
            {
                "rank": str(row["rank"]) if is_judged else "–",
                "id": str(row["id"]),
                "code": row["class"] if is_judged else "",
                "suitability": score(row["suitability"], cuts),
                "chance": chance(row, limits),
                "answer": answer_and_part(row, plan.purpose, limits),
                "ground": row["verdict"].value if has_verdict(row) else "",
                "deal": deal_words(row, plan.spec.deal) if has_deal(row) else "",
                "area": hectares(row["area_ha"]),
                "usable": hectares(row.get("usable_ha", math.nan)),
                "trees": trees_words(row),
                "rank_words": rank_words(row, limits, plan.purpose, bool(is_below)) if is_judged else "",
                "valid": percent_beside(row["valid_share"], (VALID_AT_LEAST,)),
                "excluded": percent(row["excluded_share"]),
                "limiting": _with_share(criteria, row) if is_judged else f"not judged: {reason_words(row['reason'])}",
                "most_to_gain": _most_to_gain(criteria, row) if is_judged else "",
                "lab": "; ".join(map(lab_sentence, row["lab"])) if isinstance(row.get("lab"), tuple) else "",
                "potential": counted_words(row, plan.spec) if is_judged else "",
                "remedies": [*map(remedy_sentence, row["remedies"] or ()), *in_single_years(findings, row)],
            }
        )
    return rows


def _beside_verdicts(findings: Findings) -> list[str]:
    """Return what stands below a table with verdicts: what was looked at, and beside a yes what no map can see."""
    if not findings.has_parcels or "verdict" not in findings.ranked:
        return []
    plan, ids = findings.plan, map(str, findings.ranked["id"])
    lines = [what_p_is_not(plan.spec), stale_words(findings.deal, ids, findings.started.date())]
    lines += [DEFERS] if findings.deal is not None else []
    lines.append(looked_at_words(plan.looked_at, plan.spec.verdict.judged_at))
    if has_yes(findings.ranked["verdict"]):
        lines.append(blind_spots(plan.purpose))
    return [line for line in lines if line]


def _rules(findings: Findings) -> list[str]:
    """Return for each rule of the user's own how many parcels meet it."""
    if not findings.has_parcels or "rules" not in findings.ranked:
        return []
    plan = findings.plan.spec
    return rule_totals(findings.ranked["rules"].tolist(), findings.rules, plan, findings.started.date())


def _water_words(findings: Findings) -> str:
    """Return that water counts only where its source is named, and how many parcels it would lift."""
    if not findings.has_parcels:
        return ""
    return uncounted_words(findings.rows(MOST_PARCELS), findings.plan.spec)


def left_out(count: int, most: int) -> str:
    """Return the line below a table of parcels that does not show all of them; "" if it does.

    >>> left_out(50_000, 500), left_out(500, 500)
    ('The best 500 of 50 000 parcels are shown here; all are in parcels.csv.', '')
    """
    shown = f"The best {thousands(most)} of {thousands(count)} parcels are shown here; all are in parcels.csv."
    return shown if count > most else ""


def _with_share(criteria: Sequence[CriterionWords], row: Any) -> str:
    share = row["limiting_share"]
    where = "" if share > 0.9 else f" (limiting on {percent(share)} of it)"
    return f"{held_and_limiting(criteria, row)}{where}"


def _most_to_gain(criteria: Sequence[CriterionWords], row: Any) -> str:
    """Return the criterion with most to gain, if it is not the limiting one."""
    if row["most_gainful"] == row["limiting"]:
        return ""
    return f"most to gain from: {limiting(criteria, row, 'most_gainful', has_unit_once=True)}"


def _steps(findings: Findings) -> list[tuple[str, str]]:
    if not findings.has_parcels:
        return []
    rows, criteria, plan = findings.rows(MOST_PARCELS), findings.criteria, findings.plan
    return grouped((str(row["id"]), next_step(criteria, plan.purpose, row, plan.spec.deal)) for row in rows)


def _money(findings: Findings) -> BreakEvenWords | None:
    """Return the break-even of the plan's costs; None without them, and in a scenario, which has the same."""
    spec = findings.plan.spec
    if spec.orchard_costs is None or not findings.case.is_present:
        return None
    return break_even_words(spec.orchard_costs, spec.prices.currency or "")


def _neighbours(findings: Findings) -> list[tuple[str, str]]:
    """Return what lies near the parcels, in sentences, each with the parcels it holds for."""
    if not findings.has_parcels:
        return []
    rows, spec = findings.rows(MOST_PARCELS), findings.plan.spec
    near = [(str(row["id"]), " ".join(sentences)) for row in rows if (sentences := neighbour_words(spec, row))]
    return grouped(near)


def _zones(findings: Findings) -> list[dict[str, Any]]:
    if findings.zones is None:
        return []
    return [
        {
            "rank": str(row["rank"]) if row["suitability"] >= 0 else "–",
            "id": str(row["id"]),
            "area": hectares(row["area_ha"]),
            "suitability": score(row["suitability"]),
            "drawn": percent(row[COLUMN]) if row.get(COLUMN, -1.0) >= 0 else "",
            "limiting": "; ".join(filter(None, (labels(findings.criteria, row["limiting"]), zone_held_words(row)))),
            "native": ZONE_STATES[row["native_range"]] if "native_range" in row else "",
        }
        for _, row in findings.zones.head(_MOST_ZONES).iterrows()
    ]


def _zones_left_out(findings: Findings) -> str:
    if findings.zones is None or len(findings.zones) <= _MOST_ZONES:
        return ""
    return f"All {len(findings.zones)} are in zones.gpkg."


def _rule_words(plan: Any) -> str:
    text = _RULES[plan.rules.rule]
    s1, s2, s3 = plan.rules.cuts
    text += f" Classes are cut at {s1:g}, {s2:g} and {s3:g}; the FAO framework fixes no cuts, these are the plan's."
    if plan.rules.cap == "weakest":
        text += " No cell gets a class more than one above that of its limiting factor."
    essential = [criterion.label for criterion in plan.criteria if criterion.is_essential]
    if essential:
        text += f" No cell gets a class above that of an essential criterion alone: {', '.join(essential)}."
    if plan.rules.missing == "renormalise":
        text += " Where a criterion has no value, only the others were used; missing_weight.tif shows where."
    return text


def _weight_words(plan: Any) -> str:
    return f"Weights: {plan.weighting_words}" if getattr(plan, "weighting_words", "") else ""


def _grade_words(criteria: Sequence[CriterionWords]) -> str:
    """Return what the grades mean; empty where no criterion has its numbers from a profile."""
    if not any(row.grade for row in criteria):
        return ""
    return f"Grades of the species profile: {grade_words()}. The corners of all curves are placed by us."


def _constraints(findings: Findings) -> list[str]:
    lines = []
    for spec in findings.plan.constraints:
        cells = findings.counts.excluded.get(spec.name, 0)
        how = f"{spec.exclude} {spec.file}" if hasattr(spec, "file") else f"{spec.layer} {spec.exclude}"
        lines.append(f"{spec.name} ({how}): {hectares(cells * findings.cell_ha)}")
    n_refused = findings.counts.excluded.get(CONSTRAINT, 0)
    if n_refused:
        reason = reason_words(NotJudged(Cause.NOT_NATIVE))
        lines.append(f"{reason}, so not judged: {hectares(n_refused * findings.cell_ha)}")
    return lines


def _layers(findings: Findings) -> list[dict[str, str]]:
    rows = []
    plan, inside = findings.plan, findings.counts.inside
    for name, facts in findings.facts.items():
        grain = findings.grains[name]
        rows.append(
            {
                "name": name,
                "path": plan.files_of(name),
                "grain": metres(grain),
                "decision": decision(plan, name, facts, findings.months.get(name, ())),
                "missing": percent(findings.counts.missing[name] / inside)
                if inside and name in findings.counts.missing
                else "–",
                "source": plan.sources_of(name) or "not stated in the plan",
                "error": "" if findings.uncertainty is None else error_of(findings.uncertainty, name),
            }
        )
    return rows


def _provenance(findings: Findings) -> list[str]:
    versions = ", ".join(f"{name} {number}" for name, number in findings.versions.items() if name in _NAMED)
    grid = findings.grid
    return [
        f"Analysis grid: {grid.rows} × {grid.cols} cells of {grid.cell_m:g} m in {grid.crs}. Made with {versions}.",
        "run.json beside this file lists every input and output with its checksum, and every setting.",
    ]


_NAMED = ("underoak", "python", "numpy", "rasterio", "gdal", "proj")
