"""Joins the plan's criteria with those of the species profile: key by key, the plan's word first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from underoak.base import units
from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.checks.references import check_layer, placed_constraints, unit_in_use
from underoak.plan.keys.constraints import LayerConstraint
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import CriterionSpec, PlanSpec, RemedySpec
from underoak.plan.keys.quantities import check_becomes
from underoak.plan.profiles.profile import Profile, ProfileCriterion
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import Keys


@dataclass(frozen=True, slots=True)
class CriterionInUse:
    """A criterion in use, before it is weighed."""

    name: str
    label: str
    layer: str
    unit: str
    curve: CurveSpec
    remedy: RemedySpec | None
    remedy_source: str
    source: str
    weight: float | None  # the plan's, else the profile's
    has_own_weight: bool  # the plan gives one
    is_from_profile: bool


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A criterion of the profile that is not in use, and why."""

    name: str
    label: str
    reason: str

    def __iter__(self) -> Iterator[str]:
        """Name and reason, so that many of them make a dict."""
        return iter((self.name, self.reason))

    def __str__(self) -> str:
        return f"{self.label}: {self.reason}"


def merge_profile(
    spec: PlanSpec, profile: Profile | None, check: Check
) -> tuple[tuple[CriterionInUse, ...], tuple[NotJudged, ...]]:
    """The criteria in use, in plan order and then the profile's, and the profile's that are not."""
    if check.is_broken(("species",)):
        for name, given in spec.criteria.items():
            if isinstance(given, CriterionSpec) and given.layer is not None:
                check_layer(given.layer, ("criteria", name, "layer"), check)
        return (), ()  # what the criteria lack, an unknown profile may have
    offered = dict(profile.criteria) if profile else {}
    used: list[CriterionInUse] = []
    idle: list[NotJudged] = []
    for name, given in spec.criteria.items():
        known = offered.pop(name, None)
        if isinstance(given, CriterionSpec):
            used.extend(_own(name, given, known, spec, check))
        elif known is not None:
            idle.append(NotJudged(name, known.label, "switched off in the plan"))
        else:
            fix = did_you_mean(name, profile.criteria if profile else (), "leave it out")
            check.fault("E333", f'no profile has a criterion "{name}" to switch off', ("criteria", name), fix)
            check.lose(("criteria", name))
    weighed = _weighed(check.written.value.get("weights"))
    for name, known in offered.items():
        if check.is_broken(("criteria", name)):
            continue  # the plan says something of it, which has to be mended first
        if known.layer not in check.names("layers"):
            idle.append(NotJudged(name, known.label, f'the plan has no layer "{known.layer}"'))
        elif weighed is not None and name not in weighed:
            idle.append(NotJudged(name, known.label, "the plan's weights do not name it"))
        elif weighed is None and known.weight == 0:
            idle.append(NotJudged(name, known.label, f"it weighs nothing in the profile: {known.weight_reason}"))
        else:
            used.extend(_own(name, CriterionSpec(), known, spec, check))
    if not used and ("layers",) not in check.broken:
        fix = "add criteria, or layers named as the profile does" if profile else "add criteria"
        check.fault("E333", "nothing would be judged: no criterion has a layer", ("criteria",), fix)
    return tuple(used), tuple(idle)


def _weighed(written: Any) -> set[str] | None:
    """The criteria that the plan's weights name, faulty or not; None when there are no weights."""
    if not isinstance(written, Mapping):
        return None
    pairs = [pair for pair in _items(written.get("pairwise")) if isinstance(pair, list | tuple)]
    named = [name for pair in pairs for name in pair[:2]]
    return {str(name) for name in [*named, *_items(written.get("direct")), *_items(written.get("ranked"))]}


def _items(written: Any) -> list[Any]:
    return list(written) if isinstance(written, Mapping | list | tuple) else []


def _own(
    name: str, given: CriterionSpec, known: ProfileCriterion | None, spec: PlanSpec, check: Check
) -> list[CriterionInUse]:
    way: Keys = ("criteria", name)
    layer = given.layer or (known.layer if known else None)
    curve = given.curve or (known.curve if known else None)
    for key, value in (("layer", layer), ("curve", curve)):
        if value is None:
            fix = "add it; only a criterion of the species profile can go without"
            check.fault("E333", f'the key "{key}" is missing', (*way, key), fix)
    if layer is not None:
        check_layer(layer, (*way, "layer"), check)
    source = _source(given, known, way, check)
    if layer is None or curve is None or source is None:
        check.lose(way)
        return []
    remedy = given.remedy if given.remedy is not None else known.remedy if known else None
    ground = spec.layers.get(layer)
    unit = known.unit if known else (unit_in_use(ground) or "") if ground else ""
    if ground is not None and ground.holds_codes and curve.shape != "table":
        what = f'the layer "{layer}" holds class codes, which a {curve.shape} cannot judge'
        check.fault("E336", what, (*way, "curve" if given.curve else "layer"), "use `shape: table`")
    joined = CriterionInUse(
        name=name,
        label=known.label if known else name.replace("_", " "),
        layer=layer,
        unit=unit,
        curve=curve,
        remedy=remedy if isinstance(remedy, RemedySpec) else None,
        remedy_source=(known.remedy_source or "") if known and remedy == known.remedy else "",
        source=source,
        weight=given.weight if given.weight is not None else known.weight if known else None,
        has_own_weight=given.weight is not None,
        is_from_profile=known is not None,
    )
    if joined.remedy is not None:
        _check_remedy(joined.remedy, unit, way, check)
    return [joined]


_RAISES = {"lime": ("pH", "a pH"), "irrigation": ("mm", "a depth of water")}


def _check_remedy(remedy: RemedySpec, unit: str, way: Keys, check: Check) -> None:
    try:
        remedy.limit_in(unit or "1")
    except UnderoakError as error:
        check.add_error(error, (*way, "remedy", "limit"))
    if remedy.by in _RAISES and unit:
        raised, words = _RAISES[remedy.by]
        try:
            units.conversion(unit, raised)
        except UnderoakError:
            what = f"{remedy.by} raises {words}, and this criterion is judged in {unit}"
            check.fault("E304", what, (*way, "remedy", "by"), "write `remedy: none`, or give it to another criterion")


def _source(given: CriterionSpec, known: ProfileCriterion | None, way: Keys, check: Check) -> str | None:
    """Where the curve's numbers come from; a source that would mislead is a fault."""
    if known is None:
        if given.source == "profile":
            fix = 'say where the numbers come from, if only "common practice, no source"'
            check.fault("E334", "the species profile has no such criterion to be the source", (*way, "source"), fix)
            return None
        if given.source is None:
            fix = 'say where the numbers come from, if only "common practice, no source"'
            check.fault("E334", 'the key "source" is missing', (*way, "source"), fix)
        return given.source
    changed = given.curve is not None and given.curve != known.curve
    if changed and given.source in (None, "profile"):
        what = "the curve is not the profile's, so the profile is not its source"
        check.fault("E334", what, (*way, "source"), "say where the new numbers come from, or leave the curve out")
        return None
    return known.source if given.source in (None, "profile") else given.source


def settle_units(spec: PlanSpec, joined: tuple[CriterionInUse, ...], check: Check) -> dict[str, LayerSpec]:
    """The layers, with the unit they are used in filled in where a profile judges them in one."""
    layers = dict(spec.layers)
    for criterion in joined:
        layer = layers.get(criterion.layer)
        if layer is None or layer.holds_codes or not criterion.is_from_profile or criterion.unit == "1":
            continue
        if check.is_broken(("layers", criterion.layer)):
            continue
        wanted, before = units.canonical_name(criterion.unit), unit_in_use(layer)
        if layer.to is None:
            layers[criterion.layer] = layer.model_copy(update={"to": wanted})
            try:
                check_becomes(before or layer.unit or wanted, wanted)
            except UnderoakError:
                what = f"{layer.unit or before} cannot become {wanted}, in which the profile judges {criterion.label}"
                way: Keys = ("layers", criterion.layer, "derive" if layer.derive else "unit")
                is_case = (layer.unit or "").casefold() == wanted.casefold()
                fix = f'did you mean "{wanted}"?' if is_case else "correct it, or give the criterion another layer"
                check.fault("E341", what, way, fix)
                check.lose(("layers", criterion.layer))
        elif before != wanted:
            what = f"is used in {layer.to}, but the profile judges {criterion.label} in {wanted}"
            way = ("layers", criterion.layer, "to" if spec.layers[criterion.layer].to else "unit")
            check.fault("E344", what, way, f"write `to: {wanted}`, or give the criterion a layer of its own")
    _check_bare_numbers(spec, joined, layers, check)
    return layers


def _check_bare_numbers(
    spec: PlanSpec, joined: tuple[CriterionInUse, ...], layers: Mapping[str, LayerSpec], check: Check
) -> None:
    """Numbers without a unit, written for a layer as it is stored, must not come to be read in the profile's unit."""
    for name, layer in spec.layers.items():
        before, after = unit_in_use(layer), unit_in_use(layers[name])
        if before is None or before == after or check.is_broken(("layers", name)):
            continue
        numbers: list[Keys] = [("layers", name, "valid")] if layer.valid else []
        numbers += [("criteria", c.name, "curve") for c in joined if c.layer == name and not c.is_from_profile]
        numbers += [
            (*way, "exclude")
            for way, constraint in placed_constraints(spec, check)
            if isinstance(constraint, LayerConstraint) and constraint.layer == name and not constraint.comparison.unit
        ]
        for way in numbers:
            what = f'is the unit {layer.unit or before} or {after}? "{name}" is stored in one and judged in the other'
            check.fault("E344", what, way, f"add `to: {after}` to the layer and write the numbers in it")
