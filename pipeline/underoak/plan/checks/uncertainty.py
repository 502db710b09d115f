"""Checks of `uncertainty` against the layers: names, units, and whether there is anything to draw."""

from __future__ import annotations

from collections.abc import Mapping

from underoak.base.errors import UnderoakError
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import DRAWN_PURPOSES, PlanSpec
from underoak.plan.keys.uncertainty import ProbabilityRuleSpec, UncertaintySpec, deviation_in, deviations
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import KeyPath


def check_uncertainty(spec: PlanSpec, layers: Mapping[str, LayerSpec], check: Check) -> None:
    """Report every fault of `uncertainty`, and of the uncertainty of each layer.

    `layers` are those of the plan with the errors that are assumed.
    """
    for name, layer in spec.layers.items():
        for deviation in () if layer.sd is None else deviations(layer.sd):
            _check_deviation(deviation, layer, ("layers", name, "sd"), check)
        for origin in layer.origins.values():
            source = spec.layers.get(origin)
            if (
                spec.uncertainty is not None
                and source is not None
                and source.has_uncertainty
                and not layers[name].has_uncertainty
            ):
                what = f'the uncertainty of "{origin}" is not carried into layers derived from it'
                where = check.document.where(("layers", name))
                check.problems.add("W218", what, where, "give this layer an `sd`, too, if it matters")
    uncertainty = spec.uncertainty
    if uncertainty is None:
        if spec.outputs.quantiles is not None:
            what = "quantiles of suitability need draws, and the plan has no `uncertainty`"
            check.add_fault("E362", what, ("outputs", "quantiles"), "add `uncertainty`")
        return
    if spec.purpose not in DRAWN_PURPOSES and not any(layer.has_uncertainty for layer in layers.values()):
        if check.is_broken(("layers",)) and any(_lost_uncertainty(name, check) for name in check.names("layers")):
            return
        what = "no layer states an uncertainty, and none is assumed, so there is nothing to draw"
        check.add_fault("E362", what, ("uncertainty",), "give a layer `quantiles`, `sd` or `kind_of`")
        return
    for n, rule in enumerate(uncertainty.ask):
        _check_rule(rule, ("uncertainty", "ask", n), spec, layers, check)
    _check_together(uncertainty, layers, check)
    for name, deviation in uncertainty.lab_error.items():
        key_path: KeyPath = ("uncertainty", "lab_error", name)
        check.require_layer(name, key_path)
        if name in spec.layers:
            _check_deviation(deviation, spec.layers[name], key_path, check)


def _check_together(uncertainty: UncertaintySpec, layers: Mapping[str, LayerSpec], check: Check) -> None:
    for n, group in enumerate(uncertainty.together):
        for m, name in enumerate(group.layers):
            key_path: KeyPath = ("uncertainty", "together", n, "layers", m)
            check.require_layer(name, key_path)
            if name in layers and not layers[name].has_uncertainty and not _lost_uncertainty(name, check):
                what = f'the layer "{name}" states no uncertainty, and none is assumed'
                check.add_fault("E362", what, key_path, "give it `quantiles` or `sd`, or leave it out here")
    try:
        _ = uncertainty.layers_together
    except UnderoakError as error:
        check.add_error(error, ("uncertainty", "together"))


def _lost_uncertainty(name: str, check: Check) -> bool:
    """Return True if a layer may state an uncertainty that is broken, and reported."""
    return any(check.is_broken(("layers", name, key)) for key in ("quantiles", "sd"))


def _check_rule(
    rule: ProbabilityRuleSpec, key_path: KeyPath, spec: PlanSpec, layers: Mapping[str, LayerSpec], check: Check
) -> None:
    check.require_layer(rule.layer, (*key_path, "layer"))
    layer = spec.layers.get(rule.layer)
    if layer is None:
        return
    if not layers[rule.layer].has_uncertainty and not _lost_uncertainty(rule.layer, check):
        what = f'the layer "{rule.layer}" states no uncertainty, and none is assumed'
        check.add_fault("E362", what, (*key_path, "layer"), "give it `quantiles` or `sd`, or name another layer")
    unit = layer.unit_in_use
    if unit is not None:
        try:
            rule.limit_in(unit)
        except UnderoakError as error:
            check.add_error(error, (*key_path, "at_least" if rule.is_at_least else "at_most"))


def _check_deviation(deviation: str | float, layer: LayerSpec, key_path: KeyPath, check: Check) -> None:
    unit = layer.unit_in_use
    if unit is not None:
        try:
            deviation_in(deviation, unit)
        except UnderoakError as error:
            check.add_error(error, key_path)
