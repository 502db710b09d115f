"""Errors of maps that a plan does not state: the published ones of their kind, merged into its layers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.checks.criteria import CriterionInUse
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.quantities import check_conversion
from underoak.plan.keys.uncertainty import deviation_in, deviations
from underoak.plan.profiles.profile import Profile
from underoak.plan.profiles.published_errors import PublishedError, kind_of, published_errors
from underoak.plan.reading.validation import Check

_Value = TypeVar("_Value")
CLASS_CODES = "class codes have no standard deviation"
NO_KIND = "the plan states none, and its kind is not known: add `sd`, or `kind_of`"
SWITCHED_OFF = "the plan states none, and says `assume: none`"


@dataclass(frozen=True)
class AssumedError:
    """The published error that is assumed for a layer."""

    kind: str
    error: PublishedError
    has_grain: bool  # the grain is assumed, too


@dataclass(frozen=True)
class LayerErrors:
    """Layers with the errors they are drawn with, those that are assumed, and why others have none."""

    layers: dict[str, LayerSpec]
    assumed: dict[str, AssumedError] = field(default_factory=dict)
    unknown: dict[str, str] = field(default_factory=dict)  # judged layer without an error -> reason
    switched_off: tuple[str, ...] = ()  # judged layers whose published error the plan does not assume


def assume_errors(
    spec: PlanSpec,
    layers: Mapping[str, LayerSpec],
    criteria: Sequence[CriterionInUse],
    profile: Profile | None,
    check: Check,
) -> LayerErrors:
    """Return the layers with the published errors of those that are judged, or asked about, and state none.

    Nothing is assumed in a plan without draws. Faults: E304 for a kind that is not known, E341 for a layer that does
    not measure its kind.
    """
    _check_kinds(spec, check)
    result = LayerErrors(dict(layers))
    judged = list(dict.fromkeys(criterion.layer for criterion in criteria))
    if spec.uncertainty is None:
        return result
    asked_about = [rule.layer for rule in spec.uncertainty.ask]
    switched_off = []
    for name in dict.fromkeys([*judged, *asked_about]):
        layer = layers.get(name)
        if layer is None or layer.has_uncertainty or check.is_broken(("layers", name)):
            continue
        kind, reason = _kind(layer, _profile_layers(name, criteria, profile))
        error = published_errors()[kind] if kind is not None else None
        if error is not None and error.sd is None:
            _fits(name, layer, error, check)  # reports a wrong unit
        if error is not None and error.sd is not None:
            if spec.uncertainty.assume == "none":
                reason = SWITCHED_OFF
                switched_off += [name] if name in judged else []
            elif kind is not None and _fits(name, layer, error, check):
                has_grain = error.grain is not None and layer.grain is None
                update = {"sd": error.sd} | ({"grain": error.grain} if has_grain else {})
                result.layers[name] = layer.model_copy(update=update)
                result.assumed[name] = AssumedError(kind, error, has_grain)
                continue
            else:
                reason = NO_KIND
        if name in judged:
            result.unknown[name] = reason
    return LayerErrors(result.layers, result.assumed, result.unknown, tuple(switched_off))


def _kind(layer: LayerSpec, profile_layers: tuple[str, ...]) -> tuple[str | None, str]:
    """Return the kind of a layer, or None; and the reason why it has no error, if it has none."""
    if layer.kind == "classes" or layer.holds_codes:
        return None, CLASS_CODES
    kind = kind_of(layer, profile_layers)
    if kind is None or kind not in published_errors():
        return None, NO_KIND
    return kind, f"no published error: {published_errors()[kind].no_error}"


def _profile_layers(name: str, criteria: Sequence[CriterionInUse], profile: Profile | None) -> tuple[str, ...]:
    """Return the profile's own names of the layers of the criteria that judge by a layer."""
    if profile is None:
        return ()
    by_layer = (each.name for each in criteria if each.layer == name and each.is_from_profile)
    return tuple(profile.criteria[criterion].layer for criterion in by_layer)


def _check_kinds(spec: PlanSpec, check: Check) -> None:
    kinds = published_errors()
    for name, layer in spec.layers.items():
        if layer.kind_of is not None and layer.kind_of not in kinds:
            what = f'the kind "{layer.kind_of}" is not known'
            fix = did_you_mean(layer.kind_of, kinds, "known: " + ", ".join(kinds))
            check.add_fault("E304", what, ("layers", name, "kind_of"), fix)


def _fits(name: str, layer: LayerSpec, error: PublishedError, check: Check) -> bool:
    """Return whether an error can be that of a layer, by its unit; add E341 if the plan names the wrong kind."""
    unit = layer.unit_in_use
    if unit is None:
        return True
    if error.sd is not None:
        fits = all(_is_allowed(deviation_in, deviation, unit) for deviation in deviations(error.sd))
    else:
        fits = any(_is_allowed(check_conversion, each, unit) for each in error.units)
    if not fits:
        if layer.kind_of is not None:
            what = f"the layer is in {unit}, and a map of {error.text} is not"
            check.add_fault("E341", what, ("layers", name, "kind_of"), "name another kind, or correct the unit")
        return False
    return True


def _is_allowed(convert: Callable[[_Value, str], object], value: _Value, unit: str) -> bool:
    try:
        convert(value, unit)
    except UnderoakError:
        return False
    return True
