"""Decoding rules of a layer: unit, scale, nodata and bounds, resolved once from what file and plan declare."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.base.units import (
    QUANTITIES,
    Affine1D,
    Bend,
    SlopeStep,
    canonical_name,
    conversion,
    quantity_of,
    slope_step,
)
from underoak.layers.decoding.encoding import Encoding, class_bounds, fits
from underoak.layers.layer_request import LayerRequest

_SAME = Affine1D()
_TIMES = re.compile(r"(?<!\*)\s*\*\s*\d+(?:\.\d+)?$")
# File tags that stay nodata if the plan gives others: they are values in no layer.
_NEVER_VALUES = (-9999.0, -32768.0, -99999.0, 1.0e20)


@dataclass(frozen=True, slots=True)
class FileFacts:
    """A file's declarations for one band or variable."""

    dtype: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    nodata: tuple[float, ...] = ()

    @property
    def affine(self) -> Affine1D:
        """The step from stored numbers to the file's unit."""
        return Affine1D(self.scale, self.offset)


@dataclass(frozen=True, slots=True)
class DecodingRules:
    """A layer's rules for turning stored numbers into values, with the reasons in `text`."""

    encoding: Encoding
    stored_unit: str
    unit: str
    text: str
    per: str = ""  # s | month | year: decoded values are rates for such a span, from which a month's depth follows


def resolve_rules(
    facts: FileFacts, request: LayerRequest, problems: Problems, by_month: bool = False
) -> DecodingRules | None:
    """Resolve unit, scale, nodata and plausible bounds; None when a fault was added.

    The plan wins over the file, with a warning where they differ; a scale is applied once; a missing unit is never
    guessed. With a time axis (`by_month`) a rate of water is decoded so that it can become a depth for each month.

    E204 to E226, E340, E341, E343 faults of unit, scale and quantity; W213 a nodata value that no cell can hold, W215
    a unit that differs from the file's.
    """
    before = len(problems.faults)
    tags = _nodata_tags(facts, request, problems)
    if request.kind == "classes":
        return _class_rules(facts, request, problems, tags)
    unit, origin = _resolve_unit(facts, request, problems)
    _check_scale(facts, request, unit, problems)
    if len(problems.faults) > before:
        return None
    try:
        per = _rate_span(request, unit) if by_month else ""
        quantity = _resolve_quantity(request, "mm" if per else unit)
        canonical = _canonical_unit(request, "mm" if per else unit, quantity)
        step = _per_month(unit, per, canonical) if per else _value_step(unit, canonical, quantity)
        low, high = _bounds(request, quantity, canonical)
    except UnderoakError as error:
        for fault in error.faults:
            problems.add(fault.code, fault.what, request.where, _rate_fix(fault, unit, by_month))
        return None
    by_scale = facts.affine.then(Affine1D(request.scale or 1.0, 0.0))
    encoding, nodata_text = _with_nodata(Encoding(by_scale, (), low, high).then(step), tags, request, facts)
    parts = [
        f"unit {unit} ({origin})",
        _scale_text(facts, request, encoding, f"{canonical}/{per}" if per else canonical),
        nodata_text,
    ]
    if (low, high) != (-math.inf, math.inf):
        parts.append(f"kept within {low:g}..{high:g} {canonical}")
    if per:
        parts.append("each month's depth by its own length")
    return DecodingRules(encoding, unit, canonical, "; ".join(parts), per)


def _nodata_tags(facts: FileFacts, request: LayerRequest, problems: Problems) -> dict[float, str]:
    """Return the nodata values that cells can hold, each with its origin: file or plan."""
    declared = [(tag, "file") for tag in facts.nodata] + [(tag, "plan") for tag in request.nodata or ()]
    usable: dict[float, str] = {}
    for tag, origin in declared:
        if not fits(tag, facts.dtype):
            what = f"nodata {tag:.9g} ({origin}) does not fit {facts.dtype}: no cell can hold it, so it is ignored"
            problems.add("W213", what, request.where, f'correct "nodata:" under {request.key}')
        elif not math.isnan(tag):
            usable[tag] = origin
    return usable


def _with_nodata(
    encoding: Encoding, tags: dict[float, str], request: LayerRequest, facts: FileFacts
) -> tuple[Encoding, str]:
    """Return the encoding with its nodata, and a text. The plan's replaces the file's, if that can be a value."""

    def is_value(tag: float) -> bool:
        is_plausible = encoding.low <= encoding.value(tag) <= encoding.high and abs(tag) < 1.0e19
        return is_plausible and tag not in _NEVER_VALUES

    usable_tags = {
        tag: origin for tag, origin in tags.items() if request.nodata is None or origin == "plan" or not is_value(tag)
    }
    nans = ["nan (file)"] if any(math.isnan(tag) for tag in facts.nodata) else []  # missing without any tag, too
    tags_text = ", ".join([*(f"{tag:.9g} ({origin})" for tag, origin in usable_tags.items()), *nans])
    dropped = ", ".join(f"{tag:.9g}" for tag in tags if tag not in usable_tags)
    text = (f"nodata {tags_text}" if tags_text else "no nodata declared") + (
        f" (the file's {dropped} is a value)" if dropped else ""
    )
    return replace(encoding, nodata=tuple(usable_tags)), text


def _class_rules(
    facts: FileFacts, request: LayerRequest, problems: Problems, tags: dict[float, str]
) -> DecodingRules | None:
    if request.unit or request.to or request.scale is not None:
        what = "a layer of classes holds codes: it has no unit and no scale"
        problems.add("E226", what, request.where, f'remove "unit:", "to:" and "scale:" under {request.key}')
        return None
    low, high = request.valid or class_bounds()
    ignored = "; the file's scale is ignored, since codes have none" if facts.affine != _SAME else ""
    encoding, text = _with_nodata(Encoding(_SAME, (), low, high), tags, request, facts)
    return DecodingRules(encoding, "", "", f"codes as stored; {text}{ignored}")


def _resolve_unit(facts: FileFacts, request: LayerRequest, problems: Problems) -> tuple[str, str]:
    """Return the unit that holds after the file's own scale, and its origin: file or plan; "" after a fault."""
    is_known = _is_known_unit(facts.unit)
    if request.unit:
        try:
            canonical_name(request.unit)
        except UnderoakError as error:
            problems.extend(Fault(f.code, f.what, request.where, f.fix) for f in error.faults)
            return "", ""
        if is_known and not _is_same_unit(facts.unit, request.unit):
            what = f'the file states "{facts.unit}", the plan "{request.unit}": the plan is followed'
            problems.add("W215", what, request.where, f'correct "unit:" under {request.key} if the file is right')
        return request.unit, "plan"
    if is_known:
        return facts.unit, "file"
    what = (
        f'the file\'s unit "{facts.unit}" is not known'
        if facts.unit
        else "neither the file nor the plan states the unit"
    )
    problems.add(
        "E209", what, request.where, f'add "unit:" under {request.key}, such as "unit: {_likely_unit(request)}"'
    )
    return "", ""


def _likely_unit(request: LayerRequest) -> str:
    return (QUANTITIES[request.quantity].unit if request.quantity in QUANTITIES else "") or "g/kg"


def _is_known_unit(unit: str) -> bool:
    if not unit.strip():
        return False
    try:
        canonical_name(unit)
    except (UnderoakError, AssertionError):  # the units library asserts on some texts that files hold
        return False
    return True


def _is_same_unit(a: str, b: str) -> bool:
    try:
        step = unit_step(a, b)
    except UnderoakError:
        return False
    return math.isclose(step.scale, 1.0, rel_tol=1e-9) and abs(step.offset) < 1e-9


def _check_scale(facts: FileFacts, request: LayerRequest, unit: str, problems: Problems) -> None:
    file_step = facts.affine
    if not (math.isfinite(file_step.scale) and math.isfinite(file_step.offset)) or file_step.scale == 0.0:
        what = f"the file's scale {file_step.scale:g} and offset {file_step.offset:g} turn all values into one"
        problems.add("E214", what, request.where, "correct the scale and offset in the file")
        return
    if request.scale is not None and (not math.isfinite(request.scale) or request.scale == 0.0):
        problems.add(
            "E214",
            f"scale {request.scale:g} turns all values into one",
            request.where,
            f'correct "scale:" under {request.key}',
        )
        return
    times = unit and not math.isclose(unit_step(unit, strip_factor(unit)).scale, 1.0, rel_tol=1e-12)
    by_plan = request.scale not in (None, 1.0)
    if file_step != _SAME and (by_plan or times):
        plan = f"scale: {request.scale:g}" if by_plan else f"unit: {unit}"
        by_file = f"scale {file_step.scale:.10g} and offset {file_step.offset:.10g}"
        what = f"the file already applies {by_file}, and the plan scales again ({plan})"
        fix = (
            f'leave the scaling to the file: remove "scale:" under {request.key} and write the unit without its number'
        )
        problems.add("E214", what, request.where, fix)
    elif by_plan and times:
        what = f'"scale: {request.scale:g}" and "unit: {unit}" scale the values twice'
        problems.add("E214", what, request.where, f"keep one of them under {request.key}")


def _per_month(unit: str, per: str, canonical: str) -> Affine1D:
    return conversion(unit, f"mm/{per}").then(conversion("mm", canonical))


def _value_step(unit: str, canonical: str, quantity: str) -> Affine1D | SlopeStep:
    """Return the step of values: by the tangent between a slope's gradient and its angle, but of no other angle."""
    return (slope_step(unit, canonical) if quantity == "slope" else None) or unit_step(unit, canonical)


def _resolve_quantity(request: LayerRequest, unit: str) -> str:
    if request.quantity:
        if request.quantity not in QUANTITIES:
            fix = did_you_mean(request.quantity, QUANTITIES, f"one of {', '.join(QUANTITIES)}")
            raise UnderoakError(Fault("E343", f'quantity "{request.quantity}" is not known', fix=fix))
        return request.quantity
    if request.to and slope_step(unit, request.to):
        return "slope"
    ends = quantity_of(request.to) if request.to else "any"
    return quantity_of(unit) if ends == "any" else ends


def _rate_span(request: LayerRequest, unit: str) -> str:
    """Return the span of time of a rate of water that becomes a depth: s, month or year; else ""."""
    try:
        conversion(unit, "mm/s")
        if request.to:
            conversion(request.to, "mm")
    except UnderoakError:
        return ""
    name = canonical_name(unit)
    if not (
        request.to or request.quantity == "precipitation" or (not request.quantity and name.startswith(("mm/", "cm/")))
    ):
        return ""  # a speed, for example
    return "month" if "month" in name else "year" if name.endswith("/a") else "s"


def _canonical_unit(request: LayerRequest, unit: str, quantity: str) -> str:
    if request.to:
        return _difference(canonical_name(request.to)) if quantity == "temperature_range" else _spell_unit(request.to)
    quantity_unit = QUANTITIES[quantity].unit
    if quantity_unit:
        _value_step(unit, quantity_unit, quantity)
        return quantity_unit
    return _spell_unit(strip_factor(unit))


def strip_factor(unit: str) -> str:
    """Return a unit without the factor that its values are stored with.

    >>> strip_factor("pH*10"), strip_factor("cm3/dm3")
    ('pH', 'cm3/dm3')
    """
    return _TIMES.sub("", unit.strip())


def _spell_unit(unit: str) -> str:
    """Return the standard spelling of a simple unit; a compound one as written."""
    name = canonical_name(unit)
    return (
        unit.strip() if not name or any(sign in name for sign in " /^") or strip_factor(unit) != unit.strip() else name
    )


def _bounds(request: LayerRequest, quantity: str, canonical: str) -> tuple[float, float]:
    if request.valid:
        return request.valid
    quantity_bounds = QUANTITIES[quantity]
    if not quantity_bounds.unit:
        return quantity_bounds.low, quantity_bounds.high
    step = _value_step(quantity_bounds.unit, canonical, quantity)
    low, high = sorted((step(quantity_bounds.low), step(quantity_bounds.high)))
    return low, high


def unit_step(source: str, target: str) -> Affine1D:
    """Return the step between two units, without the offset where both are differences of temperatures."""
    names = tuple(canonical_name(unit).replace("Δ", "delta_") for unit in (source, target))
    if not any(name.startswith("delta_") for name in names):
        return conversion(source, target)
    times = conversion(source, names[0]).then(conversion(_difference(names[0]), _difference(names[1])))
    return times.then(conversion(names[1], target))


def _difference(name: str) -> str:
    return {"degC": "delta_degC", "°F": "delta_degF", "degF": "delta_degF"}.get(name, name)


def _rate_fix(fault: Fault, unit: str, by_month: bool) -> str:
    if fault.code != "E341" or by_month:
        return fault.fix
    try:
        conversion(unit, "mm/s")
    except UnderoakError:
        return fault.fix
    return f"{fault.fix} (a rate becomes a depth only in a file with a time axis)"


def _scale_text(facts: FileFacts, request: LayerRequest, encoding: Encoding, canonical: str) -> str:
    affine = encoding.affine
    shift = f" {'-' if affine.offset < 0 else '+'} {abs(affine.offset):.10g}" if affine.offset else ""
    origin = ", ".join(
        text
        for text, applies in (
            (f"file: x {facts.scale:.10g} + {facts.offset:.10g}", facts.affine != _SAME),
            (f"plan: x {request.scale or 1:.10g}", request.scale not in (None, 1.0)),
        )
        if applies
    )
    step = f"stored x {affine.scale:.10g}{shift}"
    if encoding.to_slope is not None:
        name = "arctangent" if encoding.to_slope.bend is Bend.TO_ANGLE else "tangent"
        step = f"{name} of ({step}, x {encoding.to_slope.before.scale:.10g}), x {encoding.to_slope.after.scale:.10g}"
    return f"{canonical} = {step}" + (f" ({origin})" if origin else "")
