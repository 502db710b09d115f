"""Weighs the criteria in use: directly, by rank, by pairs, or as the species profile says."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from underoak.base.errors import UnderoakError, count_of, did_you_mean
from underoak.plan.checks.criteria import CriterionInUse
from underoak.plan.keys.plan_keys import PlanSpec, WeightsSpec
from underoak.plan.profiles.profile import Profile
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import Keys

if TYPE_CHECKING:
    from underoak.overlay.pairwise import PairwiseResult
    from underoak.uncertainty.draws.weight_draws import WeightDistribution

MOST_INCONSISTENT = 0.10
STRENGTH = 40.0  # of weights nobody says more of; common practice, no source
_TO_ONE = 1e-9


def resolve_weights(
    spec: PlanSpec, joined: Sequence[CriterionInUse], profile: Profile | None, check: Check
) -> tuple[tuple[float, ...] | None, PairwiseResult | None]:
    """Weights of the criteria, adding up to 1, and how pairs led to them; None where a fault stands in the way."""
    weights = spec.weights
    if not joined or check.is_broken(("species",)) or ("layers",) in check.broken:
        return None, None  # which criteria there are has to be mended first
    if weights is None and check.is_broken(("weights",)):
        return None, None
    if weights is None:
        return _stated(joined, profile, check), None
    known = [*dict.fromkeys([*(c.name for c in joined), *(profile.criteria if profile else ())])]
    if weights.direct is None:
        for criterion in joined:
            if criterion.has_own_weight:
                what = "a weight of its own cannot stand beside ranked or pairwise weights"
                check.fault("E315", what, ("criteria", criterion.name, "weight"), "leave it out")
    if weights.direct is not None:
        return _direct(weights.direct, joined, known, check), None
    if weights.ranked is not None:
        return _ranked(weights.ranked, joined, known, check), None
    return _pairwise(weights, joined, known, check)


def weight_spread(spec: PlanSpec, names: Sequence[str], weights: Sequence[float]) -> WeightDistribution:
    """How far the weights of the criteria are in doubt; around them with a strength of 40 when the plan says nothing.

    Raises:
        UnderoakError: E361 bounds that no weights keep.
    """
    from underoak.uncertainty.draws.weight_draws import WeightDistribution

    said = spec.weights.spread if spec.weights is not None else None
    if said is not None and said.kind == "bounded":
        bounds = said.bounds or {}
        each = [bounds.get(name, (0.0, 1.0)) for name in names]
        return WeightDistribution.bounded([low for low, _ in each], [high for _, high in each])
    if said is not None and said.kind == "uniform":
        return WeightDistribution.uniform(len(names))
    if said is not None and said.kind == "ranked":
        return WeightDistribution.ranked([sum(other > own + _TO_ONE for other in weights) for own in weights])
    strength = said.strength if said is not None else None
    return WeightDistribution.dirichlet(weights, STRENGTH if strength is None else strength)


def check_spread(spec: PlanSpec, names: Sequence[str], weights: Sequence[float], check: Check) -> None:
    """Tell bounds of criteria that are not in use, and such as no weights keep."""
    way: Keys = ("weights", "spread")
    bounds = (spec.weights.spread.bounds if spec.weights is not None and spec.weights.spread else None) or {}
    for name in bounds:
        if name not in names:
            fix = did_you_mean(name, names, "bound only criteria in use")
            check.fault("E315", f'"{name}" is not a criterion in use', (*way, "bounds", name), fix, key=True)
    try:
        weight_spread(spec, names, weights)
    except UnderoakError as error:
        check.add_error(error, way)


def order_weights(spec: PlanSpec, weights: Sequence[float], check: Check) -> tuple[float, ...] | None:
    """Weights by order of membership, adding up to 1; None when the plan has none, or has them wrong."""
    given = spec.combine.order_weights
    if given is None:
        return None
    way: Keys = ("combine", "order_weights")
    if len(given) != len(weights):
        what = f"{count_of(len(given), 'order weight')} for {count_of(len(weights), 'criterion', 'criteria')}"
        check.fault("E316", what, way, "give one for each criterion in use")
    if len(set(weights)) > 1 and max(weights) - min(weights) > _TO_ONE:
        fix = "give every criterion the same weight, or use `alpha` instead"
        check.fault("E316", "with order weights, the criteria's own weights must be equal", way, fix)
    return _to_one(given, way, check)


def _stated(joined: Sequence[CriterionInUse], profile: Profile | None, check: Check) -> tuple[float, ...] | None:
    """By what each criterion states, the profile or the plan; equal when none does."""
    stated = [criterion.weight for criterion in joined]
    if all(weight is None for weight in stated):
        return tuple(1.0 / len(joined) for _ in joined)
    for criterion in joined:
        if criterion.weight is None:
            fix = "add `weight`, as the others have one"
            check.fault("E315", f'"{criterion.name}" has no weight', ("criteria", criterion.name), fix, key=True)
    given = [weight for weight in stated if weight is not None]
    if len(given) < len(stated):
        return None
    return _to_one(given, ("criteria",), check, is_told=profile is None)


def _direct(
    given: Mapping[str, float], joined: Sequence[CriterionInUse], known: Sequence[str], check: Check
) -> tuple[float, ...] | None:
    way: Keys = ("weights", "direct")
    found = dict(given)
    for criterion in joined:
        if criterion.has_own_weight and criterion.weight is not None:
            if criterion.name in given:
                what = f'"{criterion.name}" is weighed twice, here and under `weights`'
                check.fault("E315", what, ("criteria", criterion.name, "weight"), "keep one of them")
            found[criterion.name] = criterion.weight
    _same_names([(name, (*way, name)) for name in found], joined, known, way, check)
    weights = [found[criterion.name] for criterion in joined if criterion.name in found]
    return _to_one(weights, way, check) if len(weights) == len(joined) else None


def _ranked(
    names: Sequence[str], joined: Sequence[CriterionInUse], known: Sequence[str], check: Check
) -> tuple[float, ...] | None:
    from underoak.overlay.weights import rank_order_centroid

    way: Keys = ("weights", "ranked")
    for n, name in enumerate(names):
        if name in names[:n]:
            check.fault("E315", f'"{name}" is ranked twice', (*way, n), "keep one of them")
    _same_names([(name, (*way, n)) for n, name in enumerate(names)], joined, known, way, check)
    if sorted(names) != sorted(criterion.name for criterion in joined):
        return None
    by_rank = dict(zip(names, rank_order_centroid(len(names)), strict=True))
    return tuple(by_rank[criterion.name] for criterion in joined)


def _pairwise(
    weights: WeightsSpec, joined: Sequence[CriterionInUse], known: Sequence[str], check: Check
) -> tuple[tuple[float, ...] | None, PairwiseResult | None]:
    from underoak.overlay.pairwise import check_consistency, pairwise_from_ratios

    way: Keys = ("weights", "pairwise")
    pairs = weights.pairwise or ()
    names = [criterion.name for criterion in joined]
    strange = {name for a, b, _ in pairs for name in (a, b) if name not in names}
    for n, (a, b, _) in enumerate(pairs):
        for m, name in enumerate((a, b)):
            if name in strange:
                _unknown(name, known, (*way, n, m), check)
    bound = MOST_INCONSISTENT if weights.max_inconsistency is None else weights.max_inconsistency
    try:
        found = check_consistency(pairwise_from_ratios([*names, *sorted(strange)], pairs), bound)
    except UnderoakError as error:
        places = {f"pair {a}, {b}": n for n, (a, b, _) in enumerate(pairs)}
        for fault in error.faults:
            here = (*way, places[fault.where]) if fault.where in places else way
            if fault.code == "E314" or not (strange or check.is_broken(("criteria",))):
                check.fault(fault.code, fault.what, here, fault.fix)
        return None, None
    return (None, None) if strange else (found.weights, found)


def _same_names(
    given: Sequence[tuple[str, Keys]], joined: Sequence[CriterionInUse], known: Sequence[str], way: Keys, check: Check
) -> None:
    """Tell names that are not criteria in use, and criteria in use that are not named."""
    names = [criterion.name for criterion in joined]
    for name, place in given:
        if name not in names:
            _unknown(name, known, place, check)
    for name in names:
        if all(name != other for other, _ in given) and not check.is_broken((*way, name)):
            fix = f'add it, or switch it off with "criteria: {{{name}: off}}"'
            check.fault("E315", f'the criterion "{name}" has no weight', way, fix)


def _unknown(name: str, known: Sequence[str], way: Keys, check: Check) -> None:
    if not check.is_broken(("criteria", name)):  # else it is there, and told as faulty
        fix = did_you_mean(name, known, "weigh only criteria in use")
        check.fault("E315", f'"{name}" is not a criterion in use', way, fix, key=way[-2] == "direct")


def _to_one(weights: Sequence[float], way: Keys, check: Check, *, is_told: bool = True) -> tuple[float, ...] | None:
    """Weights divided by their sum, which is told when it is not 1."""
    from underoak.overlay.weights import normalise

    if not weights or check.is_broken(way):
        return None
    try:
        found = normalise(weights)
    except UnderoakError as error:
        check.add_error(error, way)
        return None
    total = math.fsum(weights)
    if is_told and abs(total - 1.0) > _TO_ONE:
        what = f"weights add up to {total:g} and were divided by it"
        check.problems.add("W311", what, check.written.where(way), "let them add up to 1")
    return found
