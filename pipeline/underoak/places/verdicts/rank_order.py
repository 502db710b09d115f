"""How firm the order of parcels is: their ranks over draws of the weights and of what the maps may be off by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base.errors import count_of
from underoak.places.geometry.output_files import csv_text, whole
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.verdicts.mean_draws import drawn_memberships, thinned
from underoak.uncertainty.outcomes.rank_acceptability import ParcelCells, RankAcceptability, rank_acceptability

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
MOST_PARCELS = 2_000  # that are ranked against each other; a region's best
MOST_DRAWS, MOST_BY_CELLS, FEWEST_DRAWS = 10_000, 4_000, 500
RANKS = 10  # columns of ranks.csv
_CELLS_EACH, _ALL_CELLS, _FEWEST_CELLS = 32, 16_000, 4
_STEPS = 60_000_000  # memberships that are combined, all draws together
_COIN_TOSS = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """Ranks of the parcels that were ranked, best first as the table has them."""

    ids: tuple[str, ...]
    found: RankAcceptability
    by_cells: bool  # the rule is not linear: each parcel's cells were judged by it
    left_out: int  # judged parcels beyond the best

    @property
    def error(self) -> float:
        """Largest standard error of a share, from the number of draws: of the data, being fewer, where they vary."""
        found = self.found
        return 0.5 / float(np.sqrt(found.data_draws if found.data_draws > 1 else found.draws))

    @property
    def first_over_second(self) -> tuple[str, str, float] | None:
        """The first two parcels of the table, and in what share of the draws the first is before the second.

        None where one of them is far down by its mean rank, so that they were not compared.
        """
        at = {int(n): i for i, n in enumerate(self.found.compared)}
        if not {0, 1} <= at.keys():
            return None
        return self.ids[0], self.ids[1], float(self.found.wins[at[0], at[1]])

    @property
    def words(self) -> list[str]:
        """How firm the order is, in sentences."""
        two, found = self.first_over_second, self.found
        said = ""
        if two is not None:
            first, second, win = two
            if abs(win - 0.5) <= _COIN_TOSS:
                said = f"{first} vs {second} is a coin toss ({win:.2f}); "
            else:
                said = f"{first} comes before {second} in {_percent(win)} of the weights and data drawn; "
        lines = [
            f"{said}{self.ids[0]} is first in {_percent(found.first[0])} and among the first three in "
            f"{_percent(found.top(min(3, len(self.ids)))[0])}. {found.draws:,} draws of the weights over "
            f"{found.data_draws} of the data: a share is known to {self.error:.3f} at worst."
        ]
        if self.left_out:
            lines.append(
                f"Only the best {count_of(len(self.ids), 'parcel')} were ranked against each other, "
                f"{count_of(self.left_out, 'was', 'were')} not."
            )
        return lines


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %"


def order_of(plan: Plan, table: pd.DataFrame, spread: ParcelDraws, cells: SampledCells) -> Order | None:
    """Ranks over weights and data together; None with fewer than two judged parcels.

    Under the linear rule exactly, by the mean memberships of each draw; under others by a few cells of every parcel,
    which move together by as much as the parcel's mean is off in the draw. Values count times the share that no
    constraint excludes.
    """
    judged = table[table["rank"].notna()]
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
        found = rank_acceptability(memberships, MOST_DRAWS, seed, weights, None, scale)
    else:
        drawn = _cells(plan, spread, cells, parcels)
        steps = drawn.memberships.shape[1] * drawn.memberships.shape[2]
        draws = max(FEWEST_DRAWS, min(MOST_BY_CELLS, _STEPS // max(steps, 1)))
        found = rank_acceptability(drawn, draws, seed, weights, rules, scale)
    return Order(tuple(str(id) for id in shown["id"]), found, not is_linear, len(judged) - len(shown))


def _some(spread: ParcelDraws, parcels: list[int]) -> ParcelDraws:
    return ParcelDraws(
        tuple(spread.ids[i] for i in parcels), spread.suitability[parcels], spread.drawn, spread.memberships[parcels],
        spread.steady[parcels], spread.judged_by, spread.values[parcels],
    )  # fmt: skip


def _cells(plan: Plan, spread: ParcelDraws, cells: SampledCells, parcels: list[int]) -> ParcelCells:
    each = min(_CELLS_EACH, max(_FEWEST_CELLS, _ALL_CELLS // len(parcels)))
    chosen = thinned(cells, parcels, each)
    drawn = [drawn_memberships(plan, spread, cells, parcel, at) for parcel, at in zip(parcels, chosen, strict=True)]
    offsets = np.concatenate([[0], np.cumsum([len(at) for at in chosen])]).astype(np.int64)
    return ParcelCells(np.concatenate(drawn, axis=1), cells.weight[np.concatenate(chosen)], offsets)


def with_order(table: pd.DataFrame, order: Order) -> pd.DataFrame:
    """The table with `first_share`, `top3_share` and `mean_rank` before `valid_share`; empty beyond what was ranked."""
    import pandas as pd

    found = order.found
    columns = pd.DataFrame(
        {
            "first_share": found.first,
            "top3_share": found.top(min(3, len(order.ids))),
            "mean_rank": found.mean_rank,
        },
        index=list(order.ids),
    ).reindex(table["id"])
    joined, at = table.copy(), list(table.columns).index("valid_share")
    for name in reversed(columns.columns):
        joined.insert(at, name, columns[name].to_numpy())
    return joined


def write_ranks(folder: Path, order: Order, criteria: Sequence[str]) -> None:
    """ranks.csv and wins.csv: how the parcels that were ranked fare over all draws.

    ranks.csv has the share of draws in which a parcel has each of the first ten ranks, then its central weights (the
    mean weights of the draws in which it is first) and how often it is first under them; both are empty for a parcel
    that never is. wins.csv has how often the row's parcel comes before the column's, ties half, of the foremost.
    """
    import pandas as pd

    found = order.found
    ranks = pd.DataFrame(found.shares[:, :RANKS]).rename(columns=lambda n: f"rank_{n + 1}")
    ranks.insert(0, "id", list(order.ids))
    ranks["confidence"] = found.confidence
    ranks[[f"central_{name}" for name in criteria]] = found.central_weights
    foremost = [order.ids[int(n)] for n in found.compared]
    wins = pd.DataFrame(found.wins, columns=[f"before_{id}" for id in foremost])
    wins.insert(0, "id", foremost)
    for name, table in (("ranks.csv", ranks), ("wins.csv", wins)):
        whole(folder / name, partial(_write, csv_text(table)))


def _write(text: str, path: Path) -> None:
    path.write_bytes(text.encode())
