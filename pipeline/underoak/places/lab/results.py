"""Results of a soil laboratory, bound to parcels and layers: read strictly, every fault at once, with its line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from underoak.base import units as _units
from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.indicators.soil.ph import PH_CONVERSIONS, PhConversion
from underoak.places.lab.sample_places import LabPlaces
from underoak.places.lab.sampling_error import within_field_of
from underoak.places.tables.fields import TableFields
from underoak.places.tables.text_table import TableColumns, read_rows, read_text

if TYPE_CHECKING:
    from underoak.places.geometry.parcel_shapes import Parcels
    from underoak.plan.keys.layer import LayerSpec
    from underoak.plan.plan import Plan

COLUMNS = TableColumns(
    key="lab.file",
    needed=("parcel", "property", "value", "unit"),
    optional=("depth", "method", "error", "cores", "x", "y", "lon", "lat", "date", "note"),
    numbers=("value", "error", "cores", "x", "y", "lon", "lat"),
    pairs=(("x", "y"), ("lon", "lat")),
)
_IDS = "write it as the shapes of the plan's `parcels` name it"
_DEPTH = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:-|–|to)\s*(\d+(?:\.\d+)?)\s*(cm)?\s*")


@dataclass(frozen=True, slots=True)
class Result:
    """One row of the file, in the unit of its layer."""

    line: int
    value: float
    error: float | None  # standard deviation of the method; None when nobody says
    depth: str  # "0-30 cm", or ""
    cores: int | None = None  # in the bag; None when nobody says
    place: tuple[float, float] | None = None  # x and y in the CRS of the analysis grid


@dataclass(frozen=True, slots=True)
class Lab:
    """All results that count, by parcel and layer."""

    mode: str  # update | replace
    results: Mapping[tuple[str, str], tuple[Result, ...]] = field(default_factory=dict)

    def of(self, parcel: str) -> dict[str, tuple[Result, ...]]:
        """The results of one parcel, by layer."""
        return {layer: results for (id, layer), results in self.results.items() if id == parcel}


def read_lab(
    plan: Plan, units: Mapping[str, str], ids: Sequence[str], problems: Problems, parcels: Parcels | None = None
) -> Lab:
    """Return the lab results of a plan, from its file: text in UTF-8 (see `tables.text_table.read_rows`).

    Columns: `parcel` (or the plan's name for it), `property` (a layer's name), `value`, `unit`, and if wanted
    `depth` (0-30 cm), `method` (of a pH), `error` (standard deviation of the method, in the same unit), `cores` (in the
    bag), `x` and `y` or `lon` and `lat` (where the sample was taken), `date` (2026-01-31), `note`. `units` are those of
    the layers' values. `parcels` are needed to check places.

    Faults go to `problems`: E410 an encoding, E411 columns, E412 a field, E413 an unknown parcel or property, E414 rows
    that do not go together, E415 a place, E242, E245, E246 as for any input; warnings W412 what nothing judges by, W413
    a pH that was measured otherwise, W417 no rows, W418 a row twice, W419 no number of cores.
    """
    assert plan.spec.lab is not None
    spec, where = plan.spec.lab, f"lab ({plan.spec.lab.file})"
    text = read_text(plan.base / spec.file, COLUMNS.key, where, problems)
    if text is None:
        return Lab(spec.mode)
    results_by_layer: dict[tuple[str, str], list[Result]] = {}
    places = LabPlaces(spec.crs, parcels, where, problems)
    reader = _Reader(plan, units, set(ids), places, problems, where)
    before, lines = len(problems.faults), dict[tuple[tuple[str, str], ...], int]()
    for line, row in read_rows(text, COLUMNS, plan.parcels.id if plan.parcels else "parcel", where, problems):
        first = lines.setdefault(tuple(sorted(row.items())), line)
        if first != line:
            what = f"line {line} repeats line {first}: both count, as two samples with one result"
            problems.add("W418", what, where, "delete one, or add a `note` to each")
        result = reader.read(line, row)
        if result is not None:
            parcel, layer, result_of_line = result
            results_by_layer.setdefault((parcel, layer), []).append(result_of_line)
    if not lines and len(problems.faults) == before:
        problems.add(
            "W417", "names its columns and holds no result: nothing is judged again", where, "add a row for each"
        )
    selected = {}
    for (parcel, layer), results in sorted(results_by_layer.items()):
        of_depth = _of_one_depth(parcel, layer, results, spec.depth, where, problems)
        _check_update(layer, of_depth, plan, where, problems)
        if of_depth:
            selected[parcel, layer] = tuple(of_depth)
    reader.tell()
    return Lab(spec.mode, selected)


class _Reader:
    """Rows, one after the other, into results; tells of each fault with its line."""

    def __init__(
        self, plan: Plan, units: Mapping[str, str], ids: set[str], places: LabPlaces, problems: Problems, where: str
    ) -> None:
        self.plan, self.units, self.ids, self.problems, self.where = plan, units, ids, problems, where
        self.places = places
        self.fields = TableFields(where, problems)
        self.judged = {criterion.layer for criterion in plan.criteria}
        self.idle: set[str] = set()
        self.converted: dict[str, list[int]] = {}
        self.without_cores: list[int] = []

    def read(self, line: int, row: Mapping[str, str]) -> tuple[str, str, Result] | None:
        before = len(self.problems.faults)
        parcel, name = row["parcel"], row["property"]
        fix = did_you_mean(parcel, sorted(self.ids), _IDS)
        self.fields.check(parcel in self.ids, line, f'there is no parcel "{parcel}"', fix, "E413")
        layer = self.plan.layers.get(name)
        fix = did_you_mean(name, self.plan.layers, "name a layer of the plan: " + ", ".join(self.plan.layers))
        meant = self._meant_by(name)
        fix = "did you mean " + " or ".join(f'"{each}"' for each in meant) + "?" if meant else fix
        self.fields.check(layer is not None, line, f'there is no layer "{name}"', fix, "E413")
        value = self.fields.number(line, "value", row["value"])
        error = self.fields.number(line, "error", row["error"]) if row.get("error") else None
        if error is not None:
            self.fields.check(error >= 0.0, line, "an error cannot be negative", "give a standard deviation")
        cores = self._cores(line, row.get("cores", ""))
        place = self.places.read(line, row) if parcel in self.ids else None
        depth = self._depth(line, row.get("depth", ""))
        self.fields.date(line, row.get("date", ""))
        if layer is None or value is None or len(self.problems.faults) > before:
            return None
        if layer.holds_codes:
            self.fields.check(False, line, f'the layer "{name}" holds class codes', "test what is measured", "E413")
            return None
        step = self._step(line, row["unit"], name)
        if step is None:
            return None
        value, error = step(value), None if error is None else abs(step.scale) * error
        if self._is_ph(name):
            converted = self._by_method(line, name, layer, value, error, row.get("method", ""))
            if converted is None:
                return None
            value, error = converted
        self._plausible(line, name, layer, value)
        if len(self.problems.faults) > before:
            return None
        if name not in self.judged:
            self.idle.add(name)
            return None
        if cores is None and within_field_of(self.plan, name, self.units[name]).sd_of(value) > 0.0:
            self.without_cores.append(line)
        return parcel, name, Result(line, value, error, depth, cores, place)

    def tell(self) -> None:
        """Warnings that are about many lines."""
        for name in sorted(self.idle):
            what = f'no criterion uses "{name}": its results change nothing'
            self.problems.add("W412", what, self.where, "add a criterion for it, or delete the rows")
        for what, lines in sorted(self.converted.items()):
            self.problems.add("W413", f"{_lines(lines)}: {what}", self.where)
        if self.without_cores:
            what = "no number of cores, so the sample counts as one core, which tells little of a field"
            fix = "fill the column `cores`, or write `cores:` under `lab`"
            self.problems.add("W419", f"{_lines(self.without_cores)}: {what}", self.where, fix)

    def _meant_by(self, name: str) -> list[str]:
        """Return the layers that a laboratory's word such as `pH` may mean, by criterion, label or end of the name."""
        word = name.casefold()
        by_criterion = [c.layer for c in self.plan.criteria if word and word in (c.name.casefold(), c.label.casefold())]
        by_name = [layer for layer in self.plan.layers if word and layer.casefold() in (word, f"soil_{word}")]
        return list(dict.fromkeys(by_criterion + by_name))[:2]

    def _cores(self, line: int, text: str) -> int | None:
        if not text:
            assert self.plan.spec.lab is not None
            return self.plan.spec.lab.cores
        number = self.fields.number(line, "cores", text)
        if number is None:
            return None
        is_count = number.is_integer() and 1 <= number <= 1000
        self.fields.check(is_count, line, f'cores "{text}" is no count', "write how many cores went into the bag")
        return int(number) if is_count else None

    def _depth(self, line: int, text: str) -> str:
        if not text:
            return ""
        match = _DEPTH.fullmatch(text)
        if match is None or not float(match[1]) < float(match[2]):
            self.fields.check(False, line, f'depth "{text}" is no span', "write it like 0-30 cm")
            return ""
        return f"{float(match[1]):g}-{float(match[2]):g} cm"

    def _step(self, line: int, unit: str, name: str) -> _units.Affine1D | None:
        layer_unit = self.units.get(name, "")
        if not unit and layer_unit:
            self.fields.check(False, line, "has no unit", f"write one, such as {layer_unit}")
            return None
        try:
            return _units.conversion(unit, layer_unit) if layer_unit else _units.Affine1D()
        except UnderoakError as error:
            for fault in error.faults:
                self.fields.check(False, line, f'unit "{unit}": {fault.what}', f"{name} is used in {layer_unit}")
            return None

    def _is_ph(self, name: str) -> bool:
        return bool(self.units.get(name, "")) and _units.canonical_name(self.units.get(name, "")) == "pH"

    def _by_method(
        self, line: int, name: str, layer: LayerSpec, value: float, error: float | None, method: str
    ) -> tuple[float, float | None] | None:
        """The pH as the layer's way of measuring would give it, and its error."""
        if not method:
            fix = "fill the column `method`: water, KCl or CaCl2, best with the ratio, such as KCl 1:2.5"
            self.fields.check(False, line, "does not say how the pH was measured", fix)
            return None
        wanted = layer.method if isinstance(layer.method, str) else None
        if wanted is None:
            self._note(f'"{name}" does not say how its pH was measured; taken to be measured as the sample was', line)
            return value, error
        if method == wanted or method.partition(" ")[0] == wanted:
            return value, error
        law = published(method, wanted)
        if law is None:
            known = "; ".join(sorted(given for given, to in PH_CONVERSIONS if to.partition(" ")[0] == wanted))
            what = f"no one published line leads from pH in {method} to pH in {wanted}"
            self.fields.check(False, line, what, f"known: {known}; or have it measured in {wanted}")
            return None
        if not law.low <= value <= law.high:
            span = f"{law.low:g} to {law.high:g}"
            what = f"pH {value:g} in {method} is beyond the published line, which goes from {span}"
            self.fields.check(False, line, what, f"have it measured in {wanted}")
            return None
        self._note(f"pH in {law.given} turned into pH in {law.wanted} by {law.formula} ({law.source})", line)
        return float(law.line(value)), None if error is None else math.hypot(error, law.sd)  # type: ignore[arg-type]

    def _plausible(self, line: int, name: str, layer: LayerSpec, value: float) -> None:
        unit = self.units.get(name, "")
        known = _units.QUANTITIES[_units.quantity_of(unit or "dimensionless", layer.quantity)]
        low, high = layer.valid or (known.low, known.high)
        if known.unit and unit and layer.valid is None:
            step = _units.conversion(known.unit, unit)
            low, high = step(known.low), step(known.high)
        fix = "look at unit and value"
        self.fields.check(low <= value <= high, line, f"{value:g} {unit} cannot be true of {known.text}", fix)

    def _note(self, what: str, line: int) -> None:
        self.converted.setdefault(what, []).append(line)


def published(given: str, solvent: str) -> PhConversion | None:
    """The published line from a way of measuring, such as `KCl 1:2.5`, to a solvent; None unless there is just one.

    >>> published("KCl 1:2.5", "water").formula, published("KCl", "water").formula, published("KCl", "CaCl2")
    ('-1.95 + 11.58 log10(x)', '-1.95 + 11.58 log10(x)', None)
    """
    lines = [
        line
        for (one, other), line in PH_CONVERSIONS.items()
        if other.partition(" ")[0] == solvent and given in (one, one.partition(" ")[0])
    ]
    return lines[0] if len(lines) == 1 else None


def _of_one_depth(
    parcel: str, layer: str, results: list[Result], plan_depth: str | None, where: str, problems: Problems
) -> list[Result]:
    match = _DEPTH.fullmatch(plan_depth) if plan_depth else None
    if match is not None:
        depth = f"{float(match[1]):g}-{float(match[2]):g} cm"
        return [result for result in results if result.depth in ("", depth)]
    depths = sorted({result.depth for result in results})
    if len(depths) > 1:
        lines = ", ".join(str(result.line) for result in results)
        what = f"lines {lines}: {layer} of parcel {parcel} at several depths ({', '.join(d or 'none' for d in depths)})"
        problems.add("E414", what, where, "say which one counts, such as `depth: 0-30 cm` under `lab`")
    return results


def _check_update(layer: str, results: Sequence[Result], plan: Plan, where: str, problems: Problems) -> None:
    """An update weighs a result against the map, so both must say how far off they may be."""
    assert plan.spec.lab is not None
    if plan.spec.lab.mode != "update":
        return
    if not plan.layers[layer].has_uncertainty:
        what = f'the layer "{layer}" states no uncertainty, so no result can be weighed against it'
        problems.add("E414", what, where, "give the layer `sd` or `quantiles`, or write `mode: replace` under `lab`")
    lab_errors = plan.uncertainty.lab_error if plan.uncertainty else {}
    without_error = [str(result.line) for result in results if result.error is None]
    if without_error and layer not in lab_errors:
        what = f"line{'s' if len(without_error) > 1 else ''} {', '.join(without_error[:8])}: {layer} has no error"
        fix = f"fill the column `error`, or write `lab_error: {{{layer}: ...}}` under `uncertainty`"
        problems.add("E414", what, where, fix)


def _lines(lines: Iterable[int]) -> str:
    """Return the numbers of lines in words: `line 3`, `lines 3, 4`; at most eight."""
    numbers = list(lines)
    some = ", ".join(map(str, numbers[:8])) + (", ..." if len(numbers) > 8 else "")
    return f"line{'s' if len(numbers) > 1 else ''} {some}"
