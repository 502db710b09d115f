"""What the futures of a species have in common, as the page on top of a run tells it."""

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


def futures_section(plan: Plan, found: Findings, shared: ScenarioCounts, at_least: float, table: Any) -> dict[str, Any]:
    """Return one species' section of the page; `table` is from `places.futures_of_parcels`."""
    counts = shared.cells
    asked, number = plan.futures.at_least, len(plan.spec.scenarios)
    what = f"Suitability {at_least:g} or more, the cut of {asked}, in"
    lines = [
        (f"{what} every one of {count_of(number, 'future')}", counts["all"]),
        (f"{what} four fifths of them or more", counts["four_fifths"]),
        (f"{what} half of them or more", counts["half"]),
        (f"{what} none", counts["none"]),
    ]
    known = counts["known"]
    return {
        "species": found.case.label if len(plan.futures_of) > 1 else "",
        "weighed": " ".join(filter(None, (_weighed(plan), _capped(found.plan, asked)))),
        "novel": novel_words(shared.novelty, [scenario.name for scenario in plan.spec.scenarios]),
        "ground": [
            {"says": says, "area": hectares(cells * found.cell_ha), "share": percent(cells / known) if known else "–"}
            for says, cells in lines
        ],
        "parcels": [] if table is None else [_row(found, row) for _, row in table.head(_MOST).iterrows()],
        "left_out": "" if table is None or len(table) <= _MOST else f"All {len(table)} are in futures.csv.",
    }


def novel_words(novelty: Novelty, scenarios: Sequence[str]) -> str:
    """How much of the region's ground leaves what the region holds at present, and in which layers."""
    share = float(novelty.share(novelty.cells))
    if not any(novelty.futures):
        return "No future replaces a layer of amounts that is judged by, so none can leave the present's range."
    if not share > 0.0:
        return "No future leaves the range that the region has at present in any layer that it replaces."
    each = {name: float(found) for name, found in novelty.by_driver(novelty.cells).items() if found > 0.0}
    futures = novelty.by_future(novelty.cells).tolist()
    most = max(range(len(futures)), key=lambda i: (futures[i], -i))
    names = [f"{name} ({percent(each[name])})" for name in sorted(each, key=lambda name: -each[name])]
    return (
        f"On average over {count_of(len(scenarios), 'future')}, {percent(share)} of the ground lies outside the "
        f"range that the region has at present, in {_listed(names)}; most of all in "
        f"{scenarios[most]} ({percent(futures[most])}). There curves say more than anybody has seen here: "
        "trust these figures less. Fifth band of the map; columns novel_share and novel_drivers of futures.csv."
    )


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


def _capped(plan: Plan, asked: str) -> str:
    """A share of futures is about suitability; classes may stand lower."""
    if plan.rules.cap == "none":
        return ""
    return f"Ground whose weakest criterion holds it in a class below {asked} counts here all the same."


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (", ..." if len(names) > 6 else "")


def _row(found: Findings, row: Any) -> dict[str, str]:
    import pandas as pd

    driver = labels(found.criteria, row["worst_driver"])
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
