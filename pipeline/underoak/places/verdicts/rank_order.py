"""How certain the order of parcels is: their ranks over draws of the weights and of the layers."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.overlay import combine
from underoak.places.columns.column import arrange, encode_table
from underoak.places.columns.parcels import PARCELS
from underoak.places.columns.ranks import RANKS, WINS
from underoak.places.geometry.output_files import write_csv, write_safely
from underoak.places.parcels.case_reducers import rank_weights
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.parcels.ranking import large_enough
from underoak.places.verdicts.mean_draws import drawn_memberships
from underoak.plan.keys.uncertainty import UncertaintySpec
from underoak.uncertainty.draws.rank_sums import needs_joint_draws
from underoak.uncertainty.outcomes.rank_acceptability import RankAcceptability, rank_acceptability
from underoak.uncertainty.outcomes.rank_sources import JointDraws, ParcelCells

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
MOST_PARCELS = 2_000  # ranked against each other: the best
DRAWS = 10_000  # under the linear rule
_MOST_RANKS = 10  # columns of ranks.csv


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """Ranks of parcels over the draws, best first as in their table."""

    ids: tuple[str, ...]
    ranks: RankAcceptability
    is_joint: bool  # the rule is not linear: cells were judged in joint draws of data and weights
    left_out: int  # judged parcels beyond the best

    @property
    def error(self) -> float:
        """Largest standard error of a share, from the number of draws: of the data, being fewer, where they vary."""
        return 0.5 / float(np.sqrt(self._least_draws))

    @property
    def first_error(self) -> Doubles:
        """Standard error of the share of first ranks, (parcels,).

        A share that is 0 or 1 in all n draws is not certain: its error is 1 / (n + 2), by the rule of succession.
        """
        is_unanimous = (self.ranks.first <= 0.0) | (self.ranks.first >= 1.0)
        errors: Doubles = np.where(is_unanimous, 1.0 / (self._least_draws + 2), self.ranks.first_error)
        return errors

    @property
    def _least_draws(self) -> int:
        return self.ranks.data_draws if self.ranks.data_draws > 1 else self.ranks.draws

    @property
    def first_over_second(self) -> tuple[str, str, float] | None:
        """The first two parcels of the table, and the share of the draws in which the first ranks before the second.

        None where the mean rank of one of them is so low that they were not compared.
        """
        index = {int(n): i for i, n in enumerate(self.ranks.compared)}
        if not {0, 1} <= index.keys():
            return None
        return self.ids[0], self.ids[1], float(self.ranks.wins[index[0], index[1]])


def order_of(
    plan: Plan, table: pd.DataFrame, spread: ParcelDraws, cells: SampledCells, tested: Collection[str] = ()
) -> Order | None:
    """Return the ranks over draws of weights and data; None with fewer than two judged parcels.

    Under the linear rule they follow from the mean memberships of each draw; under others all cells were judged in
    joint draws of data and weights. Where no layer is drawn, the sampled cells are judged under the drawn weights, and
    so are `tested` parcels, whose draws a laboratory changed. Suitability is multiplied by the share that no constraint
    excludes. Parcels that are too small take no part. Criteria are taken in the order of their names, so that the
    plan's order changes nothing.
    """
    judged = large_enough(table)
    shown = judged.head(MOST_PARCELS)
    if len(shown) < 2:
        return None
    place = {id: i for i, id in enumerate(spread.ids)}
    parcels = [place[id] for id in shown["id"]]
    scale = 1.0 - shown["excluded_share"].to_numpy(float)
    names = [criterion.name for criterion in plan.criteria]
    by_name = sorted(range(len(names)), key=names.__getitem__)
    sorted_names, weights = [names[k] for k in by_name], plan.weight_spread.take(by_name)
    spec = plan.uncertainty or UncertaintySpec()
    if not needs_joint_draws(plan.rules):
        means = _some(spread, parcels).every[:, :, 1:].transpose(1, 0, 2)[:, :, by_name]
        ranks = rank_acceptability(means, DRAWS, spec.seed, weights, None, scale, names=sorted_names)
    elif spread.ranked is None:
        parts, rules = [cells.of(parcel) for parcel in parcels], plan.rules
        indices = np.concatenate([np.arange(part.start, part.stop) for part in parts])
        offsets = np.cumsum([0, *(part.stop - part.start for part in parts)]).astype(np.int64)
        sampled = ParcelCells(cells.memberships[indices][:, by_name], cells.weight[indices], offsets)
        rules = replace(rules, weights=tuple(rules.weights[k] for k in by_name), essential=())
        ranks = rank_acceptability(sampled, spec.rank_draws, spec.seed, weights, rules, scale, names=sorted_names)
    else:
        values = spread.ranked[parcels]
        weighted = rank_weights(plan, spread.suitability.shape[1], values.shape[1]).by_draw
        for i, parcel in enumerate(parcels):
            if spread.ids[parcel] in tested:
                values[i] = _judged_again(plan, spread, cells, parcel, weighted)
        joint = JointDraws(values, weighted[:, by_name], spread.suitability.shape[1])
        ranks = rank_acceptability(joint, scale=scale)
    central = np.empty_like(ranks.central_weights)
    central[:, by_name] = ranks.central_weights
    ids = tuple(str(id) for id in shown["id"])
    ranks = replace(ranks, central_weights=central)
    return Order(ids, ranks, needs_joint_draws(plan.rules), len(judged) - len(shown))


def _some(spread: ParcelDraws, parcels: list[int]) -> ParcelDraws:
    return ParcelDraws(
        tuple(spread.ids[i] for i in parcels), spread.suitability[parcels], spread.drawn, spread.memberships[parcels],
        spread.steady[parcels], spread.judged_by, spread.values[parcels],
    )  # fmt: skip


def _judged_again(plan: Plan, spread: ParcelDraws, cells: SampledCells, parcel: int, weights: Doubles) -> Doubles:
    """Return a parcel's suitability in each joint draw, (rank draws,), from its sampled cells."""
    part, rules = cells.of(parcel), plan.rules
    drawn = drawn_memberships(plan, spread, cells, parcel, part).transpose(2, 0, 1)
    values = np.empty(len(weights))
    for n, each in enumerate(weights):
        memberships = np.ascontiguousarray(drawn[:, n % drawn.shape[1]])
        scores = combine(memberships, each.tolist(), rules.rule, rules.order_weights, rules.alpha, rules.missing)
        share = np.where(np.isnan(scores), 0.0, cells.weight[part])
        values[n] = (share * np.nan_to_num(scores)).sum() / share.sum() if share.sum() > 0.0 else np.nan
    return values


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

    ranks.csv has the share of draws in which a parcel has each of the first ten ranks, the standard error of the first,
    then its central weights (the mean weights of the draws in which it is first) and how often it is first under them;
    both are empty for a parcel that never is, and the latter under rules that are not linear. wins.csv has how often
    the row's parcel ranks before the column's, ties half, of the foremost.

    Raises:
        UnderoakError: E501, E502 when disk or folder cannot be written.
    """
    import pandas as pd

    acceptability = order.ranks
    ranks = pd.DataFrame(acceptability.shares[:, :_MOST_RANKS]).rename(columns=lambda n: f"rank_{n + 1}")
    ranks["id"] = list(order.ids)
    ranks["first_error"] = order.first_error
    ranks["confidence"] = acceptability.confidence
    ranks[[f"central_{name}" for name in criteria]] = acceptability.central_weights
    foremost = [order.ids[int(n)] for n in acceptability.compared]
    wins = pd.DataFrame(acceptability.wins, columns=[f"before_{id}" for id in foremost]).assign(id=foremost)
    for name, table, columns in (("ranks.csv", ranks, RANKS), ("wins.csv", wins, WINS)):
        encoded = encode_table(arrange(table, columns), columns)
        write_safely(folder / name, partial(write_csv, table=encoded))
