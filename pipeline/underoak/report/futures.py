"""What the futures of a species have in common, as the page on top of a run tells it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from underoak.plan.resolved import Plan, View
from underoak.report.findings import Findings
from underoak.report.words import hectares, limits, percent, score

_MOST = 200


def futures_section(
    plan: Plan, present: View, found: Findings, counts: Mapping[str, int], at_least: float, table: Any
) -> dict[str, Any]:
    """One species' section; `counts` as `engine.futures` gives them, `table` as `places.futures_of_parcels` does."""
    asked, number = plan.futures.at_least, len(plan.spec.scenarios)
    what = f"{asked} or better (suitability {at_least:g} or more) in"
    lines = [
        (f"{what} every one of {number} futures", counts["all"]),
        (f"{what} four fifths of them or more", counts["four_fifths"]),
        (f"{what} half of them or more", counts["half"]),
        (f"{what} none", counts["none"]),
    ]
    known = counts["known"]
    return {
        "species": present.label if len(plan.futures_of) > 1 else "",
        "weighed": _weighed(plan),
        "ground": [
            {"says": says, "area": hectares(cells * found.cell_ha), "share": percent(cells / known) if known else "–"}
            for says, cells in lines
        ],
        "parcels": [] if table is None else [_row(found, row) for _, row in table.head(_MOST).iterrows()],
        "left_out": "" if table is None or len(table) <= _MOST else f"All {len(table)} are in futures.csv.",
    }


def _weighed(plan: Plan) -> str:
    families = [scenario.family for scenario in plan.spec.scenarios if scenario.family]
    twice = sorted({name for name in families if families.count(name) > 1})
    if plan.futures.weigh == "family":
        return "Each model family counts alike, and its futures share its weight."
    if twice:
        return (
            f"Each future counts alike, though several come from one model ({_listed(twice)}), which so counts for "
            "more. Write `futures: {weigh: family}` to let families count alike."
        )
    return "Each future counts alike."


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (", ..." if len(names) > 6 else "")


def _row(found: Findings, row: Any) -> dict[str, str]:
    import pandas as pd

    driver = limits(found.criteria, row["worst_driver"])
    has_driver = isinstance(row["worst_driver"], str)
    return {
        "rank": "–" if pd.isna(row["rank"]) else str(row["rank"]),
        "id": str(row["id"]),
        "now": score(row["suitability"]),
        "share": percent(row["share_of_futures"]),
        "least": score(row["least"]),
        "median": score(row["median"]),
        "greatest": score(row["greatest"]),
        "worst": str(row["worst_future"]) if isinstance(row["worst_future"], str) else "–",
        "regret": score(row["regret"]),
        "driver": f"{driver} ({row['worst_change']:+.2f})" if has_driver else "–",
    }
