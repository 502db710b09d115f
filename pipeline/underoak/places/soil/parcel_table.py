"""The table of parcels of one view: what the ground is, and what remedies could make of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.ranking import ParcelSums, classes_of, columns_of, ranked
from underoak.places.soil.amounts import in_words
from underoak.places.soil.remedies import Remedied, remedies_of, texture_of, with_remedies

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan


def parcel_table(
    plan: Plan, totals: ParcelSums, cells: SampledCells, lab: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """One row for every parcel, best first: the columns of `ranking.ranked`, and more of them after `gain`.

    These are `potential` (suitability after all remedies that help) · `potential_class` · `remedies` (in words, with
    amounts) · `lime_t_ha`, `water_mm` (on the ground that needs it, at least; empty where none is needed) · and `lab`
    where there is one (`lab` by parcel: what the laboratory found, the map says and is taken).
    """
    import pandas as pd

    names = tuple(criterion.name for criterion in plan.criteria)
    curves = [criterion.curve for criterion in plan.criteria]
    table = ranked(totals, names, plan.rules, curves, [constraint.name for constraint in plan.constraints])
    found = with_remedies(cells, remedies_of(plan), plan.rules, texture_of(plan.criteria))
    order = _places(totals.ids, table["id"])
    at = list(table.columns).index("gain") + 1
    for name, column in reversed(_columns(plan, table, totals, found, order, names).items()):
        table.insert(at, name, column)
    if lab is not None:
        told = [lab.get(id) for id in table["id"]]
        table.insert(list(table.columns).index("water_mm") + 1, "lab", pd.Series(told, dtype=object))
    return table


def _places(ids: tuple[str, ...], wanted: Any) -> npt.NDArray[np.int64]:
    place = {id: i for i, id in enumerate(ids)}
    return np.array([place[id] for id in wanted], np.int64)


def _columns(
    plan: Plan,
    table: pd.DataFrame,
    totals: ParcelSums,
    found: Remedied,
    order: npt.NDArray[np.int64],
    names: tuple[str, ...],
) -> dict[str, Any]:
    import pandas as pd

    judged = table["rank"].notna().to_numpy()
    mean = np.minimum(table["suitability"].to_numpy(float) + found.gain[order], 1.0)
    means = table[[f"membership_{name}" for name in columns_of(names)]].to_numpy(float) + found.memberships[order]
    classes = classes_of(mean, means, plan.rules)
    with np.errstate(invalid="ignore", divide="ignore"):
        ha = (totals.area_ha * totals.judged / totals.area)[order]
    said = [
        "; ".join(
            filter(None, (in_words(dose, parcel, float(ha[i]), plan.prices.currency or "") for dose in found.doses))
        )
        if judged[i]
        else ""
        for i, parcel in enumerate(order.tolist())
    ]
    columns: dict[str, Any] = {
        "potential": np.where(judged, mean, np.nan),
        "potential_class": pd.Series(
            [c if fine else None for c, fine in zip(classes, judged, strict=True)], dtype=object
        ),
        "remedies": pd.Series([text or None for text in said], dtype=object),
    }
    for by, name in (("lime", "lime_t_ha"), ("irrigation", "water_mm")):
        doses = [dose.amount[order] for dose in found.doses if dose.remedy.by == by]
        most = np.max([np.zeros(len(order)), *doses], axis=0)
        columns[name] = np.where(judged & (most > 0.0), most, np.nan)
    return columns
