"""What a run of several species or futures says of one parcel, in words."""

from __future__ import annotations

import math
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from underoak.places.geometry.areas import hectares
from underoak.report.text.answer_words import CAUTIONS, score
from underoak.report.text.explanation import parcel_place
from underoak.report.text.lines import columns, wrapped


def case_column(species: str, scenario: str) -> str:
    """How one species in one future is called in the names of columns.

    >>> case_column("tuber_aestivum", "dry"), case_column("", "")
    ('tuber_aestivum_dry', 'present')
    """
    return "_".join(part for part in (species, scenario) if part) or "present"


def explain_joint(folder: Path, cases: Sequence[Mapping[str, Any]], parcels: Any, parcel: str) -> str:
    """A parcel in all that a run has judged it for: the best of the present, each view beside it, and where to read on.

    `folder` is the run's, for the commands that are named; `views` are its manifest's, `parcels` the table on top.

    Raises:
        UnderoakError: E604 when the run has no parcel of that id, or no parcels at all.
    """
    row = parcels.iloc[parcel_place(parcels, parcel)]
    named = {case_column(case["species"], case["scenario"]): case for case in cases}
    best = row["best"] if isinstance(row["best"], str) else None
    ranked = int(parcels["rank"].notna().sum())
    lines = _answer(parcel, row, best, named, ranked)
    has_verdict = any(f"verdict_{name}" in row for name in named)
    head = ("judged", "rank", "class", "suitability", *(("verdict",) if has_verdict else ()))
    lines += ["", *columns(head, [_line(row, name, case, has_verdict) for name, case in named.items()])]
    lines += ["", "Why, for each of them:" if best is None else "Why:"]
    which = list(named) if best is None else [best, *(name for name in named if name != best)]
    lines += [
        f"  underoak explain {_quoted(folder / named[name]['folder'])} --parcel {_quoted(parcel)}" for name in which
    ]
    return "\n".join([*lines, "", *wrapped(CAUTIONS[0])])


def _answer(parcel: str, row: Any, best: str | None, named: Mapping[str, Mapping[str, Any]], ranked: int) -> list[str]:
    if best is None:
        return [f"Parcel {parcel}: not judged for any species of the present.", f"{hectares(row['area_ha'])}."]
    lines = []
    if isinstance(row.get("verdict"), str):
        lines.append(f"Parcel {parcel}: {row['verdict'].upper()}. P(S2 or better) {row['p_s2']:.2f}.")
    now = sum(not case["scenario"] for case in named.values())
    which = (
        f" for {_called(named[best])}" + (f", the best of {now} species" if now > 1 else "")
        if best != "present"
        else ""
    )
    head = "Now" if lines else f"Parcel {parcel}:"
    lines += wrapped(
        f"{head} {row[f'class_{best}']}, suitability {score(row[f'suitability_{best}'])}{which}; "
        f"rank {int(row['rank'])} of {ranked}."
    )
    return [*lines, f"{hectares(row['area_ha'])}."]


def _line(row: Any, name: str, case: Mapping[str, Any], has_verdict: bool) -> tuple[str, ...]:
    rank, found, verdict = row[f"rank_{name}"], row[f"class_{name}"], row.get(f"verdict_{name}")
    known = isinstance(found, str)
    told = (
        _called(case),
        f"{int(rank)}" if known and not math.isnan(rank) else "–",
        found if known else "–",
        score(float(row[f"suitability_{name}"])),
    )
    return (*told, verdict if isinstance(verdict, str) else "–") if has_verdict else told


def _called(case: Mapping[str, Any]) -> str:
    species = case["species"].replace("_", " ").capitalize()
    return ", ".join(part for part in (species, case["scenario"] or "now") if part)


def _quoted(text: object) -> str:
    return shlex.quote(str(text))
