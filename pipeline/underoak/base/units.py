"""Units of plans and layers, their conversion, and the values that are plausible in them.

Everything is resolved to one affine step, `canonical = value * scale + offset`, so that a unit is applied once. Only
slopes need more: a slope in % is the tangent of its angle.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from typing import Any

from underoak.base.errors import Fault, UnderoakError, did_you_mean

# Written forms met in open files that a units library does not read, and what they mean.
_ALIASES = {
    "": "dimensionless",
    "1": "dimensionless",
    "ratio": "dimensionless",
    "fraction": "dimensionless",
    "%": "percent",
    "‰": "permille",
    "C": "degC",
    "Celsius": "degC",
    "celsius": "degC",
    "°C": "degC",
    "deg_C": "degC",
    "deg C": "degC",
    "degrees C": "degC",
    "Kelvin": "K",
    "°": "degree",
    "degrees": "degree",
    "mm/m": "mm/month",
    "vol %": "percent",
    "US survey foot": "survey_foot",
    "US_survey_foot": "survey_foot",
    "us-ft": "survey_foot",
    "ftUS": "survey_foot",
}
_KNOWN = (
    *("pH", "percent", "permille", "g/kg", "t/ha", "cm3/dm3", "kg/dm3", "g/cm3", "dimensionless"),
    *("degC", "K", "degF", "degree", "radian", "m", "km", "cm", "mm", "ft", "ha", "m2", "day"),
    *("mm/day", "mm/month", "mm/year", "kg m-2 s-1", "hPa", "kPa", "MJ/m2"),
)
_STACKED_POWER = re.compile(r"(?<=[A-Za-z])(-?\d+)\b")
# Exponents are kept to two digits and never stacked: the units library works powers out, however long that takes.
_TERM = r"[A-Za-zµΔ°%‰_]+(?:\s*(?:\^|\*\*)?\s*-?[1-9]\d?(?!\d))?"
_READABLE = re.compile(rf"1|(?:1\s*/\s*)?{_TERM}(?:\s*[*/]\s*(?:{_TERM}|[1-9]\d{{0,5}}(?:\.\d+)?)|\s+{_TERM})*")
_LONGEST = 60
_BLANKS_MULTIPLY = re.compile(r"[A-Za-z%]+(\*\*-?\d+)?(\s+[A-Za-z%]+(\*\*-?\d+)?)+")
_TIMES = re.compile(r"^(?P<unit>|.*?[^*\s])\s*\*\s*(?P<factor>\d+(?:\.\d+)?)$")
_QUANTITY = re.compile(r"^\s*(?P<number>[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)\s*(?P<unit>.*?)\s*$")


@dataclass(frozen=True, slots=True)
class Affine1D:
    """An affine step from stored to canonical values: `value * scale + offset`.

    >>> Affine1D(0.1, 0.0).then(Affine1D(1.0, 273.15))
    Affine1D(scale=0.1, offset=273.15)
    """

    scale: float = 1.0
    offset: float = 0.0

    def then(self, after: Affine1D) -> Affine1D:
        """Return this step followed by `after`."""
        return Affine1D(self.scale * after.scale, self.offset * after.scale + after.offset)

    def __call__(self, value: Any) -> Any:
        """Apply the step to a number or an array."""
        return value * self.scale + self.offset


STEEPEST = math.radians(89.999)  # beyond, a gradient means nothing


class Bend(IntEnum):
    """The direction of a step between the two ways to measure a slope."""

    TO_ANGLE = 1  # from a gradient (rise over run) to an angle [radian]
    TO_GRADIENT = 2


@dataclass(frozen=True, slots=True)
class SlopeStep:
    """A step between a slope's gradient and its angle: `before`, then arctangent or tangent, then `after`.

    >>> round(float(any_step("percent", "degree")(100.0)), 6), round(float(any_step("degree", "percent")(45.0)), 6)
    (45.0, 100.0)
    """

    before: Affine1D
    bend: Bend
    after: Affine1D

    def __call__(self, value: Any) -> Any:
        """Apply the step to a number or an array; a vertical wall has the gradient of 89.999 degrees."""
        import numpy as np  # here: the command line reads units before it needs arrays

        before = self.before(value)
        return self.after(np.arctan(before) if self.bend is Bend.TO_ANGLE else np.tan(np.minimum(before, STEEPEST)))


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured quantity: its canonical unit and the values that can be true on land."""

    unit: str
    low: float
    high: float
    text: str


# Bounds are generous on purpose: they catch a wrong unit or an undeclared nodata, not an unusual place.
# Sources: pH and angles by definition of the scale; the rest common practice, no source.
QUANTITIES: dict[str, Quantity] = {
    "ph": Quantity("pH", 2.0, 11.0, "soil pH"),
    "elevation": Quantity("m", -500.0, 9000.0, "height above sea level"),
    "slope": Quantity("degree", 0.0, 90.0, "steepness"),
    "aspect": Quantity("degree", 0.0, 360.0, "downhill bearing, clockwise from north"),
    "temperature": Quantity("degC", -70.0, 60.0, "air temperature"),
    "temperature_range": Quantity("delta_degC", 0.0, 70.0, "difference of two temperatures"),
    "precipitation": Quantity("mm", 0.0, 15000.0, "depth of water"),
    "water_balance": Quantity("mm", -5000.0, 15000.0, "rain less evapotranspiration"),
    "share": Quantity("percent", 0.0, 100.0, "share of a whole"),
    "distance": Quantity("m", 0.0, 1.0e7, "distance"),
    "depth": Quantity("cm", 0.0, 5000.0, "depth below the surface"),
    "any": Quantity("", float("-inf"), float("inf"), "no bounds known"),
}
_BY_UNIT = {"pH": "ph", "degC": "temperature", "mm": "precipitation", "percent": "share", "m": "elevation"}


@dataclass(frozen=True, slots=True)
class _CommonUnit:
    """A unit that most plans use: `value * scale + offset` is its value in the first unit of what it measures."""

    name: str  # canonical
    measures: tuple[str, ...]
    scale: float = 1.0
    offset: float = 0.0


_DAY = 86400.0
# Units that measure the same convert to each other, and to nothing else. The units library says the same of each (a
# test compares all pairs), but takes half a second to load: this table spares it for most plans.
_COMMON = {
    "pH": _CommonUnit("pH", ("acidity",)),
    "m": _CommonUnit("m", ("length",)),
    "km": _CommonUnit("km", ("length",), 1000.0),
    "cm": _CommonUnit("cm", ("length",), 0.01),
    "mm": _CommonUnit("mm", ("length",), 0.001),
    "ha": _CommonUnit("ha", ("area",), 10000.0),
    "m2": _CommonUnit("m^2", ("area",)),
    "K": _CommonUnit("K", ("temperature", "difference of temperatures")),
    "degC": _CommonUnit("degC", ("temperature",), offset=273.15),
    "delta_degC": _CommonUnit("delta_degC", ("difference of temperatures",)),
    "radian": _CommonUnit("rad", ("angle",)),
    "degree": _CommonUnit("degree", ("angle",), math.pi / 180.0),
    "dimensionless": _CommonUnit("", ("number",)),
    "m2/m2": _CommonUnit("", ("number",)),
    "percent": _CommonUnit("percent", ("number",), 0.01),
    "g/kg": _CommonUnit("g/kg", ("number",), 1e-3),
    "dg/kg": _CommonUnit("dg/kg", ("number",), 1e-4),
    "cm3/dm3": _CommonUnit("cm^3/dm^3", ("number",), 1e-3),
    "g/cm3": _CommonUnit("g/cm^3", ("density",)),
    "cg/cm3": _CommonUnit("cg/cm^3", ("density",), 0.01),
    "h": _CommonUnit("h", ("time",), 3600.0),
    "days": _CommonUnit("d", ("time",), _DAY),
    "years": _CommonUnit("a", ("time",), 365.25 * _DAY),
    "mm/s": _CommonUnit("mm/s", ("speed",)),
    "kg m-2 s-1": _CommonUnit("mm/s", ("speed",)),
    "mm/day": _CommonUnit("mm/d", ("speed",), 1 / _DAY),
    "m3": _CommonUnit("m^3", ("volume",)),
    "m3/h": _CommonUnit("m^3/h", ("flow",), 1 / 3600.0),
    "l/s": _CommonUnit("l/s", ("flow",), 0.001),
    "mm/month": _CommonUnit("mm/month", ("speed",), 12 / (365.25 * _DAY)),
}
_BY_MASS = ("g/kg", "dg/kg")


def _common(text: str) -> _CommonUnit | None:
    return _COMMON.get(_ALIASES.get(text.strip(), text.strip()))


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(cache_folder=None)
    registry.define("pH = [acidity]")  # a scale of its own: it converts to nothing else
    return registry


def _spelled(text: str) -> str:
    text = text.replace("^", "**")
    text = _STACKED_POWER.sub(r"**\1", text)  # a bare number after a letter is a power: m-2, cm3
    if _BLANKS_MULTIPLY.fullmatch(text):
        text = " * ".join(text.split())
    # a kilogram of water on a square metre is a millimetre deep
    return re.sub(r"^kg( \* m\*\*-2|/m\*\*2)(?![\w*])", "mm", text)


def _split(text: str) -> tuple[str, float]:
    """Split a unit from its factor: `pH*10` gives ("pH", 0.1), for values stored times 10."""
    match = _TIMES.match(text.strip())
    return (match["unit"], 1.0 / float(match["factor"])) if match else (text, 1.0)


@lru_cache(maxsize=512)
def _unit(text: str) -> Any:
    fix = did_you_mean(text, _KNOWN, "write a unit such as pH*10, g/kg, degC, mm or kg m-2 s-1")
    fault = Fault("E340", f'unit "{text[:_LONGEST]}" is not known', fix=fix)
    spelled = _ALIASES.get(text.strip(), text.strip())
    if len(text) > _LONGEST or not _READABLE.fullmatch(spelled):
        raise UnderoakError(fault)
    registry = _registry()  # outside: a library that cannot be loaded is no unknown unit
    try:
        return registry.Unit(_spelled(spelled))
    except Exception as error:  # the units library raises many kinds of errors on odd text
        raise UnderoakError(fault) from error


def canonical_name(text: str) -> str:
    """Return the canonical spelling of a unit, which can be read back.

    >>> canonical_name("Celsius"), canonical_name("kg m-2"), canonical_name("pH*10"), canonical_name("cm3/dm3")
    ('degC', 'mm', 'pH', 'cm^3/dm^3')

    Raises:
        UnderoakError: E340 for a unit that is not known.
    """
    unit, _ = _split(text)
    common = _common(unit)
    if common is not None:
        return common.name
    name = f"{_unit(unit):~C}".replace("**", "^")
    return {"%": "percent", "Δ°C": "delta_degC", "deg": "degree"}.get(name, name.replace("°C", "degC"))


def conversion(source: str, target: str) -> Affine1D:
    """Return the affine step that converts values from `source` into `target`.

    >>> conversion("pH*10", "pH").scale
    0.1
    >>> round(conversion("K", "degC")(285.0), 2), conversion("g/kg", "%")(250.0)
    (11.85, 25.0)

    Raises:
        UnderoakError: E340 unknown unit, E341 units that measure different things. Angles and pure numbers are such,
            though an angle has no dimension: `any_step` converts the gradients of slopes.
    """
    source_unit, factor = _split(source)
    target_unit, target_factor = _split(target)
    a, b = _common(source_unit), _common(target_unit)
    step = _common_step(a, b) if a and b else _library_step(source_unit, target_unit)
    if step is None:
        what = f'"{source}" cannot become "{target}": they measure different things'
        raise UnderoakError(Fault("E341", what, fix="correct `unit:` or `to:`"))
    return Affine1D(factor, 0.0).then(step).then(Affine1D(1.0 / target_factor, 0.0))


def _common_step(a: _CommonUnit, b: _CommonUnit) -> Affine1D | None:
    """Return the step between two common units; None if they measure different things."""
    if not set(a.measures) & set(b.measures):
        return None
    return Affine1D(float(f"{a.scale / b.scale:.15g}"), (a.offset - b.offset) / b.scale)


def _library_step(source: str, target: str) -> Affine1D | None:
    """Return the step between two units of the library; None if they measure different things."""
    a, b = _unit(source), _unit(target)
    differ = any("delta" in str(x) and not _is_linear(y) for x, y in ((a, b), (b, a)))
    if a.dimensionality != b.dimensionality or differ or _angle_power(a) != _angle_power(b):
        return None
    if a == b:
        return Affine1D()
    quantity = _registry().Quantity
    try:
        zero, thousand = (float(quantity(v, a).to(b).magnitude) for v in (0.0, 1000.0))
    except Exception as error:  # a temperature inside a product, and the like
        what = f'"{source}" cannot become "{target}"'
        raise UnderoakError(Fault("E341", what, fix="correct `unit:` or `to:`")) from error
    return Affine1D(float(f"{(thousand - zero) / 1000.0:.15g}"), zero)  # free of the subtraction's last digit


def slope_step(source: str, target: str) -> SlopeStep | None:
    """Return the step between a gradient and an angle, such as % and degree; None where the two units are no such pair.

    Raises:
        UnderoakError: E340 unknown unit.
    """
    (source_unit, factor), (target_unit, target_factor) = _split(source), _split(target)
    if not (_is_angle(source_unit) and _is_gradient(target_unit)) and not (
        _is_gradient(source_unit) and _is_angle(target_unit)
    ):
        return None
    bend, ends = (Bend.TO_GRADIENT, ("radian", "1")) if _is_angle(source_unit) else (Bend.TO_ANGLE, ("1", "radian"))
    before = Affine1D(factor, 0.0).then(conversion(source_unit, ends[0]))
    return SlopeStep(before, bend, conversion(ends[1], target_unit).then(Affine1D(1.0 / target_factor, 0.0)))


def any_step(source: str, target: str) -> Affine1D | SlopeStep:
    """Return the step between two units: by the tangent where one measures a slope's angle and the other its rise.

    Raises:
        UnderoakError: E340, E341 as in `conversion`.
    """
    return slope_step(source, target) or conversion(source, target)


def _angle_power(unit: Any) -> float:
    """Return the power of the angle in a unit: to the units library an angle is a pure number."""
    root: Any = _registry().Quantity(1, unit).to_root_units()
    return float(root._units.get("radian", 0))


def _is_angle(text: str) -> bool:
    common = _common(text)
    if common is not None:
        return "angle" in common.measures
    unit = _unit(text)
    return bool(unit.dimensionless) and _angle_power(unit) == 1


def _is_gradient(text: str) -> bool:
    """Return True for a rise over a run: a pure number, percent, or one length by another; not for shares of mass."""
    common = _common(text)
    if common is not None:
        return "number" in common.measures and common.name not in _BY_MASS
    unit, registry = _unit(text), _registry()
    return bool(unit.dimensionless) and all(
        name in ("percent", "permille") or registry.Unit(name).dimensionality == {"[length]": 1} for name in unit._units
    )


def _is_linear(unit: Any) -> bool:
    """Return True for a unit whose zero means none: a difference of temperatures, not a temperature."""
    return bool(_registry().Quantity(1, unit)._is_multiplicative)


def quantity_of(unit: str, named: str | None = None) -> str:
    """Return the name of the quantity whose bounds apply: the declared one, else the one that the unit suggests.

    >>> quantity_of("degC"), quantity_of("ratio"), quantity_of("m", "distance")
    ('temperature', 'any', 'distance')
    """
    return named or _BY_UNIT.get(canonical_name(unit), "any")


def read_quantity(text: str, to: str) -> float:
    """Return a written quantity such as `20 m` as a number in the unit `to`.

    >>> read_quantity("2 ha", "m2"), read_quantity("0.25 km", "m")
    (20000.0, 250.0)

    Raises:
        UnderoakError: E342 when it is not `number unit`; E340, E341 as in `conversion`.
    """
    match = _QUANTITY.match(text)
    if not match or not match["unit"]:
        raise UnderoakError(Fault("E342", f'"{text}" is not a number and a unit', fix=f'write it like "30 {to}"'))
    return float(conversion(match["unit"], to)(float(match["number"])))
