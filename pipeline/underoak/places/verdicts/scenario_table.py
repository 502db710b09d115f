"""The table of parcels over all scenarios of a species: how often each holds, and which criterion costs it most."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.number_words import TIE
from underoak.places.answers.not_judged import Cause
from underoak.places.columns.column import arrange, encode_table
from underoak.places.columns.scenarios import SCENARIOS
from underoak.places.geometry.output_files import write_csv, write_safely
from underoak.places.parcels.ranking import columns_of
from underoak.uncertainty import driver_effects, regret, robustness

if TYPE_CHECKING:
    import pandas as pd

    from underoak.engine.prepare.novelty import Novelty
    from underoak.overlay import Rules

Doubles = npt.NDArray[np.float64]
SCENARIOS_CSV = "futures.csv"


def scenarios_of_parcels(
    present: pd.DataFrame,
    scenarios: Sequence[pd.DataFrame],
    names: Sequence[str],
    weights: Sequence[float],
    criteria: Sequence[str],
    rules: Rules,
    at_least: float,
) -> pd.DataFrame:
    """Return one row for every parcel, in the present's order.

    `present` and `scenarios` are tables of `rank_parcels`, `names` and `weights` (which sum to 1) those of the
    scenarios, `at_least` the suitability that is good enough. The columns are those of `columns.scenarios`, without
    novelty.
    `worst_change` is by the parcel's mean memberships, exact under the linear rule. A parcel that is excluded entirely
    in a scenario has suitability 0 there; one that cannot be judged in some scenario has no figures over all of them.
    """
    import pandas as pd

    ids = present["id"].tolist()
    tables = [table.set_index("id").loc[ids] for table in scenarios]
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
    return arrange(pd.DataFrame(columns), SCENARIOS)


def with_novelty(table: pd.DataFrame, ids: Sequence[str], novelty: Novelty) -> pd.DataFrame:
    """Return the table with `novel_share` and `novel_drivers`; `ids` are those of the parcels that `novelty` counts.

    `novel_share` is the share of a parcel's land on which some layer that a scenario replaces lies outside the present
    range of the region, on average over the scenarios by weight.
    """
    import pandas as pd

    assert novelty.parcels is not None
    place = {id: i for i, id in enumerate(ids)}
    sums = novelty.parcels[[place[id] for id in table["id"]]]
    each = novelty.by_driver(sums)
    names = list(each)
    by = np.array([each[name] for name in names]).reshape(len(names), len(table))
    drivers: list[tuple[str, ...] | None] = []
    for column in by.T:
        order = sorted((k for k in range(len(names)) if column[k] > 0.0), key=lambda k: (-column[k], k))
        drivers.append(tuple(names[k] for k in order) or None)
    series = pd.Series(drivers, index=table.index, dtype=object)
    return arrange(table.assign(novel_share=novelty.share(sums), novel_drivers=series), SCENARIOS)


def write_scenario_table(folder: Path, table: pd.DataFrame) -> Path:
    """Write `futures.csv`.

    Raises:
        UnderoakError: E501, E502 when disk or folder cannot be written.
    """
    path = folder / SCENARIOS_CSV
    encoded = encode_table(table, SCENARIOS)
    write_safely(path, lambda temporary: write_csv(temporary, encoded))
    return path


def _suitability(table: pd.DataFrame) -> Doubles:
    """Return the mean suitability; 0 where a parcel is excluded entirely, NaN where it is not judged, (parcels,)."""
    is_excluded = [reason is not None and reason.cause is Cause.ALL_EXCLUDED for reason in table["reason"]]
    suitability: Doubles = np.where(is_excluded, 0.0, table["suitability"].to_numpy(float))
    return suitability


def _changes(
    present: pd.DataFrame,
    scenarios: Sequence[pd.DataFrame],
    weights: Sequence[float],
    criteria: Sequence[str],
    rules: Rules,
) -> Doubles:
    """Return the effect of each criterion's change alone on a parcel's suitability, on average, (criteria, parcels)."""
    from underoak.overlay import combine

    settings = (rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    memberships = [f"membership_{name}" for name in columns_of(criteria)]
    now = present[memberships].to_numpy(float).T
    effects = np.zeros(now.shape)
    for table, weight in zip(scenarios, weights, strict=True):
        effects += weight * driver_effects(now, table[memberships].to_numpy(float).T, lambda m: combine(m, *settings))
    return effects


def _drivers(change: Doubles, least: float, criteria: Sequence[str]) -> tuple[str, ...] | None:
    if not least < -TIE:
        return None
    return tuple(criteria[i] for i in np.flatnonzero(change <= least + TIE).tolist())
