"""How certain the order of parcels is: their ranks over draws of the weights and of the layers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.places.columns.column import arrange, encode_table
from underoak.places.columns.parcels import PARCELS
from underoak.places.columns.ranks import RANKS, WINS
from underoak.places.geometry.output_files import write_csv, write_safely
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.parcels.ranking import large_enough
from underoak.places.verdicts.mean_draws import drawn_memberships, thinned
from underoak.uncertainty.outcomes.rank_acceptability import ParcelCells, RankAcceptability, rank_acceptability

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
MOST_PARCELS = 2_000  # ranked against each other: the best
MOST_DRAWS, MOST_BY_CELLS, FEWEST_DRAWS = 10_000, 4_000, 500
_MOST_RANKS = 10  # columns of ranks.csv
_CELLS_EACH, _ALL_CELLS, _FEWEST_CELLS = 32, 16_000, 4
_STEPS = 60_000_000  # memberships combined, all draws together


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """Ranks of parcels over the draws, best first as in their table."""

    ids: tuple[str, ...]
    ranks: RankAcceptability
    by_cells: bool  # the rule is not linear: cells of each parcel were judged
    left_out: int  # judged parcels beyond the best

    @property
    def error(self) -> float:
        """Largest standard error of a share, from the number of draws: of the data, being fewer, where they vary."""
        draws = self.ranks.data_draws if self.ranks.data_draws > 1 else self.ranks.draws
        return 0.5 / float(np.sqrt(draws))

    @property
    def first_over_second(self) -> tuple[str, str, float] | None:
        """The first two parcels of the table, and the share of the draws in which the first ranks before the second.

        None where the mean rank of one of them is so low that they were not compared.
        """
        index = {int(n): i for i, n in enumerate(self.ranks.compared)}
        if not {0, 1} <= index.keys():
            return None
        return self.ids[0], self.ids[1], float(self.ranks.wins[index[0], index[1]])


def order_of(plan: Plan, table: pd.DataFrame, spread: ParcelDraws, cells: SampledCells) -> Order | None:
    """Return the ranks over draws of weights and data; None with fewer than two judged parcels.

    Under the linear rule they are exact, by the mean memberships of each draw; under others they come from a few cells
    of every parcel, all shifted with the parcel's mean. Suitability is multiplied by the share that no constraint
    excludes. Parcels that are too small take no part.
    """
    judged = large_enough(table)
    shown = judged.head(MOST_PARCELS)
    if len(shown) < 2:
        return None
    place = {id: i for i, id in enumerate(spread.ids)}
    parcels = [place[id] for id in shown["id"]]
    scale = 1.0 - shown["excluded_share"].to_numpy(float)
    rules, weights = plan.rules, plan.weight_spread
    seed = plan.uncertainty.seed if plan.uncertainty is not None else 1
    is_linear = rules.rule == "linear" and rules.missing == "stop"
    if is_linear:
        few = _some(spread, parcels)
        memberships = few.every[:, :, 1:].transpose(1, 0, 2)
        ranks = rank_acceptability(memberships, MOST_DRAWS, seed, weights, None, scale)
    else:
        drawn = _cells(plan, spread, cells, parcels)
        steps = drawn.memberships.shape[1] * drawn.memberships.shape[2]
        draws = max(FEWEST_DRAWS, min(MOST_BY_CELLS, _STEPS // max(steps, 1)))
        ranks = rank_acceptability(drawn, draws, seed, weights, rules, scale)
    return Order(tuple(str(id) for id in shown["id"]), ranks, not is_linear, len(judged) - len(shown))


def _some(spread: ParcelDraws, parcels: list[int]) -> ParcelDraws:
    return ParcelDraws(
        tuple(spread.ids[i] for i in parcels), spread.suitability[parcels], spread.drawn, spread.memberships[parcels],
        spread.steady[parcels], spread.judged_by, spread.values[parcels],
    )  # fmt: skip


def _cells(plan: Plan, spread: ParcelDraws, cells: SampledCells, parcels: list[int]) -> ParcelCells:
    each = min(_CELLS_EACH, max(_FEWEST_CELLS, _ALL_CELLS // len(parcels)))
    chosen = thinned(cells, parcels, each)
    drawn = [
        drawn_memberships(plan, spread, cells, parcel, cell_indices)
        for parcel, cell_indices in zip(parcels, chosen, strict=True)
    ]
    offsets = np.concatenate([[0], np.cumsum([len(cell_indices) for cell_indices in chosen])]).astype(np.int64)
    return ParcelCells(np.concatenate(drawn, axis=1), cells.weight[np.concatenate(chosen)], offsets)


def with_order(table: pd.DataFrame, order: Order) -> pd.DataFrame:
    """Return the table with `first_share`, `top3_share` and `mean_rank`; empty for parcels without ranks over draws."""
    import pandas as pd

    ranks = order.ranks
    columns = pd.DataFrame(
        {
            "first_share": ranks.first,
            "top3_share": ranks.top(min(3, len(order.ids))),
            "mean_rank": ranks.mean_rank,
        },
        index=list(order.ids),
    ).reindex(table["id"])
    return arrange(table.assign(**{str(name): columns[name].to_numpy() for name in columns}), PARCELS)


def write_ranks(folder: Path, order: Order, criteria: Sequence[str]) -> None:
    """Write ranks.csv and wins.csv.

    ranks.csv has the share of draws in which a parcel has each of the first ten ranks, then its central weights (the
    mean weights of the draws in which it is first) and how often it is first under them; both are empty for a parcel
    that never is. wins.csv has how often the row's parcel ranks before the column's, ties half, of the foremost.

    Raises:
        UnderoakError: E501, E502 when disk or folder cannot be written.
    """
    import pandas as pd

    acceptability = order.ranks
    ranks = pd.DataFrame(acceptability.shares[:, :_MOST_RANKS]).rename(columns=lambda n: f"rank_{n + 1}")
    ranks["id"] = list(order.ids)
    ranks["confidence"] = acceptability.confidence
    ranks[[f"central_{name}" for name in criteria]] = acceptability.central_weights
    foremost = [order.ids[int(n)] for n in acceptability.compared]
    wins = pd.DataFrame(acceptability.wins, columns=[f"before_{id}" for id in foremost]).assign(id=foremost)
    for name, table, columns in (("ranks.csv", ranks, RANKS), ("wins.csv", wins, WINS)):
        encoded = encode_table(arrange(table, columns), columns)
        write_safely(folder / name, partial(write_csv, table=encoded))
