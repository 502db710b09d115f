"""Loading of a plan: from a YAML file or mapping to a checked `Plan`, or to all its faults at once."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.case import PRESENT, SINGLE, Case
from underoak.plan.checks.assumed_errors import assume_errors
from underoak.plan.checks.criteria import CriterionInUse, merge_profile, resolve_units
from underoak.plan.checks.distance_limits import check_distance_limits
from underoak.plan.checks.idle_keys import check_idle_keys
from underoak.plan.checks.references import check_references
from underoak.plan.checks.scenario_layers import scenario_layers
from underoak.plan.checks.uncertainty import check_uncertainty
from underoak.plan.checks.weights import check_spread, order_weights, resolve_weights
from underoak.plan.keys.plan_keys import DRAWN_PURPOSES, PlanSpec
from underoak.plan.keys.uncertainty import UncertaintySpec
from underoak.plan.plan import Criterion, Plan
from underoak.plan.profiles.profile import Profile, load_profile, profile_names
from underoak.plan.reading.validation import Check, validate
from underoak.plan.reading.yaml import YamlDocument, read

# Replacements for broken parts while the other parts are checked.
_STAND_INS: dict[str, object] = {
    "format": 1,
    "title": "-",
    "purpose": "region",
    "region": {"bounds": [0, 0, 1, 1], "crs": "EPSG:3857", "cell": "1 m"},
    "layers": {"none": {"file": "-"}},
}


def load_plan(
    source: str | os.PathLike[str] | Mapping[str, Any], *, base: str | os.PathLike[str] = ".", strict: bool = False
) -> Plan:
    """Load a plan from a YAML file, merge it with its species profile, and check it. No data file is opened.

    `source` may also be a mapping of plain values; its relative file names then start at `base`. With `strict`,
    warnings count as errors.

    >>> plan = load_plan({
    ...     "format": 1, "title": "One hill", "purpose": "region", "species": ["tuber_melanosporum"],
    ...     "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
    ...     "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH*10"}, "slope": {"file": "s.tif", "unit": "degree"}},
    ... })
    >>> [(c.name, round(c.weight, 4)) for c in plan.criteria]
    [('ph', 0.7333), ('slope', 0.2667)]

    Raises:
        UnderoakError: with every fault, each at its line and column (E300 to E362, E202, E205, E226).
    """
    if isinstance(source, Mapping):
        document, path, folder = YamlDocument("plan", dict(source)), None, Path(base)
    else:
        document, path = read(source), Path(source)
        folder = path.parent
    check = Check(document)
    if not isinstance(document.value, dict):
        check.problems.stop_if_any()
    spec = validate(PlanSpec, check, _STAND_INS)
    plan = None if spec is None else _with_cases(spec, path, folder, check)
    check.problems.stop_if_any(strict)
    assert plan is not None, "a plan without faults is complete"
    return plan


def _with_cases(spec: PlanSpec, path: Path | None, folder: Path, check: Check) -> Plan | None:
    """Return the plan, with a plan for each of several species and scenarios; None if there is a fault."""
    _check_names(spec, check)
    if spec.uncertainty is None and spec.purpose in DRAWN_PURPOSES and not check.is_broken(("uncertainty",)):
        spec = spec.model_copy(update={"uncertainty": UncertaintySpec()})
    if len(spec.species) <= 1 and not spec.scenarios:
        plan = _resolve(spec, path, folder, check)
        return None if plan is None else _of_case(plan, "")
    plans: list[Plan] = []
    for n, species in enumerate(spec.species or ("",)):
        species_folder = species if len(spec.species) > 1 else ""  # a single species has no folder of its own
        species_spec = spec.model_copy(update={"species": (species,) if species else (), "scenarios": ()})
        plan = _resolve(species_spec, path, folder, check, n, spec.species)
        if plan is not None:
            plans.append(_of_case(plan, species_folder or PRESENT))
        for k, scenario in enumerate(spec.scenarios):
            layers = scenario_layers(spec.layers, scenario, ("scenarios", k), check)
            scenario_spec = species_spec.model_copy(update={"layers": layers})
            plan = _resolve(scenario_spec, path, folder, check, n, spec.species)
            if plan is not None:
                case_folder = "/".join(part for part in (species_folder, "scenarios", scenario.name) if part)
                plans.append(_of_case(plan, case_folder, scenario.name))
    if check.problems.faults or not plans:
        return None
    warnings = tuple(check.problems.warnings)
    return replace(plans[0], spec=spec, case=SINGLE, case_plans=tuple(plans), warnings=warnings)


def _of_case(plan: Plan, folder: str, scenario: str = "") -> Plan:
    """Return the plan with the case it is about."""
    latin = plan.profile.latin if plan.profile else ""
    return replace(plan, case=Case(folder, plan.species or "", scenario, latin))


def _check_names(spec: PlanSpec, check: Check) -> None:
    for section, names in (("species", spec.species), ("scenarios", [s.name for s in spec.scenarios])):
        for n, name in enumerate(names):
            if name in names[:n]:
                check.add_fault("E304", f'"{name}" is named twice', (section, n), "name it once")


def _resolve(
    spec: PlanSpec, path: Path | None, folder: Path, check: Check, i_species: int = 0, all_species: Sequence[str] = ()
) -> Plan | None:
    """Return the plan of one species in one scenario; None if there is a fault.

    `i_species` is the index of the species in the plan, `all_species` all that the plan names.
    """
    from underoak.overlay import Rules

    check_references(spec, check)
    profile = _profile(spec, check, i_species, all_species)
    in_use, not_judged = merge_profile(spec, profile, check)
    errors = assume_errors(spec, resolve_units(spec, in_use, check), in_use, profile, check)
    layers = errors.layers
    check_uncertainty(spec, layers, check)
    check_idle_keys(spec, in_use, check)
    check_distance_limits(spec, layers, check)
    weights, pairwise = resolve_weights(spec, in_use, profile, check)
    by_order = None if weights is None else order_weights(spec, weights, check)
    if weights is not None:
        check_spread(spec, [criterion.name for criterion in in_use], weights, check)
    if check.problems.faults or weights is None:
        return None
    rules = Rules(
        weights=weights,
        rule=spec.combine.rule,
        order_weights=by_order,
        alpha=spec.combine.alpha,
        missing=spec.combine.missing,
        cuts=spec.classes.cuts,
        cap=spec.classes.cap,
        essential=tuple(i for i, criterion in enumerate(in_use) if criterion.is_essential),
    )
    criteria = tuple(_criterion(each, weight, spec) for each, weight in zip(in_use, weights, strict=True))
    warnings = tuple(check.problems.warnings)
    return Plan(spec, folder, path, profile, layers, criteria, not_judged, rules, pairwise, warnings, errors=errors)


def _criterion(in_use: CriterionInUse, weight: float, spec: PlanSpec) -> Criterion:
    is_direct = spec.weights is not None and spec.weights.direct is not None
    is_stated = spec.weights is None or (is_direct and in_use.has_plan_weight)
    return Criterion(
        name=in_use.name,
        label=in_use.label,
        layer=in_use.layer,
        unit=in_use.unit,
        spec=in_use.curve,
        curve=in_use.curve.curve(),
        weight=weight,
        remedy=in_use.remedy,
        source=in_use.source,
        stated_weight=in_use.weight if is_stated else None,
        is_from_profile=in_use.is_from_profile,
        remedy_source=in_use.remedy_source,
        is_soil=in_use.is_soil,
        is_essential=in_use.is_essential,
        essential_source=in_use.essential_source,
        grade=in_use.grade,
    )


def _profile(spec: PlanSpec, check: Check, i_species: int, all_species: Sequence[str]) -> Profile | None:
    """Return the profile of the plan's species, and check the hosts (E332)."""
    if not spec.species:
        if spec.hosts and not check.is_broken(("species",)):
            check.add_fault("E332", "`hosts` needs `species`, and the plan has none", ("hosts",), "add `species`")
        return None
    try:
        profile = load_profile(spec.species[0])
    except UnderoakError as error:
        check.add_error(error, ("species", i_species))
        check.mark_broken(("species", i_species))
        return None
    owner, known = profile.latin, [host.name for host in profile.hosts]
    if len(all_species) > 1:  # each host needs only one of the species
        owner = "any species of the plan"
        hosts_by_species = [load_profile(name).hosts for name in all_species if name in profile_names()]
        known = list(dict.fromkeys(host.name for hosts in hosts_by_species for host in hosts))
    for n, host in enumerate(spec.hosts):
        if host not in known and i_species == 0:
            fix = did_you_mean(host, known, "known: " + ", ".join(known))
            check.add_fault("E332", f'"{host}" is not a host of {owner}', ("hosts", n), fix)
    return profile
