"""Several species and futures beside each other: one table of parcels, one page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from underoak.base.number_words import hectares, score
from underoak.places.answers.verdict import Purpose, Verdict
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import JOINED_PARCELS
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.report.page.page import left_out, rendered
from underoak.report.text.answer_words import CAUTIONS, PURPOSES
from underoak.report.text.cases_words import case_column
from underoak.report.text.findings import Findings
from underoak.report.text.pair_words import latin, pair_words
from underoak.report.text.verdict_words import answer_words, chance

if TYPE_CHECKING:
    import pandas as pd

_TIE = 1e-6
_MOST = 200


def column(case: Case) -> str:
    """How a view is called in the names of columns."""
    return case_column(case.species, case.scenario)


def joined_parcels(findings: Sequence[Findings]) -> pd.DataFrame:
    """One row for every parcel, best first.

    Columns: `id` · `rank` (by the best species of the present: mean suitability times the share not excluded; equal
    within 1e-6 share one) · `best` (that species) · `verdict`, `p_s2` (its own, with draws) · those of
    `places.pair_columns` (species and host together) ·
    `area_ha` · and for each view `rank_`, `suitability_`, `class_`, for each species of the present `verdict_`.
    """
    import pandas as pd

    tables = {found.case: found.parcels.set_index("id") for found in findings}
    first = next(iter(tables.values()))
    ids = sorted(first.index)
    joined = pd.DataFrame({"id": ids, "area_ha": first.loc[ids, "area_ha"].to_numpy()})
    present, chances = [], {}
    for case, table in tables.items():
        own = table.loc[ids]
        for name in ("rank", "suitability", "class", *(("verdict",) if "verdict" in own else ())):
            joined[f"{name}_{column(case)}"] = own[name].array
        if not case.scenario:
            chances[column(case)] = own.get("p_s2")
            present.append((case, own["suitability"].to_numpy(float) * (1.0 - own["excluded_share"].to_numpy(float))))
    values = np.array([value for _, value in present])
    known = ~np.isnan(values).all(axis=0)
    filled = np.where(np.isnan(values), -1.0, values)
    best = filled.max(axis=0)
    names = np.array([column(case) for case, _ in present], object)
    joined.insert(1, "best", np.where(known, names[filled.argmax(axis=0)], None))
    ascending = np.sort(best[known])
    ranks = [
        1 + len(ascending) - int(np.searchsorted(ascending, value + _TIE, side="right")) if fine else None
        for value, fine in zip(best, known, strict=True)
    ]
    joined.insert(1, "rank", pd.Series(ranks, dtype="Int64"))
    if any(f"verdict_{name}" in joined for name in names):
        told = _of_best(joined, {name: joined.get(f"verdict_{name}") for name in names})
        joined.insert(3, "verdict", pd.Series(told, dtype=object))
        chance = _of_best(joined, {name: chances[name] for name in names})
        joined.insert(4, "p_s2", pd.Series([np.nan if p is None else p for p in chance], dtype=float))
    at = list(joined.columns).index("area_ha")
    if findings[0].pairs is not None:
        own_pairs = findings[0].pairs.loc[ids]
        for name in reversed(own_pairs.columns):
            joined.insert(at, name, own_pairs[name].array)
    order = np.lexsort((np.arange(len(ids)), np.where(known, -best, np.inf)))
    return arrange(joined.iloc[order].reset_index(drop=True), JOINED_PARCELS)


def _of_best(joined: pd.DataFrame, by_name: dict[str, Any]) -> list[Any]:
    """What the best species of each parcel says; None where it says nothing."""
    found = []
    for i, best in enumerate(joined["best"]):
        said = by_name.get(best)
        value = None if said is None else said.iloc[i]
        found.append(None if value is None or value != value else value)
    return found


def cases_html(plan: Plan, findings: Sequence[Findings], futures: Sequence[dict[str, Any]] = ()) -> str:
    """The page on top of a run with several species or futures; `futures` are made by `futures_section`."""
    cases, purpose = [found.case for found in findings], PURPOSES[Purpose(plan.purpose)]
    table = joined_parcels(findings) if findings[0].parcels is not None else None
    return rendered(
        "batch.html",
        title=plan.title,
        subtitle=f"{purpose.capitalize()} · {len(cases)} times judged · {findings[0].made:%Y-%m-%d}",
        cases=[_row(found) for found in findings],
        columns=[case.label for case in cases],
        has_pairs=table is not None and "best_host" in table,
        has_verdicts=table is not None and "verdict" in table,
        parcels=[] if table is None else [_parcel(row, cases, plan.purpose) for _, row in table.head(_MOST).iterrows()],
        parcels_left_out="" if table is None else left_out(len(table), _MOST),
        futures=futures,
        cautions=CAUTIONS,
    )


def _row(found: Findings) -> dict[str, Any]:
    case = found.case
    best = "–"
    if found.has_parcels and isinstance(found.parcels["class"].iloc[0], str):
        first = found.parcels.iloc[0]
        best = f"{first['id']}: {first['class']}, {score(first['suitability'])}"
    areas = [hectares(found.counts.classes.get(code, 0) * found.cell_ha) for code in (1, 2, 3, 4)]
    return {"label": case.label, "areas": areas, "best": best, "link": f"{case.folder or '.'}/report.html"}


def _parcel(row: Any, cases: Sequence[Case], purpose: str) -> dict[str, Any]:
    known = isinstance(row["best"], str)
    return {
        "rank": str(row["rank"]) if known else "–",
        "id": str(row["id"]),
        "best": latin(row["best"]) if known else "not judged",
        "pair": _pair(row),
        "verdict": answer_words(row["verdict"], purpose) if isinstance(row.get("verdict"), Verdict) else "–",
        "chance": chance(row),
        "scores": [score(float(row[f"suitability_{column(case)}"])) for case in cases],
    }


def _pair(row: Any) -> str:
    """The best truffle and host of a parcel."""
    hosts, species = row.get("best_host"), row.get("best_species")
    if not isinstance(hosts, tuple):
        return ""
    if not hosts or any(pair.species for pair in hosts) or not isinstance(species, tuple):
        return pair_words(hosts)
    return f"{', '.join(map(latin, species))} with {pair_words(hosts)}"
