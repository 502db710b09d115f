"""The ranking as a table of text."""

from __future__ import annotations

import io

from underoak.report.findings import Findings
from underoak.report.words import hectares, limits, percent, score

_MOST = 40


def ranking(findings: Findings, most: int = _MOST, width: int = 118) -> str:
    """Parcels best first, then zones, as text no wider than `width`."""
    parts = []
    if findings.parcels is not None:
        parts.append(_parcels(findings, most, width))
    if findings.zones is not None:
        parts.append(_zones(findings, width))
    if not parts:
        good = sum(n for code, n in findings.class_cells.items() if code in (1, 2))
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

    table = Table(box=SIMPLE_HEAD, pad_edge=False, title=None)
    table.add_column("rank", justify="right")
    table.add_column("parcel", overflow="fold", max_width=28)
    table.add_column("class")
    for name in ("suitability", "area", "judged", "excluded"):
        table.add_column(name, justify="right")
    table.add_column("weakest", overflow="fold")
    for _, row in findings.parcels.head(most).iterrows():
        known = isinstance(row["class"], str)
        table.add_row(
            str(row["rank"]) if known else "–",
            Text(str(row["id"])),
            row["class"] if known else "–",
            score(row["suitability"]),
            hectares(row["area_ha"]),
            percent(row["valid_share"]),
            percent(row["excluded_share"]),
            Text(limits(findings.criteria, row["limiting"]) if known else f"not judged: {row['reason']}"),
        )
    text = _drawn(table, width)
    left = len(findings.parcels) - most
    return f"{text}\n… and {left} more in parcels.csv" if left > 0 else text


def _zones(findings: Findings, width: int) -> str:
    if len(findings.zones) == 0:
        return "No zone is large enough."
    total, count = findings.zones["area_ha"].sum(), len(findings.zones)
    best = findings.zones.iloc[0]
    best_words = f"the best has {hectares(best['area_ha'])} at {score(best['suitability'])}"
    return f"{count} zone{'s' if count > 1 else ''}, {hectares(total)} in all; {best_words}."
