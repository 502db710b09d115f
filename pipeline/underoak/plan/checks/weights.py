"""Weights of the criteria in use: direct, ranked, pairwise, or those of the species profile."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from underoak.base.errors import UnderoakError, count_of, did_you_mean
from underoak.plan.checks.criteria import CriterionInUse, weighted_names
from underoak.plan.keys.overlay import WeightsSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.profiles.profile import Profile
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import KeyPath

if TYPE_CHECKING:
    from underoak.overlay.pairwise import PairwiseResult
    from underoak.uncertainty.draws.weight_draws import WeightDistribution

MAX_INCONSISTENCY = 0.10
DEFAULT_STRENGTH = 40.0  # of the Dirichlet distribution of weights; common practice, no source
_TOLERANCE = 1e-9


def resolve_weights(
    spec: PlanSpec, criteria: Sequence[CriterionInUse], profile: Profile | None, check: Check
) -> tuple[tuple[float, ...] | None, PairwiseResult | None]:
    """Return the weights of the criteria, with sum 1, and the pairwise result; None if a fault prevents it.

    An essential criterion that the plan's weights do not name has the weight 0.

    Faults: E311 to E315. Warning: W311 if the plan's weights do not add up to 1.
    """
    weights = spec.weights
    named = weighted_names(check.document.value.get("weights"))
    unnamed = [named is not None and c.is_essential and not c.has_plan_weight and c.name not in named for c in criteria]
    if any(unnamed):
        rest = [criterion for criterion, is_unnamed in zip(criteria, unnamed, strict=True) if not is_unnamed]
        of_rest, pairwise = resolve_weights(spec, rest, profile, check)
        if of_rest is None:
            return None, None
        remaining = iter(of_rest)
        return tuple(0.0 if is_unnamed else next(remaining) for is_unnamed in unnamed), pairwise
    if not criteria or check.is_broken(("species",)) or ("layers",) in check.broken:
        return None, None  # the criteria themselves are not known
    if weights is None and check.is_broken(("weights",)):
        return None, None
    if weights is None:
        return _stated_weights(criteria, profile, check), None
    known = _Known.of(criteria, profile)
    if weights.direct is None:
        for criterion in criteria:
            if criterion.has_plan_weight:
                what = "a criterion cannot have a weight beside ranked or pairwise weights"
                check.add_fault("E315", what, ("criteria", criterion.name, "weight"), "remove it")
    if weights.direct is not None:
        return _direct_weights(weights.direct, criteria, known, check), None
    if weights.ranked is not None:
        return _ranked_weights(weights.ranked, criteria, known, check), None
    return _pairwise_weights(weights, criteria, known, check)


@dataclass(frozen=True)
class _Known:
    """The names of criteria that weights may mean, and the species that they are about."""

    names: tuple[str, ...]
    of_species: frozenset[str]  # those of the species profile
    latin: str  # "" without a profile

    @classmethod
    def of(cls, criteria: Sequence[CriterionInUse], profile: Profile | None) -> _Known:
        of_profile = tuple(profile.criteria) if profile else ()
        names = tuple(dict.fromkeys([*(criterion.name for criterion in criteria), *of_profile]))
        return cls(names, frozenset(of_profile), profile.latin if profile else "")

    def words(self, name: str) -> str:
        """Return the name in quotes, with its species if it is a criterion of the profile."""
        return f'"{name}"' + (f" of {self.latin}" if name in self.of_species else "")

    @property
    def for_species(self) -> str:
        """The species, for a name that it does not have."""
        return f" for {self.latin}" if self.latin else ""


def weight_spread(spec: PlanSpec, names: Sequence[str], weights: Sequence[float]) -> WeightDistribution:
    """Return the distribution of the weights. Default: Dirichlet around them, with a strength of 40.

    Raises:
        UnderoakError: E361 bounds that no weights satisfy.
    """
    from underoak.uncertainty.draws.weight_draws import WeightDistribution

    spread = spec.weights.spread if spec.weights is not None else None
    if spread is not None and spread.kind == "bounded":
        bounds = spread.bounds or {}
        each = [bounds.get(name, (0.0, 1.0)) for name in names]
        return WeightDistribution.bounded([low for low, _ in each], [high for _, high in each])
    if spread is not None and spread.kind == "uniform":
        return WeightDistribution.uniform(len(names))
    if spread is not None and spread.kind == "ranked":
        return WeightDistribution.ranked([sum(other > weight + _TOLERANCE for other in weights) for weight in weights])
    strength = spread.strength if spread is not None else None
    return WeightDistribution.dirichlet(weights, DEFAULT_STRENGTH if strength is None else strength)


def check_spread(spec: PlanSpec, names: Sequence[str], weights: Sequence[float], check: Check) -> None:
    """Report bounds of criteria that are not in use, and bounds that no weights satisfy."""
    key_path: KeyPath = ("weights", "spread")
    bounds = (spec.weights.spread.bounds if spec.weights is not None and spec.weights.spread else None) or {}
    for name in bounds:
        if name not in names:
            fix = did_you_mean(name, names, "give bounds of criteria in use only")
            check.add_fault("E315", f'"{name}" is not a criterion in use', (*key_path, "bounds", name), fix, key=True)
    try:
        weight_spread(spec, names, weights)
    except UnderoakError as error:
        check.add_error(error, key_path)


def order_weights(spec: PlanSpec, weights: Sequence[float], check: Check) -> tuple[float, ...] | None:
    """Return the order weights, with sum 1; None if the plan has none, or they are wrong (E316)."""
    by_order = spec.combine.order_weights
    if by_order is None:
        return None
    key_path: KeyPath = ("combine", "order_weights")
    if len(by_order) != len(weights):
        what = (
            f"there are {count_of(len(by_order), 'order weight')} for {count_of(len(weights), 'criterion', 'criteria')}"
        )
        check.add_fault("E316", what, key_path, "give one for each criterion in use")
    if len(set(weights)) > 1 and max(weights) - min(weights) > _TOLERANCE:
        fix = "give every criterion the same weight, or use `alpha` instead"
        check.add_fault("E316", "with order weights, the weights of the criteria must be equal", key_path, fix)
    return _normalised(by_order, key_path, check)


def _stated_weights(
    criteria: Sequence[CriterionInUse], profile: Profile | None, check: Check
) -> tuple[float, ...] | None:
    """Return the weights that the plan or the profile states with each criterion; equal ones if none does."""
    stated = [criterion.weight for criterion in criteria]
    if all(weight is None for weight in stated):
        return tuple(1.0 / len(criteria) for _ in criteria)
    for criterion in criteria:
        if criterion.weight is None:
            fix = "add `weight`; the other criteria have one"
            what = f"{_Known.of(criteria, profile).words(criterion.name)} has no weight"
            check.add_fault("E315", what, ("criteria", criterion.name), fix, key=True)
    known = [weight for weight in stated if weight is not None]
    if len(known) < len(stated):
        return None
    return _normalised(known, ("criteria",), check, warns=profile is None)


def _direct_weights(
    direct: Mapping[str, float], criteria: Sequence[CriterionInUse], known: _Known, check: Check
) -> tuple[float, ...] | None:
    key_path: KeyPath = ("weights", "direct")
    by_name = dict(direct)
    for criterion in criteria:
        if criterion.has_plan_weight and criterion.weight is not None:
            if criterion.name in direct:
                what = f'"{criterion.name}" has two weights, here and under `weights`'
                check.add_fault("E315", what, ("criteria", criterion.name, "weight"), "keep one of them")
            by_name[criterion.name] = criterion.weight
    _check_names([(name, (*key_path, name)) for name in by_name], criteria, known, key_path, check)
    weights = [by_name[criterion.name] for criterion in criteria if criterion.name in by_name]
    return _normalised(weights, key_path, check) if len(weights) == len(criteria) else None


def _ranked_weights(
    names: Sequence[str], criteria: Sequence[CriterionInUse], known: _Known, check: Check
) -> tuple[float, ...] | None:
    from underoak.overlay.weights import rank_order_centroid

    key_path: KeyPath = ("weights", "ranked")
    for n, name in enumerate(names):
        if name in names[:n]:
            check.add_fault("E315", f'"{name}" is ranked twice', (*key_path, n), "keep one of them")
    _check_names([(name, (*key_path, n)) for n, name in enumerate(names)], criteria, known, key_path, check)
    if sorted(names) != sorted(criterion.name for criterion in criteria):
        return None
    by_rank = dict(zip(names, rank_order_centroid(len(names)), strict=True))
    return tuple(by_rank[criterion.name] for criterion in criteria)


def _pairwise_weights(
    weights: WeightsSpec, criteria: Sequence[CriterionInUse], known: _Known, check: Check
) -> tuple[tuple[float, ...] | None, PairwiseResult | None]:
    from underoak.overlay.pairwise import check_consistency, pairwise_from_ratios

    key_path: KeyPath = ("weights", "pairwise")
    pairs = weights.pairwise or ()
    names = [criterion.name for criterion in criteria]
    unknown = {name for a, b, _ in pairs for name in (a, b) if name not in names}
    for n, (a, b, _) in enumerate(pairs):
        for m, name in enumerate((a, b)):
            if name in unknown:
                _report_unknown(name, known, (*key_path, n, m), check)
    bound = MAX_INCONSISTENCY if weights.max_inconsistency is None else weights.max_inconsistency
    try:
        result = check_consistency(pairwise_from_ratios([*names, *sorted(unknown)], pairs), bound)
    except UnderoakError as error:
        indices = {f"pair {a}, {b}": n for n, (a, b, _) in enumerate(pairs)}
        for fault in error.faults:
            place = (*key_path, indices[fault.where]) if fault.where in indices else key_path
            if fault.code == "E314" or not (unknown or check.is_broken(("criteria",))):
                check.add_fault(fault.code, fault.what, place, fault.fix)
        return None, None
    return (None, None) if unknown else (result.weights, result)


def _check_names(
    weighted: Sequence[tuple[str, KeyPath]],
    criteria: Sequence[CriterionInUse],
    known: _Known,
    key_path: KeyPath,
    check: Check,
) -> None:
    """Report weights of criteria that are not in use, and criteria in use without a weight (E315)."""
    names = [criterion.name for criterion in criteria]
    for name, place in weighted:
        if name not in names:
            _report_unknown(name, known, place, check)
    for name in names:
        if all(name != other for other, _ in weighted) and not check.is_broken((*key_path, name)):
            fix = f'add it, or switch it off with "criteria: {{{name}: off}}"'
            check.add_fault("E315", f"the criterion {known.words(name)} has no weight", key_path, fix)


def _report_unknown(name: str, known: _Known, key_path: KeyPath, check: Check) -> None:
    if not check.is_broken(("criteria", name)):  # else it is in the plan, with a fault of its own
        fix = did_you_mean(name, known.names, "give weights to criteria in use only")
        what = f'"{name}" is not a criterion in use{known.for_species}'
        check.add_fault("E315", what, key_path, fix, key=key_path[-2] == "direct")


def _normalised(
    weights: Sequence[float], key_path: KeyPath, check: Check, *, warns: bool = True
) -> tuple[float, ...] | None:
    """Return the weights divided by their sum; warn (W311) if it is not 1."""
    from underoak.overlay.weights import normalise

    if not weights or check.is_broken(key_path):
        return None
    try:
        normalised = normalise(weights)
    except UnderoakError as error:
        check.add_error(error, key_path)
        return None
    total = math.fsum(weights)
    if warns and abs(total - 1.0) > _TOLERANCE:
        what = f"the weights add up to {total:g} and were divided by it"
        check.problems.add("W311", what, check.document.where(key_path), "change them to add up to 1")
    return normalised
