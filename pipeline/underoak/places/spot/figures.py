"""Written figures in the terms of a species profile: layer, unit, plausible value, error, method of a pH."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from underoak.base import units
from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.engine.storage.manifest import AssumedErrorRecord
from underoak.indicators import REGISTRY
from underoak.places.lab.results import published
from underoak.places.spot.written_figures import WrittenFigure
from underoak.plan.keys.uncertainty import deviation_at, deviation_in
from underoak.plan.profiles.profile import Profile, ProfileCriterion
from underoak.plan.profiles.published_errors import PublishedError, published_errors

_CELL_M = 30.0  # of the map that a height or slope without an error counts as
_PH_METHOD = "water"  # profiles judge pH in water
# A laboratory's or weather station's words, and the layers that they may mean; proposed, never taken.
_WORDS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(("caco3", "lime", "limestone", "calcium", "total_lime"), ("carbonate",)),
    **dict.fromkeys(("active_lime", "active_limestone"), ("active_carbonate",)),
    **dict.fromkeys(("om", "mo", "humus"), ("organic_matter",)),
    **dict.fromkeys(("c_n", "cn"), ("c_to_n",)),
    **dict.fromkeys(("precipitation", "rainfall", "rain"), ("rain_summer", "rain_annual")),
    **dict.fromkeys(("altitude", "height"), ("elevation",)),
}
_CARBON = ("organic_carbon", "soc", "toc", "carbon", "c")
_CARBON_TO_MATTER = 1.724
_UNITS = {"g/100g": "percent", "g/100 g": "percent", "units": "pH", "unit": "pH", '"': "inch", "″": "inch"}
_DEGREES = {"f": "degF", "c": "degC", "deg f": "degF", "deg c": "degC"}
# Bounds of units and layers that are of no quantity: common practice, no source
_BOUNDS: Mapping[str, tuple[float, float]] = {
    "cm": (0.0, 5000.0), "d": (0.0, 366.0), "h": (0.0, 8784.0), "a": (0.0, 10000.0), "degree": (0.0, 90.0),
    "g/cm^3": (0.0, 3.0), "c_to_n": (0.0, 1000.0),
}  # fmt: skip
# Layers of which the first is never more than the second: part and whole, or means of temperatures
RISING = (
    ("rain_summer", "rain_annual"), ("rain_autumn", "rain_annual"), ("active_carbonate", "carbonate"),
    ("temp_coldest", "temp_annual"), ("temp_annual", "temp_warmest"), ("temp_coldest", "temp_warmest"),
)  # fmt: skip
_MOST_OVER = 5.0  # percentage points that shares of sand and clay may be over 100; common practice, no source
# Units that a figure may be in by mistake, by the profile's
_RELATED: Mapping[str, tuple[str, ...]] = {
    "pH": ("pH*10",), "degC": ("degF", "K"), "percent": ("g/kg", "mg/kg"), "cm": ("mm",), "m": ("ft",),
    "degree": ("percent",),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Figure:
    """A value of one layer, in the unit that the profile judges it in."""

    layer: str
    value: float
    unit: str
    limits: tuple[float, float]  # the least and the greatest value it can have
    sd: float | None  # standard deviation in its unit, or as a share of the value; None: its error is not known
    is_share: bool = False
    assumed: AssumedErrorRecord | None = None  # where no error is written
    unknown: str = ""  # why none is assumed either
    conversion: str = ""  # of a pH that was measured in another way than the profile judges

    @property
    def error(self) -> float | None:
        """Standard deviation in its unit; None where it is not known."""
        return None if self.sd is None else self.sd * abs(self.value) if self.is_share else self.sd


def names_of(profile: Profile) -> dict[str, str]:
    """Return the layer of every name that a figure may have: criteria first, then layers.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> names = names_of(load_profile("tuber_melanosporum"))
    >>> names["ph"], names["soil_ph"]
    ('soil_ph', 'soil_ph')
    """
    names = {name.casefold(): criterion.layer for name, criterion in profile.criteria.items()}
    for criterion in profile.criteria.values():
        names.setdefault(criterion.layer.casefold(), criterion.layer)
    return names


def read_figures(
    written: Sequence[WrittenFigure], profile: Profile, problems: Problems, others: Sequence[Profile] = ()
) -> tuple[Figure, ...]:
    """Return the figures of a profile, each layer once; those that only `others` have are left out.

    Faults go to `problems`: E371 a name that is not known, E372 a layer twice, E373 the method of a pH, E204 a value
    that cannot be true, E340 to E344 units and errors.
    """
    names, known_elsewhere = names_of(profile), {name for other in others for name in names_of(other)}
    first: dict[str, WrittenFigure] = {}
    figures: list[Figure] = []
    for figure in written:
        name = _key(figure.name)
        layer = names.get(name)
        if layer is None:
            if name not in known_elsewhere:
                problems.add("E371", *_unknown_name(figure, profile, others))
            continue
        if layer in first:
            other = f"as {first[layer].text} and as {figure.text}"
            fix = "keep one; of several samples write the mean, and how far they differ behind ±"
            problems.add("E372", f"is given twice, {other}", layer, fix)
            continue
        first[layer] = figure
        criterion = next(each for each in profile.criteria.values() if each.layer == layer)
        try:
            figures += _read(figure, criterion, problems)
        except UnderoakError as error:
            for fault in error.faults:
                problems.add(fault.code, fault.what, figure.text, fault.fix)
    _check_together({figure.layer: figure for figure in figures}, problems)
    return tuple(figures)


def _check_together(figures: Mapping[str, Figure], problems: Problems) -> None:
    """Add E204 for figures that contradict each other by more than their errors."""
    for less, more in RISING:
        if less not in figures or more not in figures:
            continue
        a, b = figures[less], figures[more]
        if a.value - b.value > 2.0 * math.hypot(a.error or 0.0, b.error or 0.0):
            what = f"{less} {a.value:.6g} {a.unit} is more than {more} {b.value:.6g} {b.unit}"
            problems.add(
                "E204", what, f"{less}, {more}", "look at both: one may be of other months, or in another unit"
            )
    if {"sand", "clay"} <= figures.keys():
        total = figures["sand"].value + figures["clay"].value
        if total > 100.0 + _MOST_OVER:
            what = f"sand and clay are {total:.6g} percent together"
            problems.add("E204", what, "sand, clay", "look at both: they are shares of the fine earth")


def _key(name: str) -> str:
    return name.casefold().replace("-", "_")


def _unknown_name(figure: WrittenFigure, profile: Profile, others: Sequence[Profile]) -> tuple[str, str, str]:
    """Return what is wrong with a name, where, and the fix."""
    name = _key(figure.name)
    profiles = others or (profile,)
    known = list(dict.fromkeys(each for one in profiles for each in names_of(one)))
    if name in _CARBON and "organic_matter" in known:
        fix = (
            f"write organic_matter={figure.value * _CARBON_TO_MATTER:.3g}{figure.unit}, {_CARBON_TO_MATTER:g} times it"
        )
        return "organic carbon is not judged, organic matter is", figure.text, fix
    whose = profile.name if len(profiles) == 1 else "any species"
    what = f'"{figure.name}" is neither a criterion nor a layer of {whose}'
    meant = [each for each in _WORDS.get(name, ()) if each in known] or list(_near(name, profiles))
    fix = "did you mean " + " or ".join(f'"{each}"' for each in meant[:4]) + "?" if meant else ""
    return what, figure.text, fix or did_you_mean(name, known, "known: " + ", ".join(known))


def _near(name: str, profiles: Sequence[Profile]) -> Iterator[str]:
    """Yield the criteria whose name, layer or label has the words of a name."""
    words, seen = [word for word in name.split("_") if word], set[str]()
    for profile in profiles:
        for criterion_name, criterion in profile.criteria.items():
            text = f"{criterion_name} {criterion.layer} {criterion.label}".casefold().replace("_", " ").split()
            if words and all(word in text for word in words) and criterion_name not in seen:
                seen.add(criterion_name)
                yield criterion_name


def _read(figure: WrittenFigure, criterion: ProfileCriterion, problems: Problems) -> Iterator[Figure]:
    """Yield the figure in the profile's unit, unless there is a fault.

    Raises:
        UnderoakError: E340 to E344 for units and errors.
    """
    target = units.canonical_name(criterion.unit)
    unit = _unit(figure.unit, target)
    step = _step(unit, target, figure)
    value, sd, is_share = float(step(figure.value)), None, False
    if figure.error is not None:
        sd, is_share = _deviation(figure, unit, target, step)
    is_ph, conversion = target == "pH", ""
    if figure.method and not is_ph:
        problems.add("E373", "only a pH has a method", figure.text, f"remove {figure.method}")
        return
    limits = bounds_of(criterion.layer, target)
    if not limits[0] <= value <= limits[1]:
        problems.add("E204", *_implausible(figure, value, unit, target, limits))
        return
    kind = _kind(criterion.layer)
    read = Figure(criterion.layer, value, target, limits, sd, is_share)
    if sd is None:
        read = _with_assumed(read, kind, criterion.is_soil)
    if is_ph and figure.method.partition(" ")[0] not in ("", _PH_METHOD):
        line = published(figure.method, _PH_METHOD)
        if line is None:
            fix = "write KCl, KCl 1:2.5, CaCl2 or CaCl2 1:2.5, or have it measured in water"
            problems.add("E373", f"no published line leads from pH in {figure.method} to water", figure.text, fix)
            return
        if not line.low <= value <= line.high:
            span = f"{line.low:g} to {line.high:g}"
            what = f"pH {value:g} in {line.given} is beyond the published line, which goes from {span}"
            problems.add("E373", what, figure.text, "have it measured in water")
            return
        conversion = f"pH in {line.given} turned into pH in {line.wanted} by {line.formula} ({line.source})"
        converted = float(line.line(value))  # type: ignore[arg-type]
        before = read.error or 0.0
        read = replace(read, value=converted, sd=math.hypot(before, line.sd), is_share=False, conversion=conversion)
    yield read


def _unit(written: str, target: str) -> str:
    """Return a unit as the units library reads it; "" is the profile's."""
    if not written:
        return target
    if target == "degC" and (degrees := _DEGREES.get(written.casefold().replace("°", "").strip())):
        return degrees
    return _UNITS.get(written, written)


def _step(unit: str, target: str, figure: WrittenFigure) -> units.Affine1D | units.SlopeStep:
    try:
        return units.any_step(unit, target)
    except UnderoakError as error:
        example = "" if target in ("1", "dimensionless") else target
        fixes = [replace(f, fix=f"write it in {target}, such as {figure.name}=…{example}") for f in error.faults
                 if f.code == "E341"]  # fmt: skip
        raise UnderoakError(*(fixes or error.faults)) from error


def _deviation(
    figure: WrittenFigure, unit: str, target: str, step: units.Affine1D | units.SlopeStep
) -> tuple[float, bool]:
    """Return the written error in the profile's unit, or as a share of the value (then True)."""
    assert figure.error is not None
    if figure.error_unit:
        written = re.sub(r"^(%|percent)\s*of\s*(the\s*)?(value|it)$", "% of value", figure.error_unit)
        if written not in ("%", "percent", "% of value"):
            written = _unit(written, target)
        return deviation_in(f"{figure.error:.12f} {written}", target)
    if isinstance(step, units.Affine1D):
        return abs(step.scale) * figure.error, False
    low, high = (float(step(figure.value + sign * figure.error)) for sign in (-1.0, 1.0))
    return abs(high - low) / 2.0, False


def bounds_of(layer: str, unit: str) -> tuple[float, float]:
    """Return the values that a layer can have in a canonical unit: of its indicators, its quantity, or its unit.

    >>> bounds_of("soil_ph", "pH"), bounds_of("northness", ""), bounds_of("slope", "degree")
    ((2.0, 11.0), (-1.0, 1.0), (0.0, 90.0))
    """
    kind, quantity = _kind(layer), units.QUANTITIES[units.quantity_of(unit or "dimensionless")]
    derived = [REGISTRY[name] for name in (() if kind is None else kind[1].indicators)]
    alike = [indicator for indicator in derived if units.canonical_name(indicator.unit) == unit]
    if alike:
        return min(float(each.low) for each in alike), max(float(each.high) for each in alike)
    if quantity.unit and quantity.unit == unit:
        return quantity.low, quantity.high
    return _BOUNDS.get(layer) or _BOUNDS.get(unit, (-math.inf, math.inf))


def _implausible(
    figure: WrittenFigure, value: float, unit: str, target: str, limits: tuple[float, float]
) -> tuple[str, str, str]:
    """Return what is wrong with a value, where, and the fix: units in which it could be true."""
    span = f"{limits[0]:g}..{limits[1]:g}"
    what = f"{value:.6g} does not fit {target} {span}"
    fits = []
    for other in _RELATED.get(target, ()):
        converted = float(units.any_step(other, target)(figure.value))
        if other != unit and limits[0] <= converted <= limits[1]:
            fits.append(f"{figure.name}={converted:.4g}" if "*" in other else f"{figure.name}={figure.value:g}{other}")
    if not fits:
        return what, figure.text, "look at unit and value"
    return what, figure.text, f"if another unit was meant, write {' or '.join(fits)}"


def _kind(layer: str) -> tuple[str, PublishedError] | None:
    """Return the kind of map that a layer of a profile is, with its published errors."""
    return next(((name, error) for name, error in published_errors().items() if layer in error.layers), None)


def _with_assumed(figure: Figure, kind: tuple[str, PublishedError] | None, is_soil: bool) -> Figure:
    """Return the figure with the error of a laboratory if it is of the soil, else with that of a map."""
    if kind is None:
        return replace(figure, unknown="its kind is not known")
    name, error = kind
    if is_soil and error.lab is not None:
        origin: object = error.lab
        deviation = error.lab.sd
    elif error.sd is not None:
        origin, deviation = error, deviation_at(error.sd, _CELL_M)
    else:
        return replace(figure, unknown=error.no_error or "")
    sd, is_share = deviation_in(deviation, figure.unit)
    texts = {key: str(getattr(origin, key)) for key in ("cite", "source", "known", "grade")}
    assumed = AssumedErrorRecord(kind=name, sd=sd, is_share=is_share, unit=figure.unit, grain=None, **texts)
    return replace(figure, sd=sd, is_share=is_share, assumed=assumed)
