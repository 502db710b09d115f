"""What a file says of its numbers and what the plan says, settled once into one encoding and one readable line."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.base.units import QUANTITIES, Affine1D, canonical_name, conversion, quantity_of
from underoak.layers.decoding.encoding import Encoding, class_bounds, fits
from underoak.layers.layer_request import LayerRequest

_SAME = Affine1D()
_TIMES = re.compile(r"(?<!\*)\s*\*\s*\d+(?:\.\d+)?$")
# File tags that are nodata whatever the plan adds: no layer holds them as values.
_NEVER_VALUES = (-9999.0, -32768.0, -99999.0, 1.0e20)


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What a file says of one band or variable."""

    dtype: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    nodata: tuple[float, ...] = ()

    @property
    def affine(self) -> Affine1D:
        """The file's own step from stored numbers to its unit."""
        return Affine1D(self.scale, self.offset)


@dataclass(frozen=True, slots=True)
class DecodingRules:
    """How a layer is read, and why."""

    encoding: Encoding
    stored_unit: str
    unit: str
    text: str
    per: str = ""  # s | month | year: decoded values are for such a span, and a month's depth follows from it


def resolve_rules(
    found: FileFacts, asked: LayerRequest, problems: Problems, by_month: bool = False
) -> DecodingRules | None:
    """Settle unit, scale, nodata and plausible bounds; None when a fault was added.

    The plan's word wins over the file's and the difference is told; a scale is applied once; a missing unit is never
    guessed. With a time axis (`by_month`) a rate of water is read so that it can become a depth for each month.
    """
    before = len(problems.faults)
    tags = _nodata(found, asked, problems)
    if asked.kind == "classes":
        return _classes(found, asked, problems, tags)
    unit, who = _unit(found, asked, problems)
    _check_scale(found, asked, unit, problems)
    if len(problems.faults) > before:
        return None
    try:
        per = _span(asked, unit) if by_month else ""
        quantity = _quantity(asked, "mm" if per else unit)
        canonical = _canonical(asked, "mm" if per else unit, quantity)
        step = conversion(unit, f"mm/{per}").then(conversion("mm", canonical)) if per else unit_step(unit, canonical)
        low, high = _bounds(asked, quantity, canonical)
    except UnderoakError as error:
        for fault in error.faults:
            problems.add(fault.code, fault.what, asked.where, _rate_fix(fault, unit, by_month))
        return None
    affine = found.affine.then(Affine1D(asked.scale or 1.0, 0.0)).then(step)
    encoding, nodata_text = _with_nodata(Encoding(affine, (), low, high), tags, asked, found)
    parts = [
        f"unit {unit} ({who})",
        _affine_text(found, asked, affine, f"{canonical}/{per}" if per else canonical),
        nodata_text,
    ]
    if (low, high) != (-math.inf, math.inf):
        parts.append(f"kept within {low:g}..{high:g} {canonical}")
    if per:
        parts.append("each month's depth by its own length")
    return DecodingRules(encoding, unit, canonical, "; ".join(parts), per)


def _nodata(found: FileFacts, asked: LayerRequest, problems: Problems) -> dict[float, str]:
    """The tags that cells can hold, and who declares them."""
    said = [(tag, "file") for tag in found.nodata] + [(tag, "plan") for tag in asked.nodata or ()]
    usable: dict[float, str] = {}
    for tag, who in said:
        if not fits(tag, found.dtype):
            what = f"nodata {tag:.9g} ({who}) does not fit {found.dtype}: no cell can hold it, so it is ignored"
            problems.add("W213", what, asked.where, f'correct "nodata:" under {asked.key}')
        elif not math.isnan(tag):
            usable[tag] = who
    return usable


def _with_nodata(
    encoding: Encoding, tags: dict[float, str], asked: LayerRequest, found: FileFacts
) -> tuple[Encoding, str]:
    """The encoding with its nodata. The plan's replaces the file's, save a file's tag that cannot be a true value."""

    def is_value(tag: float) -> bool:
        true = encoding.low <= encoding.affine(tag) <= encoding.high and abs(tag) < 1.0e19
        return true and tag not in _NEVER_VALUES

    kept = {tag: who for tag, who in tags.items() if asked.nodata is None or who == "plan" or not is_value(tag)}
    nans = ["nan (file)"] if any(math.isnan(tag) for tag in found.nodata) else []  # missing without any tag, too
    said = ", ".join([*(f"{tag:.9g} ({who})" for tag, who in kept.items()), *nans])
    gone = ", ".join(f"{tag:.9g}" for tag in tags if tag not in kept)
    text = (f"nodata {said}" if said else "no nodata declared") + (f" (the file's {gone} is a value)" if gone else "")
    return replace(encoding, nodata=tuple(kept)), text


def _classes(found: FileFacts, asked: LayerRequest, problems: Problems, tags: dict[float, str]) -> DecodingRules | None:
    if asked.unit or asked.to or asked.scale is not None:
        what = "a layer of classes holds codes: it has no unit and no scale"
        problems.add("E226", what, asked.where, f'remove "unit:", "to:" and "scale:" under {asked.key}')
        return None
    low, high = asked.valid or class_bounds()
    ignored = "; the file's scale is not for codes and is left out" if found.affine != _SAME else ""
    encoding, text = _with_nodata(Encoding(_SAME, (), low, high), tags, asked, found)
    return DecodingRules(encoding, "", "", f"codes as stored; {text}{ignored}")


def _unit(found: FileFacts, asked: LayerRequest, problems: Problems) -> tuple[str, str]:
    """The unit that holds after the file's own scale, and who says so; "" after a fault."""
    known = _known(found.unit)
    if asked.unit:
        try:
            canonical_name(asked.unit)
        except UnderoakError as error:
            problems.extend(Fault(f.code, f.what, asked.where, f.fix) for f in error.faults)
            return "", ""
        if known and not _same_unit(found.unit, asked.unit):
            what = f'the file says "{found.unit}", the plan says "{asked.unit}": the plan is followed'
            problems.add("W215", what, asked.where, f'correct "unit:" under {asked.key} if the file is right')
        return asked.unit, "plan"
    if known:
        return found.unit, "file"
    what = f'the file\'s unit "{found.unit}" is not known' if found.unit else "nothing says what unit the values are in"
    problems.add("E209", what, asked.where, f'add "unit:" under {asked.key}, such as "unit: {_likely(asked)}"')
    return "", ""


def _likely(asked: LayerRequest) -> str:
    return (QUANTITIES[asked.quantity].unit if asked.quantity in QUANTITIES else "") or "g/kg"


def _known(unit: str) -> bool:
    if not unit.strip():
        return False
    try:
        canonical_name(unit)
    except (UnderoakError, AssertionError):  # the units library asserts on some texts that files hold
        return False
    return True


def _same_unit(a: str, b: str) -> bool:
    try:
        step = unit_step(a, b)
    except UnderoakError:
        return False
    return math.isclose(step.scale, 1.0, rel_tol=1e-9) and abs(step.offset) < 1e-9


def _check_scale(found: FileFacts, asked: LayerRequest, unit: str, problems: Problems) -> None:
    own = found.affine
    if not (math.isfinite(own.scale) and math.isfinite(own.offset)) or own.scale == 0.0:
        what = f"the file scales its values by {own.scale:g} and shifts them by {own.offset:g}: nothing is left of them"
        problems.add("E214", what, asked.where, "correct the scale and offset in the file")
        return
    if asked.scale is not None and (not math.isfinite(asked.scale) or asked.scale == 0.0):
        problems.add(
            "E214", f"scale {asked.scale:g} makes all values one", asked.where, f'correct "scale:" {asked.key}'
        )
        return
    times = unit and not math.isclose(unit_step(unit, strip_factor(unit)).scale, 1.0, rel_tol=1e-12)
    by_plan = asked.scale not in (None, 1.0)
    if own != _SAME and (by_plan or times):
        plan = f"scale {asked.scale:g}" if by_plan else f"unit {unit}"
        what = f"the file itself says x {own.scale:.10g} + {own.offset:.10g}, and the plan scales again ({plan})"
        fix = f'leave the scaling to the file: remove "scale:" under {asked.key} and write the unit without its number'
        problems.add("E214", what, asked.where, fix)
    elif by_plan and times:
        what = f'"scale: {asked.scale:g}" and "unit: {unit}" scale the values twice'
        problems.add("E214", what, asked.where, f"keep one of them under {asked.key}")


def _quantity(asked: LayerRequest, unit: str) -> str:
    if asked.quantity:
        if asked.quantity not in QUANTITIES:
            fix = did_you_mean(asked.quantity, QUANTITIES, f"one of {', '.join(QUANTITIES)}")
            raise UnderoakError(Fault("E343", f'quantity "{asked.quantity}" is not known', fix=fix))
        return asked.quantity
    ends = quantity_of(asked.to) if asked.to else "any"
    return quantity_of(unit) if ends == "any" else ends


def _span(asked: LayerRequest, unit: str) -> str:
    """The span of time a rate of water is for, when the layer is to be a depth; else ""."""
    try:
        conversion(unit, "mm/s")
        if asked.to:
            conversion(asked.to, "mm")
    except UnderoakError:
        return ""
    name = canonical_name(unit)
    if not (asked.to or asked.quantity == "precipitation" or (not asked.quantity and name.startswith(("mm/", "cm/")))):
        return ""  # a speed, for one
    return "month" if "month" in name else "year" if name.endswith("/a") else "s"


def _canonical(asked: LayerRequest, unit: str, quantity: str) -> str:
    if asked.to:
        return _difference(canonical_name(asked.to)) if quantity == "temperature_range" else _spelled(asked.to)
    wanted = QUANTITIES[quantity].unit
    if wanted:
        unit_step(unit, wanted)
        return wanted
    return _spelled(strip_factor(unit))


def strip_factor(unit: str) -> str:
    """A unit without the number its values are stored times.

    >>> strip_factor("pH*10"), strip_factor("cm3/dm3")
    ('pH', 'cm3/dm3')
    """
    return _TIMES.sub("", unit.strip())


def _spelled(unit: str) -> str:
    """The one spelling of a simple unit; a compound one as it was written."""
    name = canonical_name(unit)
    return (
        unit.strip() if not name or any(sign in name for sign in " /^") or strip_factor(unit) != unit.strip() else name
    )


def _bounds(asked: LayerRequest, quantity: str, canonical: str) -> tuple[float, float]:
    if asked.valid:
        return asked.valid
    known = QUANTITIES[quantity]
    if not known.unit:
        return known.low, known.high
    step = unit_step(known.unit, canonical)
    low, high = sorted((step(known.low), step(known.high)))
    return low, high


def unit_step(source: str, target: str) -> Affine1D:
    """As `conversion`, but a difference of temperatures is never shifted."""
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


def _affine_text(found: FileFacts, asked: LayerRequest, affine: Affine1D, canonical: str) -> str:
    shift = f" {'-' if affine.offset < 0 else '+'} {abs(affine.offset):.10g}" if affine.offset else ""
    who = ", ".join(
        text
        for text, there in (
            (f"file: x {found.scale:.10g} + {found.offset:.10g}", found.affine != _SAME),
            (f"plan: x {asked.scale or 1:.10g}", asked.scale not in (None, 1.0)),
        )
        if there
    )
    return f"{canonical} = stored x {affine.scale:.10g}{shift}" + (f" ({who})" if who else "")
