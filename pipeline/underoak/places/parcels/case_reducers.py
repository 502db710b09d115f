"""The reducers for the parcels of one case, and their results."""

from __future__ import annotations

from dataclasses import dataclass

from underoak.engine.judge.recipe import Recipe
from underoak.engine.prepare.prepare import PreparedCase
from underoak.engine.storage.spool import Spool
from underoak.engine.workers.runner import reducer_result
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.cell_sample import Sample, SampledCells
from underoak.places.parcels.draws import ParcelDraws, ParcelDrawsReducer, draws_reducer, exact_draws
from underoak.places.parcels.parcel_sums import ParcelSums
from underoak.places.parcels.sums import ParcelSumsReducer
from underoak.plan.case import Case
from underoak.plan.keys.plan_keys import DRAWN_PURPOSES
from underoak.plan.plan import Plan
from underoak.uncertainty.draws.rank_sums import RankWeights


@dataclass(frozen=True, slots=True, eq=False)
class ParcelResults:
    """What the tiles say of the parcels in one case."""

    case: Case
    sums: ParcelSums
    cells: SampledCells
    draws: ParcelDraws | None  # None if nothing is drawn, and no verdict is asked for


@dataclass(frozen=True, slots=True, eq=False)
class ParcelReducers:
    """The reducers for the parcels of one case."""

    case: Case
    sums: ParcelSumsReducer
    cells: Sample
    draws: ParcelDrawsReducer | None
    n_exact: int = 0  # draws that are all the same, because no criterion is uncertain

    def results(self, spool: Spool) -> ParcelResults:
        """Return the results, from the parts that the tiles left."""
        draws = None if self.draws is None else reducer_result(spool, self.case, self.draws)
        sums, cells = (reducer_result(spool, self.case, self.sums), reducer_result(spool, self.case, self.cells))
        if self.n_exact:
            draws = exact_draws(sums, self.n_exact)
        return ParcelResults(self.case, sums, cells, draws)


def rank_weights(plan: Plan, draws: int, rank_draws: int) -> RankWeights:
    """Return the weights of a plan's joint draws of data and weights."""
    assert plan.uncertainty is not None
    names = [criterion.name for criterion in plan.criteria]
    return RankWeights.of(plan.weight_spread, names, draws, rank_draws, plan.uncertainty.seed)


def parcel_reducers(ready: PreparedCase, parcels: Parcels, recipe: Recipe) -> ParcelReducers:
    """Return the reducers for the parcels on the recipe's grid, by the criteria of one case."""
    plan, case_recipe = ready.plan, recipe.by_case[ready.case]
    sums = ParcelSumsReducer.of(
        parcels, recipe.grid, [criterion.name for criterion in plan.criteria], plan.rules, recipe.outline,
        [criterion.curve for criterion in plan.criteria], [constraint.name for constraint in plan.constraints],
        [criterion.layer for criterion in plan.criteria],
    )  # fmt: skip
    draws, n_exact, uncertainty = None, 0, case_recipe.uncertainty
    if uncertainty is not None and not uncertainty.layers:
        n_exact = uncertainty.draws if plan.purpose in DRAWN_PURPOSES else 0
    elif uncertainty is not None:
        layers = [criterion.layer for criterion in case_recipe.criteria]
        weights = rank_weights(plan, uncertainty.draws, uncertainty.rank_draws) if uncertainty.rank_draws else None
        draws = draws_reducer(parcels.ids, parcels.on(recipe.grid), layers, uncertainty, weights)
    return ParcelReducers(ready.case, sums, Sample.of(parcels, recipe.grid), draws, n_exact)
