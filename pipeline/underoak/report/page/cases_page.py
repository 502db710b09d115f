"""The parcels of all cases in one table, and the page that lists the cases of a run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from underoak.base.errors import count_of
from underoak.base.number_words import NO_VALUE, hectares, score
from underoak.decision.deal.ledger import with_deal
from underoak.places.answers.verdict import Purpose
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import JOINED_PARCELS
from underoak.places.parcels.ranking import AFTER_ALL
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.report.page.page import left_out, rendered
from underoak.report.terminal.cases_words import case_column
from underoak.report.text.answer_words import PURPOSES, cautions
from underoak.report.text.decision.deal_words import answer_in, answer_words, deal_in_short
from underoak.report.text.findings import Findings
from underoak.report.text.pair_words import latin, pair_words
from underoak.report.text.verdicts.verdict_words import chance

if TYPE_CHECKING:
    import pandas as pd

_TIE = 1e-6
_MOST = 200


def column(case: Case) -> str:
    """Return the name of a case in the names of columns."""
    return case_column(case.species, case.scenario)


def joined_parcels(findings: Sequence[Findings]) -> pd.DataFrame:
    """Return one row for every parcel, best first.

    Columns: `id` · `rank` (by the best species of the present: mean suitability times the share not excluded; values
    equal within 1e-6 have the same rank; what is too small follows) · `best` (that species) · `verdict`, `p_s2` (of
    that species, with draws) · `deal`, `deal_blocks`, `deal_unknown`, `answer` · `judged_weight` (of that species) ·
    those of `places.pair_columns` (over all species of the present) · `area_ha` · for each case `rank_`,
    `suitability_`, `class_` · for each species of the present, with draws, `verdict_`.
    """
    import pandas as pd

    tables = {each.case: each.ranked.set_index("id") for each in findings}
    first = next(iter(tables.values()))
    ids = sorted(first.index)
    joined = pd.DataFrame({"id": ids, "area_ha": first.loc[ids, "area_ha"].to_numpy()})
    present, chances, looked = [], {}, {}
    for case, table in tables.items():
        rows = table.loc[ids]
        for name in ("rank", "suitability", "class", *(("verdict",) if "verdict" in rows else ())):
            joined[f"{name}_{column(case)}"] = rows[name].array
        if not case.scenario:
            chances[column(case)], looked[column(case)] = rows.get("p_s2"), rows.get("judged_weight")
            value = rows["suitability"].to_numpy(float) * (1.0 - rows["excluded_share"].to_numpy(float))
            present.append((case, np.where(rows["too_small"].notna(), value - AFTER_ALL, value)))
    values = np.array([value for _, value in present])
    is_judged = ~np.isnan(values).all(axis=0)
    filled = np.where(np.isnan(values), -np.inf, values)
    best = filled.max(axis=0)
    names = np.array([column(case) for case, _ in present], object)
    joined.insert(1, "best", np.where(is_judged, names[filled.argmax(axis=0)], None))
    ascending = np.sort(best[is_judged])
    ranks = [
        1 + len(ascending) - int(np.searchsorted(ascending, value + _TIE, side="right")) if has_rank else None
        for value, has_rank in zip(best, is_judged, strict=True)
    ]
    joined.insert(1, "rank", pd.Series(ranks, dtype="Int64"))
    if any(f"verdict_{name}" in joined for name in names):
        verdicts = _of_best(joined, {name: joined.get(f"verdict_{name}") for name in names})
        joined.insert(3, "verdict", pd.Series(verdicts, dtype=object))
        chances_s2 = _of_best(joined, {name: chances[name] for name in names})
        joined.insert(4, "p_s2", pd.Series([np.nan if p is None else p for p in chances_s2], dtype=float))
    if any(column is not None for column in looked.values()):
        weights = _of_best(joined, {name: looked[name] for name in names})
        joined["judged_weight"] = pd.Series([np.nan if each is None else each for each in weights], dtype=float)
    i_area = list(joined.columns).index("area_ha")
    if findings[0].pairs is not None:
        pairs = findings[0].pairs.loc[ids]
        for name in reversed(pairs.columns):
            joined.insert(i_area, name, pairs[name].array)
    joined = with_deal(joined, findings[0].deal)
    order = np.lexsort((np.arange(len(ids)), np.where(is_judged, -best, np.inf)))
    return arrange(joined.iloc[order].reset_index(drop=True), JOINED_PARCELS)


def _of_best(joined: pd.DataFrame, by_name: dict[str, Any]) -> list[Any]:
    """Return the value of the best species of each parcel; None where it has none."""
    values = []
    for i, best in enumerate(joined["best"]):
        column_of_best = by_name.get(best)
        value = None if column_of_best is None else column_of_best.iloc[i]
        values.append(None if value is None or value != value else value)
    return values


def cases_html(plan: Plan, findings: Sequence[Findings], scenarios: Sequence[dict[str, Any]] = ()) -> str:
    """Return the page that lists the cases of a run, as HTML; `scenarios` are the sections by `scenario_section`."""
    cases, purpose = [each.case for each in findings], PURPOSES[Purpose(plan.purpose)]
    table = joined_parcels(findings) if findings[0].parcels is not None else None
    return rendered(
        "batch.html",
        title=plan.title,
        subtitle=f"{purpose.capitalize()} · {count_of(len(cases), 'case')} · {findings[0].started:%Y-%m-%d}",
        cases=[_row(each) for each in findings],
        columns=[case.label for case in cases],
        has_pairs=table is not None and "best_host" in table,
        has_verdicts=table is not None and "verdict" in table,
        has_deal=findings[0].deal is not None,
        parcels=[] if table is None else [_parcel(row, cases, plan) for _, row in table.head(_MOST).iterrows()],
        parcels_left_out="" if table is None else left_out(len(table), _MOST),
        scenarios=scenarios,
        warnings=[str(fault) for fault in findings[0].warnings],
        cautions=cautions(plan.purpose),
    )


def _row(findings: Findings) -> dict[str, Any]:
    case = findings.case
    best = "–"
    if findings.has_parcels and isinstance(findings.ranked["class"].iloc[0], str):
        first = findings.rows(1)[0]
        best = f"{first['id']}: {first['class']}, {score(first['suitability'], findings.plan.classes.cuts)}"
    areas = [hectares(findings.counts.classes.get(code, 0) * findings.cell_ha) for code in (1, 2, 3, 4)]
    return {"label": case.label, "areas": areas, "best": best, "link": f"{case.folder or '.'}/report.html"}


def _parcel(row: Any, cases: Sequence[Case], plan: Plan) -> dict[str, Any]:
    is_judged = isinstance(row["best"], str)
    return {
        "rank": str(row["rank"]) if is_judged else "–",
        "id": str(row["id"]),
        "best": latin(row["best"]) if is_judged else "not judged",
        "pair": _pair(row),
        "answer": NO_VALUE if (answer := answer_in(row)) is None else answer_words(answer, plan.purpose),
        "deal": deal_in_short(row),
        "chance": chance(row, plan.spec.verdict),
        "scores": [score(float(row[f"suitability_{column(case)}"]), plan.classes.cuts) for case in cases],
    }


def _pair(row: Any) -> str:
    """Return the best truffle and host of a parcel, in words."""
    hosts, species = row.get("best_host"), row.get("best_species")
    if not isinstance(hosts, tuple):
        return ""
    if not hosts or any(pair.species for pair in hosts) or not isinstance(species, tuple):
        return pair_words(hosts)
    return f"{', '.join(map(latin, species))} with {pair_words(hosts)}"
