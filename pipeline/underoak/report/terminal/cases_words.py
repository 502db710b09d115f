"""One parcel of a run of several species or scenarios, in words."""

from __future__ import annotations

import math
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from underoak.base.number_words import NO_VALUE, hectares, score
from underoak.engine.storage.manifest import CaseManifest
from underoak.places.answers.verdict import Verdict
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.terminal.explanation import parcel_place
from underoak.report.text.answer_words import CAUTIONS
from underoak.report.text.decision.cohort_words import what_p_is_not
from underoak.report.text.decision.deal_words import answer_in, answer_words, ground_and_deal
from underoak.report.text.lines import columns, wrapped
from underoak.report.text.pair_words import latin
from underoak.report.text.verdicts.beside_verdict import blind_spots, looked_at_words
from underoak.report.text.verdicts.verdict_words import chance, has_verdict


def case_column(species: str, scenario: str) -> str:
    """Return the name of a case in the names of columns.

    >>> case_column("tuber_aestivum", "dry"), case_column("", "")
    ('tuber_aestivum_dry', 'present')
    """
    return "_".join(part for part in (species, scenario) if part) or "present"


def explain_joint(folder: Path, cases: Sequence[CaseManifest], parcels: Any, parcel: str, plan: PlanSpec) -> str:
    """Return a parcel in every case of a run: the best of the present, each case beside it, and the next commands.

    `folder` is the run's, for these commands; `cases` and `plan` are its manifest's, `parcels` the table on top.

    Raises:
        UnderoakError: E604 when the run has no parcel of that id, or no parcels at all.
    """
    row = parcels.iloc[parcel_place(parcels, parcel)]
    named = {case_column(case.species, case.scenario): case for case in cases}
    best = row["best"] if isinstance(row["best"], str) else None
    ranked = int(parcels["rank"].notna().sum())
    lines = _answer(parcel, row, best, named, ranked, plan)
    has_verdicts = any(f"verdict_{name}" in row for name in named)
    head = ("judged", "rank", "class", "suitability", *(("ground",) if has_verdicts else ()))
    lines += [
        "",
        *columns(head, [_line(row, name, case, plan, has_verdicts) for name, case in named.items()]),
    ]
    lines += ["", "Why, for each:" if best is None else "Why:"]
    order = list(named) if best is None else [best, *(name for name in named if name != best)]
    lines += [f"  underoak explain {_quoted(folder / named[name].folder)} --parcel {_quoted(parcel)}" for name in order]
    return "\n".join([*lines, "", *wrapped(CAUTIONS[0])])


def _answer(
    parcel: str, row: Any, best: str | None, named: Mapping[str, CaseManifest], ranked: int, plan: PlanSpec
) -> list[str]:
    if best is None:
        return [f"Parcel {parcel}: not judged for any species of the present.", f"{hectares(row['area_ha'])}."]
    lines = []
    answer = answer_in(row)
    if has_verdict(row) and answer is not None:
        lines.append(
            f"Parcel {parcel}: {answer_words(answer, plan.purpose).upper()}. P(S2 or better) "
            f"{chance(row, plan.verdict)}."
        )
        lines += wrapped(what_p_is_not(plan, float(row["p_s2"])))
        lines += wrapped(ground_and_deal(row, plan.verdict, plan.deal))
        lines += wrapped(looked_at_words(named[best].looked_at, plan.verdict.judged_at))
        lines += wrapped(blind_spots(plan.purpose)) if row["verdict"] is Verdict.YES else []
    now = sum(not case.scenario for case in named.values())
    suitable_for = (
        f" for {_label(named[best])}" + (f", the best of {now} species" if now > 1 else "") if best != "present" else ""
    )
    head = "Now" if lines else f"Parcel {parcel}:"
    suitability = score(row[f"suitability_{best}"], plan.classes.cuts)
    lines += wrapped(
        f"{head} {row[f'class_{best}']}, suitability {suitability}{suitable_for}; rank {int(row['rank'])} of {ranked}."
    )
    return [*lines, f"{hectares(row['area_ha'])}."]


def _line(row: Any, name: str, case: CaseManifest, plan: PlanSpec, has_verdicts: bool) -> tuple[str, ...]:
    """Return the cells of a case, with its verdict if the run has any."""
    rank, class_name, verdict = row[f"rank_{name}"], row[f"class_{name}"], row.get(f"verdict_{name}")
    is_judged = isinstance(class_name, str)
    cells = (
        _label(case),
        f"{int(rank)}" if is_judged and not math.isnan(rank) else "–",
        class_name if is_judged else "–",
        score(float(row[f"suitability_{name}"]), plan.classes.cuts),
    )
    if not has_verdicts:
        return cells
    return (*cells, verdict.value if isinstance(verdict, Verdict) else NO_VALUE)


def _label(case: CaseManifest) -> str:
    species = latin(case.species)
    return ", ".join(part for part in (species, case.scenario or "now") if part)


def _quoted(text: object) -> str:
    return shlex.quote(str(text))
