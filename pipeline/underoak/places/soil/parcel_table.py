"""The table of parcels of one case: their state, and what remedies could make of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.places.answers.needs import LabFinding, RemedyNeed
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.parcel_sums import ParcelSums
from underoak.places.parcels.ranking import classes_of, columns_of, held_by, rank_parcels
from underoak.places.soil.amounts import WORDS, needs_of
from underoak.places.soil.remedies import Remedied, remedies_of, texture_of, with_remedies

if TYPE_CHECKING:
    import pandas as pd

    from underoak.places.parcels.usable import UsableLand
    from underoak.plan.plan import Plan


def parcel_table(
    plan: Plan,
    sums: ParcelSums,
    cells: SampledCells,
    lab: Mapping[str, tuple[LabFinding, ...]] | None = None,
    usable: UsableLand | None = None,
) -> pd.DataFrame:
    """Return one row for every parcel, best first: the columns of `rank_parcels`, those of remedies, and `lab`.

    `lab` holds the findings by parcel id; without it there is no such column. With `usable`, parcels that are too small
    rank after the others.
    """
    import pandas as pd

    names = tuple(criterion.name for criterion in plan.criteria)
    curves = [criterion.curve for criterion in plan.criteria]
    constraints = [constraint.name for constraint in plan.constraints]
    table = rank_parcels(sums, names, plan.rules, curves, constraints, usable)
    if plan.looked_at is not None:
        table["judged_weight"] = np.where(table["rank"].notna(), plan.looked_at.judged_weight, np.nan)
    remedied = with_remedies(cells, remedies_of(plan), plan.rules, texture_of(plan.criteria))
    position = {id: i for i, id in enumerate(sums.ids)}
    order = np.array([position[id] for id in table["id"]], np.int64)
    table = table.assign(**_remedy_columns(plan, table, sums, remedied, order, names))
    if lab is not None:
        table["lab"] = pd.Series([lab.get(id) for id in table["id"]], dtype=object)
    return arrange(table, PARCELS)


def _remedy_columns(
    plan: Plan,
    table: pd.DataFrame,
    sums: ParcelSums,
    remedied: Remedied,
    order: npt.NDArray[np.int64],
    names: tuple[str, ...],
) -> dict[str, npt.NDArray[np.float64] | pd.Series]:
    import pandas as pd

    judged = table["rank"].notna().to_numpy()
    mean = np.minimum(table["suitability"].to_numpy(float) + remedied.gain[order], 1.0)
    means = table[[f"membership_{name}" for name in columns_of(names)]].to_numpy(float) + remedied.memberships[order]
    classes = classes_of(mean, means, plan.rules)
    with np.errstate(invalid="ignore", divide="ignore"):
        ha = (sums.area_ha * sums.judged / sums.area)[order]
    currency = plan.prices.currency or ""
    needs: list[tuple[RemedyNeed, ...] | None] = []
    for i, parcel in enumerate(order.tolist()):
        amounts = remedied.amounts if judged[i] else ()
        every = (need for each in amounts for need in needs_of(each, parcel, float(ha[i]), currency, names))
        needs.append(tuple(every) or None)
    columns: dict[str, npt.NDArray[np.float64] | pd.Series] = {
        "potential": np.where(judged, mean, np.nan),
        "potential_class": pd.Series(
            [name if is_judged else None for name, is_judged in zip(classes, judged, strict=True)], dtype=object
        ),
        "potential_held_by": pd.Series(held_by(mean, means, plan.rules, names, judged), dtype=object),
        "remedies": pd.Series(needs, dtype=object),
    }
    for by, effect in remedied.alone.items():
        after = np.minimum(table["suitability"].to_numpy(float) + effect.gain[order], 1.0)
        names_after = classes_of(after, means - remedied.memberships[order] + effect.memberships[order], plan.rules)
        columns[f"with_{WORDS[by]}"] = np.where(judged, after, np.nan)
        columns[f"with_{WORDS[by]}_class"] = pd.Series(
            [name if is_judged else None for name, is_judged in zip(names_after, judged, strict=True)], dtype=object
        )
    every_amount = [
        ("lime_t_ha", [each.amount for each in remedied.amounts if each.remedy.by == "lime"]),
        ("lime_plan_t_ha", [each.planned for each in remedied.amounts if each.remedy.by == "lime"]),
        ("water_mm", [each.amount for each in remedied.amounts if each.remedy.by == "irrigation"]),
    ]
    for name, by_criterion in every_amount:
        most = np.max([np.zeros(len(order)), *(amount[order] for amount in by_criterion)], axis=0)
        columns[name] = np.where(judged & (most > 0.0), most, np.nan)
    return columns
