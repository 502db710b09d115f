"""Checks between the parts of a plan: names of layers, inputs of indicators, constraints, the purpose."""

from __future__ import annotations

from underoak.base import crs, units
from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.checks.decision import check_decision
from underoak.plan.keys.constraints import LayerConstraint
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.places import LabSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.uncertainty import deviation_in
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import KeyPath

_REQUIRED_KEYS = {"buy": "parcels", "orchard": "parcels", "restore": "zones"}


def check_references(spec: PlanSpec, check: Check) -> None:
    """Report every fault between layers, constraints and purpose."""
    for name, layer in spec.layers.items():
        for input_name, origin in layer.origins.items():
            _check_origin(("layers", name, "from", *([input_name] if input_name else ())), origin, spec, check)
        if layer.derive is not None:
            _check_indicator(name, layer, spec, check)
    _check_constraints(spec, check)
    if spec.purpose == "restore" and not spec.species and not check.is_broken(("species",)):
        what = "purpose restore needs `species`, for the native range"
        check.add_fault("E332", what, ("purpose",), "add `species`")
    if spec.native is not None and spec.purpose != "restore":
        check.add_fault("E304", "`native` is for purpose restore", ("native",), "remove it")
    if spec.lab is not None and spec.parcels is None and not check.is_broken(("parcels",)):
        check.add_fault("E304", "`lab` needs `parcels`, and the plan has none", ("lab",), "add `parcels`")
    if spec.lab is not None:
        _check_lab(spec.lab, spec, check)
    check_decision(spec, check)
    key = _REQUIRED_KEYS.get(spec.purpose)
    if key is not None and getattr(spec, key) is None and not check.is_broken((key,)):
        check.add_fault("E304", f"purpose {spec.purpose} needs `{key}`", ("purpose",), f"add `{key}`")


def _check_lab(lab: LabSpec, spec: PlanSpec, check: Check) -> None:
    if lab.crs is not None:
        try:
            crs.parse(lab.crs)
        except UnderoakError as error:
            check.add_error(error, ("lab", "crs"))
    for name, deviation in lab.within_field.items():
        key_path: KeyPath = ("lab", "within_field", name)
        check.require_layer(name, key_path)
        layer = spec.layers.get(name)
        if layer is not None and layer.unit_in_use is not None:
            try:
                deviation_in(deviation, layer.unit_in_use)
            except UnderoakError as error:
                for fault in error.faults:
                    fix = f"write it in {layer.unit_in_use}" if fault.code == "E341" else fault.fix
                    check.add_fault(fault.code, fault.what, key_path, fix)


def _check_origin(key_path: KeyPath, origin: str, spec: PlanSpec, check: Check) -> None:
    check.require_layer(origin, key_path)
    source = spec.layers.get(origin)
    if source is None:
        return
    if source.file is None:
        what = f'the layer "{origin}" is derived itself'
        check.add_fault("E335", what, key_path, "name the layer with the file that it is derived from")
    elif source.is_shapes:
        check.add_fault("E335", f'the layer "{origin}" is a vector file', key_path, "name a layer with a raster")


def _check_indicator(name: str, layer: LayerSpec, spec: PlanSpec, check: Check) -> None:
    from underoak import indicators

    assert layer.derive is not None
    try:
        inputs = indicators.get(layer.derive).inputs
    except UnderoakError as error:
        check.add_error(error, ("layers", name, "derive"))
        return
    key_path: KeyPath = ("layers", name, "file" if layer.file else "from")
    mapping = ", ".join(f"{each}: ..." for each in inputs)
    if "" in layer.origins or layer.file:
        if len(inputs) > 1:
            what = f"{layer.derive} needs several layers: {', '.join(inputs)}"
            check.add_fault("E352", what, key_path, f"write `from: {{{mapping}}}`, each with the name of a layer")
            return
    else:
        unknown = [each for each in layer.origins if each not in inputs]
        for each in unknown:
            fix = did_you_mean(each, inputs, f"write `from: {{{mapping}}}`")
            check.add_fault("E352", f'{layer.derive} has no input "{each}"', (*key_path, each), fix)
        if unknown:
            return  # one of them may be the missing one, misspelt
        missing = [each for each in inputs if each not in layer.origins]
        if missing:
            what = f"{layer.derive} also needs {', '.join(missing)}"
            check.add_fault("E352", what, key_path, f"write `from: {{{mapping}}}`, each with the name of a layer")
            return
    for each, origin in layer.origins.items():
        kind = inputs[each].kind if each else next(iter(inputs.values())).kind
        source = spec.layers.get(origin)
        if source is not None and not source.is_shapes and (kind == "codes") != (source.kind == "classes"):
            what = f'{layer.derive} is derived from {"class codes" if kind == "codes" else "values"}, not "{origin}"'
            fix = f"add `kind: classes` to {origin}" if kind == "codes" else "name a layer of values"
            check.add_fault("E352", what, (*key_path, *([each] if each else ())), fix)


def _check_constraints(spec: PlanSpec, check: Check) -> None:
    seen: set[str] = set()
    for key_path, constraint in zip(check.item_paths("constraints"), spec.constraints, strict=False):
        if constraint.name in seen:
            check.add_fault("E304", f'two constraints are named "{constraint.name}"', (*key_path, "name"), "rename one")
        seen.add(constraint.name)
        if isinstance(constraint, LayerConstraint):
            check.require_layer(constraint.layer, (*key_path, "layer"))
            layer = spec.layers.get(constraint.layer)
            if layer is not None:
                _check_comparison(constraint, layer, (*key_path, "exclude"), check)


def _check_comparison(constraint: LayerConstraint, layer: LayerSpec, key_path: KeyPath, check: Check) -> None:
    comparison, unit = constraint.comparison, layer.unit_in_use
    if layer.holds_codes:
        if comparison.unit:
            check.add_fault("E322", "class codes have no unit", key_path, 'write it like "in 1, 2, 5"')
    elif comparison.sign == "in":
        check.add_fault("E322", "`in` is for layers of classes", key_path, 'write it like "> 30 degree"')
    elif unit is not None:
        try:
            comparison.in_unit(unit)
        except UnderoakError as error:
            check.add_error(error, key_path)
            return
        is_slope = layer.derive in (None, "slope") and layer.quantity in (None, "slope")
        if not is_slope and comparison.unit and units.slope_step(comparison.unit, unit):
            what = f'"{comparison.unit}" measures a slope, and "{constraint.layer}" holds other angles'
            check.add_fault("E341", what, key_path, f"write the number in {unit}")
