"""From a file, or a mapping, to a plan that can be run; or to every fault in it at once."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.checks.criteria import CriterionInUse, merge_profile, settle_units
from underoak.plan.checks.distance_limits import check_reach
from underoak.plan.checks.references import check_references
from underoak.plan.checks.scenario_layers import scenario_layers
from underoak.plan.checks.uncertainty import check_uncertainty
from underoak.plan.checks.weights import check_spread, order_weights, resolve_weights
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.plan import PRESENT, Case, Criterion, Plan
from underoak.plan.profiles.profile import Profile, load_profile, profile_names
from underoak.plan.reading.validation import Check, checked
from underoak.plan.reading.yaml import Written, read

# What stands in for a broken part while the others are checked.
_STAND_INS: dict[str, Any] = {
    "format": 1,
    "title": "-",
    "purpose": "region",
    "region": {"bounds": [0, 0, 1, 1], "crs": "EPSG:3857", "cell": "1 m"},
    "layers": {"none": {"file": "-"}},
}


def load_plan(
    source: str | os.PathLike[str] | Mapping[str, Any], *, base: str | os.PathLike[str] = ".", strict: bool = False
) -> Plan:
    """The plan in a YAML file, joined with its species profile, weighed and checked. No data file is opened.

    A mapping of plain values is taken too; its relative file names then start at `base`. Under `strict` a warning stops
    as a fault does.

    >>> plan = load_plan({
    ...     "format": 1, "title": "One hill", "purpose": "region", "species": ["tuber_melanosporum"],
    ...     "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
    ...     "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH*10"}, "slope": {"file": "s.tif", "unit": "degree"}},
    ... })
    >>> [(c.name, round(c.weight, 4)) for c in plan.criteria]
    [('ph', 0.7222), ('slope', 0.2778)]

    Raises:
        UnderoakError: with every fault, each at its line and column (E300 to E350, E202, E205, E226).
    """
    if isinstance(source, Mapping):
        written, path, folder = Written("plan", dict(source)), None, Path(base)
    else:
        written, path = read(source), Path(source)
        folder = path.parent
    check = Check(written)
    if not isinstance(written.value, dict):
        check.problems.stop_if_any()
    spec = checked(PlanSpec, check, _STAND_INS)
    plan = None if spec is None else _with_views(spec, path, folder, check)
    check.problems.stop_if_any(strict)
    assert plan is not None, "a plan without faults is complete"
    return plan


def _with_views(spec: PlanSpec, path: Path | None, folder: Path, check: Check) -> Plan | None:
    """The plan, and one more for each further species and each scenario."""
    _check_names(spec, check)
    if len(spec.species) <= 1 and not spec.scenarios:
        return _resolve(spec, path, folder, check)
    views: list[Case] = []
    for n, species in enumerate(spec.species or ("",)):
        place = species if len(spec.species) > 1 else ""  # a single one has the run folder's own `scenarios`
        own = spec.model_copy(update={"species": (species,) if species else (), "scenarios": ()})
        made = _resolve(own, path, folder, check, n, spec.species)
        if made is not None:
            views.append(Case(place or PRESENT, species, "", made))
        for k, scenario in enumerate(spec.scenarios):
            layers = scenario_layers(spec.layers, scenario, ("scenarios", k), check)
            made = _resolve(own.model_copy(update={"layers": layers}), path, folder, check, n, spec.species)
            if made is not None:
                where = "/".join(part for part in (place, "scenarios", scenario.name) if part)
                views.append(Case(where, species, scenario.name, made))
    if check.problems.faults or not views:
        return None
    return replace(views[0].plan, spec=spec, views=tuple(views), warnings=tuple(check.problems.warnings))


def _check_names(spec: PlanSpec, check: Check) -> None:
    for section, names in (("species", spec.species), ("scenarios", [s.name for s in spec.scenarios])):
        for n, name in enumerate(names):
            if name in names[:n]:
                check.fault("E304", f'"{name}" is named twice', (section, n), "name it once")


def _resolve(
    spec: PlanSpec, path: Path | None, folder: Path, check: Check, place: int = 0, every: Sequence[str] = ()
) -> Plan | None:
    """One species in one future; `place` is the species' own in the plan, `every` all that the plan names."""
    from underoak.overlay import Rules

    check_references(spec, check)
    check_uncertainty(spec, check)
    profile = _profile(spec, check, place, every)
    joined, not_judged = merge_profile(spec, profile, check)
    layers = settle_units(spec, joined, check)
    check_reach(spec, layers, check)
    weights, pairwise = resolve_weights(spec, joined, profile, check)
    by_order = None if weights is None else order_weights(spec, weights, check)
    if weights is not None:
        check_spread(spec, [j.name for j in joined], weights, check)
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
    )
    keeps_weights = spec.weights is None or spec.weights.direct is not None
    criteria = tuple(_criterion(j, weight, spec, keeps_weights) for j, weight in zip(joined, weights, strict=True))
    warnings = tuple(check.problems.warnings)
    return Plan(spec, folder, path, profile, layers, criteria, not_judged, rules, pairwise, warnings)


def _criterion(joined: CriterionInUse, weight: float, spec: PlanSpec, keeps_weights: bool) -> Criterion:
    is_direct = spec.weights is not None
    stated = joined.weight if keeps_weights and (joined.has_own_weight or not is_direct) else None
    return Criterion(
        name=joined.name,
        label=joined.label,
        layer=joined.layer,
        unit=joined.unit,
        spec=joined.curve,
        curve=joined.curve.curve(),
        weight=weight,
        remedy=joined.remedy,
        source=joined.source,
        stated_weight=stated,
        is_from_profile=joined.is_from_profile,
        remedy_source=joined.remedy_source,
    )


def _profile(spec: PlanSpec, check: Check, place: int, every: Sequence[str] = ()) -> Profile | None:
    if not spec.species:
        if spec.hosts and not check.is_broken(("species",)):
            check.fault("E332", "hosts are those of a species, and the plan names none", ("hosts",), "add `species`")
        return None
    try:
        profile = load_profile(spec.species[0])
    except UnderoakError as error:
        check.add_error(error, ("species", place))
        check.lose(("species", place))
        return None
    whose, known = profile.latin, [host.name for host in profile.hosts]
    if len(every) > 1:  # a host of one of them is enough: the others make no pair with it
        whose = "any species of the plan"
        others = [load_profile(name).hosts for name in every if name in profile_names()]
        known = list(dict.fromkeys(host.name for hosts in others for host in hosts))
    for n, host in enumerate(spec.hosts):
        if host not in known and place == 0:
            fix = did_you_mean(host, known, "known: " + ", ".join(known))
            check.fault("E332", f'"{host}" is not a host of {whose}', ("hosts", n), fix)
    return profile
