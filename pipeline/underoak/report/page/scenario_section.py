"""The section on the futures of one species, on the page that lists the cases of a run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from underoak.base.errors import count_of
from underoak.base.number_words import hectares, percent, score
from underoak.plan.plan import Plan
from underoak.report.text.criterion_words import labels
from underoak.report.text.findings import Findings

if TYPE_CHECKING:
    from underoak.engine.prepare.novelty import Novelty
    from underoak.engine.scenario_rasters import ScenarioCounts

_MOST = 200


def scenario_section(
    plan: Plan, findings: Findings, shared: ScenarioCounts, at_least: float, table: Any
) -> dict[str, Any]:
    """Return one species' section of the page; `table` is from `places.scenarios_of_parcels`."""
    counts = shared.cells
    class_name, number = plan.scenario_summary.at_least, len(plan.spec.scenarios)
    what = f"Suitability {at_least:g} or more, the cut of {class_name}, in"
    lines = [
        (f"{what} every one of {count_of(number, 'future')}", counts["all"]),
        (f"{what} four fifths of them or more", counts["four_fifths"]),
        (f"{what} half of them or more", counts["half"]),
        (f"{what} none", counts["none"]),
    ]
    n_known = counts["known"]
    return {
        "species": findings.case.label if len(plan.scenarios_of) > 1 else "",
        "weighed": " ".join(filter(None, (_weighed(plan), _capped(findings.plan, class_name)))),
        "novel": novel_words(shared.novelty, [scenario.name for scenario in plan.spec.scenarios]),
        "areas": [
            {
                "label": label,
                "area": hectares(cells * findings.cell_ha),
                "share": percent(cells / n_known) if n_known else "–",
            }
            for label, cells in lines
        ],
        "parcels": [] if table is None else [_row(findings, row) for _, row in table.head(_MOST).iterrows()],
        "left_out": "" if table is None or len(table) <= _MOST else f"All {len(table)} are in futures.csv.",
    }


def novel_words(novelty: Novelty, scenarios: Sequence[str]) -> str:
    """Return how much of the region lies outside its present range, in which layers and futures."""
    share = float(novelty.share(novelty.cells))
    if not any(novelty.scenarios):
        return "No future replaces a numeric layer of a criterion, so none can leave the present range."
    if not share > 0.0:
        return "No future leaves the range that the region has at present in any layer that it replaces."
    each = {name: float(part) for name, part in novelty.by_driver(novelty.cells).items() if part > 0.0}
    by_scenario = novelty.by_scenario(novelty.cells).tolist()
    most = max(range(len(by_scenario)), key=lambda i: (by_scenario[i], -i))
    names = [f"{name} ({percent(each[name])})" for name in sorted(each, key=lambda name: -each[name])]
    return (
        f"On average over {count_of(len(scenarios), 'future')}, {percent(share)} of the land lies outside the "
        f"range that the region has at present, in {_listed(names)}; most of all in "
        f"{scenarios[most]} ({percent(by_scenario[most])}). Here the curves extrapolate "
        "beyond the region's present values: trust these figures less. Fifth band of the map; columns novel_share and "
        "novel_drivers of futures.csv."
    )


def _weighed(plan: Plan) -> str:
    families = [scenario.family for scenario in plan.spec.scenarios if scenario.family]
    twice = sorted({name for name in families if families.count(name) > 1})
    if plan.scenario_summary.weigh == "family":
        return "Each model family has the same weight, shared by its futures."
    if twice:
        return (
            f"Each future has the same weight, though several come from one model ({_listed(twice)}), which "
            "therefore counts for more. Write `futures: {weigh: family}` to give each family the same weight."
        )
    return "Each future has the same weight."


def _capped(plan: Plan, class_name: str) -> str:
    """Return a note if the class may be held down: shares of futures use suitability, not class."""
    if plan.rules.cap == "none" and not plan.rules.essential:
        return ""
    return f"Land counts here by its suitability, even if its limiting factor keeps its class below {class_name}."


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (", ..." if len(names) > 6 else "")


def _row(findings: Findings, row: Any) -> dict[str, str]:
    import pandas as pd

    driver = labels(findings.criteria, row["worst_driver"])
    has_driver = isinstance(row["worst_driver"], tuple)
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
