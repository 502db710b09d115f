"""How each parcel fares in all futures of a species, and what makes it lose."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.places.geometry.output_files import whole, write_csv
from underoak.places.parcels.ranking import ALL_EXCLUDED, TIE, columns_of
from underoak.uncertainty import driver_effects, regret, robustness

if TYPE_CHECKING:
    import pandas as pd

    from underoak.engine.prepare.novelty import Novelty
    from underoak.overlay import Rules

Doubles = npt.NDArray[np.float64]
FUTURES_CSV = "futures.csv"


def futures_of_parcels(
    present: pd.DataFrame,
    futures: Sequence[pd.DataFrame],
    names: Sequence[str],
    weights: Sequence[float],
    criteria: Sequence[str],
    rules: Rules,
    at_least: float,
) -> pd.DataFrame:
    """One row for every parcel, in the present's order.

    `present` and `futures` are tables as `ranking.ranked` makes them, `names` and `weights` (which sum to 1) those of
    the futures, `at_least` the suitability that counts as holding. Columns: `id` · `rank`, `suitability` (at present) ·
    `share_of_futures` (by weight, in which the parcel's suitability reaches `at_least`) · `least`, `median`, `greatest`
    (suitability) · `worst_future` (the first with the least) · `regret` (the most by which the best parcel of a future
    is better: suitability times the share not excluded, as ranks go) · `worst_driver` (the criterion whose change
    alone, from the present to the futures, costs most on average by weight; all that tie, none where none costs
    anything) · `worst_change` (what it costs: by the parcel's mean memberships, exact under the linear rule). A parcel
    that is excluded entirely in a future has suitability 0 there; one that cannot be judged in some future has no
    figures of all futures.
    """
    import pandas as pd

    ids = present["id"].tolist()
    tables = [table.set_index("id").loc[ids] for table in futures]
    suitability = np.array([_suitability(table) for table in tables])
    with np.errstate(invalid="ignore"):
        share, low, median, high = robustness(suitability, at_least, weights)
    known = ~np.isnan(share)
    worst = np.where(known, np.argmin(np.where(np.isnan(suitability), np.inf, suitability), axis=0), -1)
    worth = np.array([_suitability(table) * (1.0 - table["excluded_share"].to_numpy(float)) for table in tables])
    change = _changes(present, tables, weights, criteria, rules)
    least = np.fmin.reduce(change, axis=0, initial=0.0)
    drivers = [_drivers(column, lowest, criteria) for column, lowest in zip(change.T, least, strict=True)]
    columns: dict[str, Any] = {
        "id": ids,
        "rank": present["rank"].array,
        "suitability": present["suitability"].to_numpy(float),
        "share_of_futures": share.astype(float),
        "least": low.astype(float),
        "median": median.astype(float),
        "greatest": high.astype(float),
        "worst_future": pd.Series([names[i] if i >= 0 else None for i in worst], dtype=object),
        "regret": regret(worth.T),
        "worst_driver": pd.Series(drivers, dtype=object),
        "worst_change": np.where([driver is not None for driver in drivers], least, np.nan),
    }
    return pd.DataFrame(columns)


def with_novelty(table: pd.DataFrame, ids: Sequence[str], novelty: Novelty) -> pd.DataFrame:
    """The table with `novel_share` and `novel_drivers`; `ids` are those of the parcels that `novelty` counts.

    `novel_share` is the share of a parcel's ground on which some layer that a future replaces lies outside what the
    region holds of it at present, on average over the futures by weight; `novel_drivers` are these layers, the one with
    the largest share first, none where nothing is novel.
    """
    import pandas as pd

    assert novelty.parcels is not None
    place = {id: i for i, id in enumerate(ids)}
    sums = novelty.parcels[[place[id] for id in table["id"]]]
    each = novelty.by_driver(sums)
    names = list(each)
    by = np.array([each[name] for name in names]).reshape(len(names), len(table))
    told = []
    for column in by.T:
        order = sorted((k for k in range(len(names)) if column[k] > 0.0), key=lambda k: (-column[k], k))
        told.append("; ".join(names[k] for k in order) or None)
    return table.assign(novel_share=novelty.share(sums), novel_drivers=pd.Series(told, index=table.index, dtype=object))


def write_futures_table(folder: Path, table: pd.DataFrame) -> Path:
    """`futures.csv`.

    Raises:
        UnderoakError: E501, E502 when the disk or the folder does not let us.
    """
    path = folder / FUTURES_CSV
    whole(path, lambda made: write_csv(made, table))
    return path


def _suitability(table: pd.DataFrame) -> Doubles:
    """Mean suitability; 0 where all of a parcel is excluded, NaN where it is not judged. (parcels,)"""
    excluded = table["reason"].astype(str).str.startswith(ALL_EXCLUDED).to_numpy()
    made: Doubles = np.where(excluded, 0.0, table["suitability"].to_numpy(float))
    return made


def _changes(
    present: pd.DataFrame,
    futures: Sequence[pd.DataFrame],
    weights: Sequence[float],
    criteria: Sequence[str],
    rules: Rules,
) -> Doubles:
    """What each criterion's change alone does to a parcel's suitability, on average, (criteria, parcels)."""
    from underoak.overlay import combine

    settings = (rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    wanted = [f"membership_{name}" for name in columns_of(criteria)]
    now = present[wanted].to_numpy(float).T
    made = np.zeros(now.shape)
    for table, weight in zip(futures, weights, strict=True):
        made += weight * driver_effects(now, table[wanted].to_numpy(float).T, lambda m: combine(m, *settings))
    return made


def _drivers(change: Doubles, least: float, criteria: Sequence[str]) -> str | None:
    if not least < -TIE:
        return None
    return "; ".join(criteria[i] for i in np.flatnonzero(change <= least + TIE).tolist())
