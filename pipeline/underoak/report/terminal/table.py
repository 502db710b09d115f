"""The ranking as a table of text."""

from __future__ import annotations

import io
import textwrap
from typing import Any

from underoak.base.number_words import hectares, score
from underoak.places.answers.needs import LabUse
from underoak.places.parcels.ranking import outranked
from underoak.report.text.class_words import held_or_limiting
from underoak.report.text.decision.cohort_words import what_p_is_not
from underoak.report.text.decision.deal_words import (
    LEGEND,
    answer_in,
    answer_words,
    blocked_words,
    deal_in_short,
    stale_words,
)
from underoak.report.text.decision.potential_words import counted_words, uncounted_words
from underoak.report.text.error_words import short_error_lines
from underoak.report.text.findings import Findings, rows_of
from underoak.report.text.state_words import reason_words
from underoak.report.text.verdicts.beside_verdict import (
    blind_spots,
    has_yes,
    looked_at_words,
    part_words,
    rank_words,
    trees_words,
    usable_figure,
)
from underoak.report.text.verdicts.next_step import remedies_in_short
from underoak.report.text.verdicts.verdict_words import chance

_MOST = 40
_WIDE, _WIDEST = 100, 132  # columns of text; narrower tables leave columns out


def ranking(findings: Findings, most: int = _MOST, width: int = 118) -> str:
    """Return parcels best first, then zones, as text no wider than `width`."""
    parts = []
    if findings.parcels is not None:
        parts.append(_parcels(findings, most, width))
    if findings.zones is not None:
        parts.append(_zones(findings, width))
    if not parts:
        good = sum(n for code, n in findings.counts.classes.items() if code in (1, 2))
        parts.append(f"{hectares(good * findings.cell_ha)} of class S2 or better")
    return "\n\n".join(parts)


def _drawn(table: object, width: int) -> str:
    from rich.console import Console

    out = io.StringIO()
    Console(file=out, width=width, color_system=None, highlight=False).print(table)
    return "\n".join(line.rstrip() for line in out.getvalue().rstrip().splitlines())


def _parcels(findings: Findings, most: int, width: int) -> str:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    assert findings.parcels is not None
    shown = findings.parcels.head(most)
    is_wide, has_remedies = width >= _WIDE, bool(shown["remedies"].notna().any())
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("rank", justify="right")
    table.add_column("parcel", overflow="fold", max_width=28 if is_wide else 16)
    table.add_column("now")
    has_verdicts, purpose, is_deal_asked = "verdict" in shown, findings.plan.purpose, findings.deal is not None
    has_deal_column = is_deal_asked and width >= _WIDEST
    if has_verdicts:
        table.add_column("P(S2+)" if is_wide else "P", justify="right")
        if has_deal_column:
            table.add_column("deal", no_wrap=True)
        table.add_column("answer" if is_deal_asked else "verdict", no_wrap=True)
    has_potential = has_remedies and (is_wide or not has_verdicts)
    if has_potential:
        table.add_column("potential")
    has_area, has_room = is_wide and not has_verdicts, width >= _WIDEST or not has_verdicts
    figures = [*(["area"] if has_area else []), "ha"] if is_wide and has_room and "usable_ha" in shown else []
    figures += ["trees"] if figures and "trees" in shown else []
    for name in figures:
        table.add_column(name, justify="right")
    table.add_column("what limits it", overflow="fold")
    if has_remedies and is_wide:
        table.add_column("what it would take", overflow="fold")
    cuts, limits = findings.plan.classes.cuts, findings.plan.spec.verdict
    for row, is_below in zip(rows_of(shown), outranked(shown), strict=True):
        is_judged = isinstance(row["class"], str)
        cells: list[Any] = [str(row["rank"]) if is_judged else "–", Text(str(row["id"]))]
        cells.append(f"{row['class']} {score(row['suitability'], cuts)}" if is_judged else "–")
        if has_verdicts:
            answer = answer_in(row)
            cells += [chance(row, limits), *([deal_in_short(row)] if has_deal_column else [])]
            cells.append("" if answer is None else answer_words(answer, purpose))
        if has_potential:
            cells.append(counted_words(row, findings.plan.spec) if is_judged else "")
        texts = {"area": hectares(row["area_ha"]), "ha": usable_figure(row), "trees": trees_words(row)}
        cells += [texts[name] for name in figures]
        limit = held_or_limiting(findings.criteria, row) if is_judged else f"not judged: {reason_words(row['reason'])}"
        if is_judged:
            lowered = rank_words(row, limits, purpose, bool(is_below))
            limit = "; ".join(filter(None, (part_words(row, limits), lowered, blocked_words(row) or limit)))
        if isinstance(row.get("lab"), tuple) and any(each.use is LabUse.NO_PLACE for each in row["lab"]):
            limit = f"{limit}; lab result not used: its place is missing"
        cells.append(Text(limit))
        if has_remedies and is_wide:
            cells.append(Text(remedies_in_short(row)))
        table.add_row(*cells)
    text = _drawn(table, width)
    remaining = len(findings.parcels) - most
    lines = [text, f"… and {remaining} more in parcels.csv"] if remaining > 0 else [text]
    legend = "P(S2+): probability of S2 or better. " if has_verdicts and is_wide else ""
    legend += LEGEND if has_verdicts and is_deal_asked else ""
    legend += "ha: usable hectares. " if "ha" in figures else ""
    legend += "trees: those that fit there. " if "trees" in figures else ""
    if has_remedies and is_wide and shown["lime_t_ha"].gt(0.0).any():
        legend += "Lime: the upper end of its range, to plan with; no lime where the lower end is too much. "
    if has_potential:
        legend += uncounted_words(rows_of(shown), findings.plan.spec)
    lines += ["", *_wrapped(f"S1 highly, S2 moderately, S3 marginally, N not suitable. {legend}".rstrip(), width)]
    if has_verdicts:
        lines += _wrapped(what_p_is_not(findings.plan.spec), width)
        stale = stale_words(findings.deal, map(str, findings.parcels["id"]), findings.started.date())
        lines += _wrapped(stale, width)
        lines += _wrapped(looked_at_words(findings.plan.looked_at, limits.judged_at), width)
        lines += _wrapped(blind_spots(purpose) if has_yes(findings.parcels["verdict"]) else "", width)
    errors = [part for line in short_error_lines(findings.uncertainty) for part in _wrapped(line, width)]
    return "\n".join([*lines, *errors])


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_on_hyphens=False)


def _zones(findings: Findings, width: int) -> str:
    assert findings.zones is not None
    zones = findings.zones[findings.zones["rank"].notna()]
    refused = len(findings.zones) - len(zones)
    left_out = f" Refused: {refused} more, which the border of the native range cuts." if refused else ""
    if len(zones) == 0:
        return f"No zone is large enough.{left_out}"
    total, count = zones["area_ha"].sum(), len(zones)
    best = zones.iloc[0]
    best_words = f"the best has {hectares(best['area_ha'])} at {score(best['suitability'])}"
    return f"{count} zone{'s' if count > 1 else ''}, {hectares(total)} in all; {best_words}.{left_out}"
