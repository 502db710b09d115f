"""Why one parcel stands where it stands, in words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.errors import Fault, UnderoakError, did_you_mean
from underoak.report.findings import CriterionWords
from underoak.report.words import CAUTIONS, hectares, limits, next_step, percent, score

_WIDTH = 88


def explain(criteria: Sequence[Mapping[str, Any]], purpose: str, parcels: Any, parcel: str) -> str:
    """A parcel of a finished run in words: the answer, the reason, every criterion, the next step.

    Raises:
        UnderoakError: E604 when the run has no parcel of that id, or no parcels at all.
    """
    known = [] if parcels is None else [str(id) for id in parcels["id"]]
    if parcel not in known:
        mend = did_you_mean(parcel, known, "ids are listed in parcels.csv" if known else "the plan names no parcels")
        raise UnderoakError(Fault("E604", f'there is no parcel "{parcel}" in this run', mend=mend))
    row = parcels.iloc[known.index(parcel)]
    judged_by = [CriterionWords(**entry) for entry in criteria]
    head = f"Parcel {parcel}: "
    if not isinstance(row["class"], str):
        lines = [f"{head}not judged ({row['reason']}).", f"{hectares(row['area_ha'])}."]
    else:
        ranked = int(parcels["rank"].notna().sum())
        lines = [
            f"{head}{row['class']}, suitability {score(row['suitability'])}, rank {int(row['rank'])} of {ranked}.",
            f"{hectares(row['area_ha'])}; {percent(row['excluded_share'])} of it excluded by constraints, "
            f"{percent(row['valid_share'])} of the rest judged.",
            "",
            f"Weakest: {limits(judged_by, row['limiting'])}, on {percent(row['limiting_share'])} of the judged ground.",
            f"Most to gain from: {limits(judged_by, row['most_gainful'])}; perfect, it would add {score(row['gain'])}.",
            "",
            *_memberships(judged_by, row),
        ]
    lines += ["", f"Next: {next_step(judged_by, purpose, row)}", "", *textwrap.wrap(CAUTIONS[0], _WIDTH)]
    return "\n".join(lines)


def _memberships(criteria: list[CriterionWords], row: Any) -> list[str]:
    wide = max(len(c.label) for c in criteria)
    lines = [f"{'criterion':<{wide}}  membership  weight  if it is the limit"]
    for criterion in sorted(criteria, key=lambda c: row[f"membership_{c.name}"]):
        mean = score(row[f"membership_{criterion.name}"])
        lines.append(f"{criterion.label:<{wide}}  {mean:>10}  {criterion.weight:>6.3f}  {criterion.remedy}")
    return lines
