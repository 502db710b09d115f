"""Criteria in use: those of the plan and of the species profile, merged key by key; the plan has priority."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from underoak.base import units
from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.keys.constraints import LayerConstraint
from underoak.plan.keys.criteria import CriterionSpec, RemedySpec
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.quantities import check_conversion
from underoak.plan.profiles.profile import Profile, ProfileCriterion
from underoak.plan.reading.faults import SOURCE_FIX
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import KeyPath


@dataclass(frozen=True, slots=True)
class CriterionInUse:
    """A criterion in use, before the weights are resolved."""

    name: str
    label: str
    layer: str
    unit: str
    quantity: str | None  # the profile's, where the unit does not tell it
    curve: CurveSpec
    remedy: RemedySpec | None
    remedy_source: str
    source: str
    grade: str  # of the curve's numbers, A to C; "" where they are the plan's own
    weight: float | None  # the plan's, or else the profile's
    has_plan_weight: bool
    is_from_profile: bool
    is_soil: bool | None  # as the profile declares it; None without a profile's criterion
    is_essential: bool
    essential_source: str  # citation for being essential, or for not being so against the profile; "" without one


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A criterion of the profile that is not in use, with the reason."""

    name: str
    label: str
    reason: str
    is_essential: bool = False  # no class should be above this criterion's own, and nobody looked at it

    def __iter__(self) -> Iterator[str]:
        """Yield name and reason, so that several of them make a dict."""
        return iter((self.name, self.reason))

    def __str__(self) -> str:
        return f"{self.label}{', essential' if self.is_essential else ''}: {self.reason}"


def merge_profile(
    spec: PlanSpec, profile: Profile | None, check: Check
) -> tuple[tuple[CriterionInUse, ...], tuple[NotJudged, ...]]:
    """Return the criteria in use, those of the plan first, and those of the profile that are not in use.

    An essential criterion with a layer is in use even if the plan's weights do not name it, or the profile gives it the
    weight 0: its weight is then 0. Of those not in use, the essential ones come first.

    Faults: E331, E333, E334, E336, and those of a remedy.
    """
    if check.is_broken(("species",)):
        for name, entry in spec.criteria.items():
            if isinstance(entry, CriterionSpec) and entry.layer is not None:
                check.require_layer(entry.layer, ("criteria", name, "layer"))
        return (), ()  # the profile, which is not known, may complete the criteria
    remaining = dict(profile.criteria) if profile else {}
    in_use: list[CriterionInUse] = []
    not_judged: list[NotJudged] = []
    for name, entry in spec.criteria.items():
        from_profile = remaining.pop(name, None)
        if isinstance(entry, CriterionSpec):
            in_use.extend(_merge(name, entry, from_profile, spec, check))
        elif from_profile is not None:
            not_judged.append(NotJudged(name, from_profile.label, "switched off in the plan", from_profile.essential))
        else:
            fix = did_you_mean(name, profile.criteria if profile else (), "remove it")
            check.add_fault("E333", f'no profile has a criterion "{name}" to switch off', ("criteria", name), fix)
            check.mark_broken(("criteria", name))
    weighted = weighted_names(check.document.value.get("weights"))
    for name, from_profile in remaining.items():
        if check.is_broken(("criteria", name)):
            continue  # the plan's entry is broken, and reported
        if from_profile.layer not in check.names("layers"):
            reason = f'the plan has no layer "{from_profile.layer}"'
            not_judged.append(NotJudged(name, from_profile.label, reason, from_profile.essential))
        elif from_profile.essential:
            in_use.extend(_merge(name, CriterionSpec(), from_profile, spec, check))
        elif weighted is not None and name not in weighted:
            not_judged.append(NotJudged(name, from_profile.label, "the plan's weights do not name it"))
        elif weighted is None and from_profile.weight == 0:
            reason = f"its weight in the profile is 0: {from_profile.weight_reason}"
            not_judged.append(NotJudged(name, from_profile.label, reason))
        else:
            in_use.extend(_merge(name, CriterionSpec(), from_profile, spec, check))
    if not in_use and ("layers",) not in check.broken:
        fix = "add criteria, or layers named as in the profile" if profile else "add criteria"
        check.add_fault("E333", "no criterion has a layer, so nothing can be judged", ("criteria",), fix)
    return tuple(in_use), tuple(sorted(not_judged, key=lambda item: not item.is_essential))


def weighted_names(weights: object) -> set[str] | None:
    """Return the criteria that `weights` of the document names, valid or not; None without weights."""
    if not isinstance(weights, Mapping):
        return None
    pairs = [pair for pair in _items(weights.get("pairwise")) if isinstance(pair, list | tuple)]
    names = [name for pair in pairs for name in pair[:2]]
    return {str(name) for name in [*names, *_items(weights.get("direct")), *_items(weights.get("ranked"))]}


def _items(value: object) -> list[object]:
    return list(value) if isinstance(value, Mapping | list | tuple) else []


def _merge(
    name: str, entry: CriterionSpec, from_profile: ProfileCriterion | None, spec: PlanSpec, check: Check
) -> list[CriterionInUse]:
    """Return the criterion of the plan's entry and the profile's; empty if a fault prevents it."""
    key_path: KeyPath = ("criteria", name)
    layer = entry.layer or (from_profile.layer if from_profile else None)
    curve = entry.curve or (from_profile.curve if from_profile else None)
    for key, value in (("layer", layer), ("curve", curve)):
        if value is None:
            fix = "add it; only criteria of the species profile have a default"
            check.add_fault("E333", f'the key "{key}" is missing', (*key_path, key), fix)
    if layer is not None:
        check.require_layer(layer, (*key_path, "layer"))
    source = _curve_source(entry, from_profile, key_path, check)
    if layer is None or curve is None or source is None:
        check.mark_broken(key_path)
        return []
    remedy = entry.remedy if entry.remedy is not None else from_profile.remedy if from_profile else None
    layer_spec = spec.layers.get(layer)
    unit = from_profile.unit if from_profile else (layer_spec.unit_in_use or "") if layer_spec else ""
    if layer_spec is not None and layer_spec.holds_codes and curve.shape != "table":
        what = f'the layer "{layer}" has class codes, which a {curve.shape} cannot judge'
        check.add_fault("E336", what, (*key_path, "curve" if entry.curve else "layer"), "use `shape: table`")
    is_essential, essential_source = _essential(entry, from_profile, key_path, check)
    criterion = CriterionInUse(
        name=name,
        label=from_profile.label if from_profile else name.replace("_", " "),
        layer=layer,
        unit=unit,
        quantity=from_profile.quantity if from_profile else None,
        curve=curve,
        remedy=remedy if isinstance(remedy, RemedySpec) else None,
        remedy_source=(from_profile.remedy_source or "") if from_profile and remedy == from_profile.remedy else "",
        source=source,
        grade=from_profile.confidence if from_profile and source == from_profile.source else "",
        weight=entry.weight if entry.weight is not None else from_profile.weight if from_profile else None,
        has_plan_weight=entry.weight is not None,
        is_from_profile=from_profile is not None,
        is_soil=from_profile.is_soil if from_profile is not None else None,
        is_essential=is_essential,
        essential_source=essential_source,
    )
    if criterion.remedy is not None:
        _check_remedy(criterion.remedy, unit, key_path, check)
    return [criterion]


def _essential(
    entry: CriterionSpec, from_profile: ProfileCriterion | None, key_path: KeyPath, check: Check
) -> tuple[bool, str]:
    """Return whether the criterion is essential, and the source; E334 if it is missing."""
    before, source = (from_profile.essential, from_profile.essential_source or "") if from_profile else (False, "")
    if entry.essential is None:
        return before, source
    if entry.essential_source is not None:
        source = entry.essential_source
    elif entry.essential != before and not check.is_broken((*key_path, "essential_source")):
        what = "the key `essential_source` is missing" if entry.essential else "is essential in the species profile"
        fix = "cite why nothing can make it good" if entry.essential else "cite why it is not, as `essential_source`"
        check.add_fault("E334", what, (*key_path, "essential"), fix)
    return entry.essential, source


_RAISES = {"lime": ("pH", "a pH"), "irrigation": ("mm", "a depth of water")}


def _check_remedy(remedy: RemedySpec, unit: str, key_path: KeyPath, check: Check) -> None:
    try:
        remedy.limit_in(unit or "1")
    except UnderoakError as error:
        check.add_error(error, (*key_path, "remedy", "limit"))
    if remedy.by in _RAISES and unit:
        raised_unit, words = _RAISES[remedy.by]
        try:
            units.conversion(unit, raised_unit)
        except UnderoakError:
            what = f"{remedy.by} raises {words}, but this criterion is in {unit}"
            check.add_fault(
                "E304", what, (*key_path, "remedy", "by"), "write `remedy: none`, or give it to another criterion"
            )


def _curve_source(
    entry: CriterionSpec, from_profile: ProfileCriterion | None, key_path: KeyPath, check: Check
) -> str | None:
    """Return the source of the curve's numbers; None if it is missing or wrong (E334)."""
    place: KeyPath = (*key_path, "source")
    if from_profile is None:
        if entry.source == "profile":
            what = "the species profile has no criterion of this name, so it cannot be the source"
            check.add_fault("E334", what, place, SOURCE_FIX)
            return None
        if entry.source is None:
            check.add_fault("E334", 'the key "source" is missing', place, SOURCE_FIX)
        return entry.source
    is_changed = entry.curve is not None and entry.curve != from_profile.curve
    if is_changed and entry.source in (None, "profile"):
        what = "the curve is not the profile's, so the profile is not its source"
        check.add_fault("E334", what, place, "add the source of the new numbers, or remove the curve")
        return None
    return from_profile.source if entry.source in (None, "profile") else entry.source


def resolve_units(spec: PlanSpec, criteria: tuple[CriterionInUse, ...], check: Check) -> dict[str, LayerSpec]:
    """Return the layers, with `to` and `quantity` set to those of the profile's criterion. Faults: E341, E344."""
    layers = dict(spec.layers)
    for criterion in criteria:
        layer = layers.get(criterion.layer)
        if layer is None or layer.holds_codes or not criterion.is_from_profile or criterion.unit == "1":
            continue
        if check.is_broken(("layers", criterion.layer)):
            continue
        if criterion.quantity is not None and layer.quantity is None and layer.derive is None:
            layer = layers[criterion.layer] = layer.model_copy(update={"quantity": criterion.quantity})
        target, before = units.canonical_name(criterion.unit), layer.unit_in_use
        if layer.to is None:
            layers[criterion.layer] = layer.model_copy(update={"to": target})
            try:
                check_conversion(before or layer.unit or target, target)
            except UnderoakError:
                what = f"{layer.unit or before} cannot become {target}, the profile's unit for {criterion.label}"
                key_path: KeyPath = ("layers", criterion.layer, "derive" if layer.derive else "unit")
                is_case_wrong = (layer.unit or "").casefold() == target.casefold()
                fix = f'did you mean "{target}"?' if is_case_wrong else "correct it, or name another layer"
                check.add_fault("E341", what, key_path, fix)
                check.mark_broken(("layers", criterion.layer))
        elif before != target:
            what = f"is used in {layer.to}, but the profile judges {criterion.label} in {target}"
            key_path = ("layers", criterion.layer, "to" if spec.layers[criterion.layer].to else "unit")
            check.add_fault("E344", what, key_path, f"write `to: {target}`, or add another layer for the criterion")
    _check_bare_numbers(spec, criteria, layers, check)
    return layers


def _check_bare_numbers(
    spec: PlanSpec, criteria: tuple[CriterionInUse, ...], layers: Mapping[str, LayerSpec], check: Check
) -> None:
    """Refuse numbers without a unit if the layer is stored in one unit and judged in another."""
    for name, layer in spec.layers.items():
        before, after = layer.unit_in_use, layers[name].unit_in_use
        if before is None or before == after or check.is_broken(("layers", name)):
            continue
        numbers: list[KeyPath] = [("layers", name, "valid")] if layer.valid else []
        numbers += [("criteria", c.name, "curve") for c in criteria if c.layer == name and not c.is_from_profile]
        numbers += [
            (*key_path, "exclude")
            for key_path, constraint in zip(check.item_paths("constraints"), spec.constraints, strict=False)
            if isinstance(constraint, LayerConstraint) and constraint.layer == name and not constraint.comparison.unit
        ]
        for key_path in numbers:
            what = f'is the unit {layer.unit or before} or {after}? "{name}" is stored in one and judged in the other'
            check.add_fault("E344", what, key_path, f"add `to: {after}` to the layer and write the numbers in it")
