"""Do the parts of a plan fit each other: names that name something, units that agree, what the purpose needs."""

from __future__ import annotations

from underoak.base import units
from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.keys.constraints import LayerConstraint, ShapesConstraint
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.quantities import is_rate_of_water
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import Keys

_NEEDED = {"buy": "parcels", "orchard": "parcels", "restore": "zones"}


def check_references(spec: PlanSpec, check: Check) -> None:
    """Tell every fault between layers, constraints and purpose."""
    for name, layer in spec.layers.items():
        for given, origin in layer.origins.items():
            _check_origin(("layers", name, "from", *([given] if given else ())), origin, spec, check)
        if layer.derive is not None:
            _check_indicator(name, layer, spec, check)
    _check_constraints(spec, check)
    if spec.purpose == "restore" and not spec.species and not check.is_broken(("species",)):
        what = "purpose restore needs `species`: wild ground is held against its native range"
        check.fault("E332", what, ("purpose",), "add `species`")
    if spec.native is not None and spec.purpose != "restore":
        check.fault("E304", "`native` is for purpose restore", ("native",), "leave it out")
    if spec.lab is not None and spec.parcels is None and not check.is_broken(("parcels",)):
        check.fault("E304", "`lab` is of parcels, and the plan names none", ("lab",), "add `parcels`")
    needed = _NEEDED.get(spec.purpose)
    if needed is not None and getattr(spec, needed) is None and not check.is_broken((needed,)):
        check.fault("E304", f"purpose {spec.purpose} needs `{needed}`", ("purpose",), f"add `{needed}`")


def check_layer(name: str, way: Keys, check: Check) -> None:
    """Tell when no layer has that name."""
    known = check.names("layers")
    if name not in known and ("layers",) not in check.broken:
        check.fault("E331", f'there is no layer "{name}"', way, did_you_mean(name, known, "add it under `layers`"))


def unit_in_use(layer: LayerSpec) -> str | None:
    """The unit a layer is used in, as far as the plan says it.

    >>> unit_in_use(LayerSpec.model_validate({"from": "elevation", "derive": "slope"}))
    'degree'
    """
    if layer.to is not None:
        return units.canonical_name(layer.to)
    if layer.derive is not None:
        from underoak.indicators import REGISTRY

        declared = REGISTRY[layer.derive].unit if layer.derive in REGISTRY else ""
        return units.canonical_name(declared) if declared else None
    if layer.unit is None or is_rate_of_water(layer.unit):
        return None  # the file, or its calendar, has a say
    return units.QUANTITIES[units.quantity_of(layer.unit, layer.quantity)].unit or units.canonical_name(layer.unit)


def _check_origin(way: Keys, origin: str, spec: PlanSpec, check: Check) -> None:
    check_layer(origin, way, check)
    source = spec.layers.get(origin)
    if source is None:
        return
    if source.file is None:
        what = f'the layer "{origin}" is derived itself'
        check.fault("E335", what, way, "name the layer of the file that both come from")
    elif source.is_shapes:
        check.fault("E335", f'the layer "{origin}" is a file of shapes', way, "name a layer that comes from a raster")


def _check_indicator(name: str, layer: LayerSpec, spec: PlanSpec, check: Check) -> None:
    from underoak import indicators

    assert layer.derive is not None
    try:
        wanted = indicators.get(layer.derive).inputs
    except UnderoakError as error:
        check.add_error(error, ("layers", name, "derive"))
        return
    way: Keys = ("layers", name, "file" if layer.file else "from")
    written = ", ".join(f"{each}: ..." for each in wanted)
    if "" in layer.origins or layer.file:
        if len(wanted) > 1:
            what = f"{layer.derive} comes from several layers: {', '.join(wanted)}"
            check.fault("E352", what, way, f"write `from: {{{written}}}`, each with the name of a layer")
            return
    else:
        strange = [given for given in layer.origins if given not in wanted]
        for given in strange:
            fix = did_you_mean(given, wanted, f"write `from: {{{written}}}`")
            check.fault("E352", f'{layer.derive} takes no "{given}"', (*way, given), fix)
        if strange:
            return  # one of them may be what is lacking
        lacking = [each for each in wanted if each not in layer.origins]
        if lacking:
            what = f"{layer.derive} also needs {', '.join(lacking)}"
            check.fault("E352", what, way, f"write `from: {{{written}}}`, each with the name of a layer")
            return
    for given, origin in layer.origins.items():
        kind = wanted[given].kind if given else next(iter(wanted.values())).kind
        source = spec.layers.get(origin)
        if source is not None and not source.is_shapes and (kind == "codes") != (source.kind == "classes"):
            what = f'{layer.derive} is derived from {"class codes" if kind == "codes" else "values"}, not "{origin}"'
            fix = f"add `kind: classes` to {origin}" if kind == "codes" else "name a layer of values"
            check.fault("E352", what, (*way, *([given] if given else ())), fix)


def placed_constraints(spec: PlanSpec, check: Check) -> list[tuple[Keys, LayerConstraint | ShapesConstraint]]:
    """The constraints that could be read, and where each stands in the file."""
    written = check.written.value.get("constraints")
    places = range(len(written)) if isinstance(written, list | tuple) else ()
    left: list[Keys] = [("constraints", n) for n in places if ("constraints", n) not in check.broken]
    return list(zip(left, spec.constraints, strict=False))


def _check_constraints(spec: PlanSpec, check: Check) -> None:
    seen: set[str] = set()
    for way, constraint in placed_constraints(spec, check):
        if constraint.name in seen:
            check.fault("E304", f'two constraints are named "{constraint.name}"', (*way, "name"), "rename one")
        seen.add(constraint.name)
        if isinstance(constraint, LayerConstraint):
            check_layer(constraint.layer, (*way, "layer"), check)
            layer = spec.layers.get(constraint.layer)
            if layer is not None:
                _check_comparison(constraint, layer, (*way, "exclude"), check)


def _check_comparison(constraint: LayerConstraint, layer: LayerSpec, way: Keys, check: Check) -> None:
    comparison, unit = constraint.comparison, unit_in_use(layer)
    if layer.holds_codes:
        if comparison.unit:
            check.fault("E322", "class codes have no unit", way, 'write it like "in 1, 2, 5"')
    elif comparison.sign == "in":
        check.fault("E322", "`in` is for layers of classes", way, 'write it like "> 30 degree"')
    elif unit is not None:
        try:
            comparison.in_unit(unit)
        except UnderoakError as error:
            check.add_error(error, way)
