"""Results of a soil laboratory, bound to parcels and layers: read strictly, every fault at once, with its line."""

from __future__ import annotations

import csv
import datetime
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from underoak.base import units as _units
from underoak.base.errors import Problems, UnderoakError, count_of, did_you_mean
from underoak.indicators.soil.ph import PH_CONVERSIONS, PhConversion
from underoak.layers.files import input_path
from underoak.plan.keys.uncertainty import deviation_in

if TYPE_CHECKING:
    from underoak.plan.keys.layer import LayerSpec
    from underoak.plan.plan import Plan

NEEDED = ("parcel", "property", "value", "unit")
KNOWN = (*NEEDED, "depth", "method", "error", "date", "note")
_MOST_BYTES = 64 * 2**20
_NUMBER = re.compile(r"[-+]?\d+(\.\d*)?([eE][-+]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")
_IDS = "write it as the shapes of the plan's `parcels` name it"
_DEPTH = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:-|–|to)\s*(\d+(?:\.\d+)?)\s*(cm)?\s*")


@dataclass(frozen=True, slots=True)
class Result:
    """One row of the file, in the unit of its layer."""

    line: int
    value: float
    error: float | None  # standard deviation; None when nobody says
    depth: str  # "0-30 cm", or ""


@dataclass(frozen=True, slots=True)
class Lab:
    """All results that count, by parcel and layer."""

    mode: str  # update | replace
    results: Mapping[tuple[str, str], tuple[Result, ...]] = field(default_factory=dict)

    def of(self, parcel: str) -> dict[str, tuple[Result, ...]]:
        """The results of one parcel, by layer."""
        return {layer: results for (id, layer), results in self.results.items() if id == parcel}


def read_lab(plan: Plan, units: Mapping[str, str], ids: Sequence[str], problems: Problems) -> Lab:
    """The laboratory's file of a plan, as text in UTF-8 with commas and decimal points.

    Columns: `parcel` (or the plan's own name for it), `property` (a layer's name), `value`, `unit`, and if wanted
    `depth` (0-30 cm), `method` (of a pH), `error` (standard deviation, in the same unit), `date` (2026-01-31), `note`.
    `units` are those of the layers' values.

    Faults go to `problems`: E410 an encoding, E411 columns, E412 a field, E413 an unknown parcel or property, E414 rows
    that do not go together, E242, E245, E246 as for any input; warnings W412 what nothing judges by, W413 a pH that was
    measured otherwise, W417 no rows, W418 a row twice.
    """
    assert plan.spec.lab is not None
    spec, where = plan.spec.lab, f"lab ({plan.spec.lab.file})"
    text = _text(plan.base / spec.file, where, problems)
    if text is None:
        return Lab(spec.mode)
    results_by_layer: dict[tuple[str, str], list[Result]] = {}
    reader = _Reader(plan, units, set(ids), problems, where)
    before, lines = len(problems.faults), dict[tuple[tuple[str, str], ...], int]()
    for line, row in _rows(text, plan.parcels.id if plan.parcels else "parcel", where, problems):
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


def _text(path: Path, where: str, problems: Problems) -> str | None:
    try:
        real = input_path(str(path), Path(), where)
        if real.stat().st_size > _MOST_BYTES:
            fix = "remove the rows of other parcels"
            problems.add("E411", f"is larger than {_MOST_BYTES >> 20} MiB", where, fix)
            return None
        data = real.read_bytes()
    except UnderoakError as error:
        problems.add_error(error)
        return None
    except OSError as error:
        problems.add("E411", f"cannot be read ({error.strerror or error})", where, "correct `lab.file`")
        return None
    fix = "save it as text in UTF-8, in a spreadsheet: CSV UTF-8 (comma delimited)"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data:
        at = 0 if data.startswith((b"\xff\xfe", b"\xfe\xff")) else data.index(b"\0")
        problems.add("E410", f"is no text in UTF-8, at byte {at}", where, fix)
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        problems.add("E410", f"is no text in UTF-8, at byte {error.start}", where, fix)
        return None


def _rows(text: str, id_field: str, where: str, problems: Problems) -> Iterator[tuple[int, dict[str, str]]]:
    """Line numbers and fields by column; nothing when the columns are not right."""
    first = text.split("\n", 1)[0]
    if "," not in first and (";" in first or "\t" in first):
        mark = ";" if ";" in first else "a tab"
        what = f"its columns are parted by {mark}, and must be by commas, with points in decimals"
        problems.add("E411", what, where, "save it as comma-delimited text")
        return
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    columns: list[str] = []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if not columns:
                columns = ["parcel" if name.strip() == id_field else name.strip().lower() for name in row]
                if not _columns_fit(columns, where, problems):
                    return
            elif len(row) != len(columns):
                what = (
                    f"line {reader.line_num} has {count_of(len(row), 'field')}, and the first line names {len(columns)}"
                )
                problems.add("E411", what, where, "put a field that holds a comma in quotes")
            else:
                yield reader.line_num, {name: cell.strip() for name, cell in zip(columns, row, strict=True)}
    except csv.Error as error:
        problems.add("E411", f"line {reader.line_num} cannot be read ({error})", where, "close its quotes")
        return
    if not columns:
        problems.add("E411", "is empty", where, f"its first line names the columns: {', '.join(KNOWN)}")


def _columns_fit(columns: Sequence[str], where: str, problems: Problems) -> bool:
    before = len(problems.faults)
    if not set(columns) & set(KNOWN):
        some = ", ".join(columns)[:60]
        problems.add("E411", f'its first line names no column that is known: "{some}"', where, f"begin with {_LISTED}")
        return False
    for name in columns:
        if name not in KNOWN:
            problems.add("E411", f'the column "{name}" is not known', where, did_you_mean(name, KNOWN, _LISTED))
        elif columns.count(name) > 1:
            problems.add("E411", f'the column "{name}" is there twice', where, "keep one of them")
    for name in NEEDED:
        if name not in columns and len(problems.faults) == before:  # else it may be there, with a slip
            problems.add("E411", f'there is no column "{name}"', where, _LISTED)
    return len(problems.faults) == before


_LISTED = f"columns: {', '.join(NEEDED)}; if wanted: {', '.join(KNOWN[len(NEEDED) :])}"


class _Reader:
    """Rows, one after the other, into results; tells of each fault with its line."""

    def __init__(self, plan: Plan, units: Mapping[str, str], ids: set[str], problems: Problems, where: str) -> None:
        self.plan, self.units, self.ids, self.problems, self.where = plan, units, ids, problems, where
        self.judged = {criterion.layer for criterion in plan.criteria}
        self.idle: set[str] = set()
        self.converted: dict[str, list[int]] = {}

    def read(self, line: int, row: Mapping[str, str]) -> tuple[str, str, Result] | None:
        before = len(self.problems.faults)
        parcel, name = row["parcel"], row["property"]
        fix = did_you_mean(parcel, sorted(self.ids), _IDS)
        self._check(parcel in self.ids, "E413", line, f'there is no parcel "{parcel}"', fix)
        layer = self.plan.layers.get(name)
        fix = did_you_mean(name, self.plan.layers, "name a layer of the plan: " + ", ".join(self.plan.layers))
        self._check(layer is not None, "E413", line, f'there is no layer "{name}"', fix)
        value = self._number(line, "value", row["value"])
        error = self._number(line, "error", row["error"]) if row.get("error") else None
        if error is not None:
            self._check(error >= 0.0, "E412", line, "an error cannot be negative", "give a standard deviation")
        depth = self._depth(line, row.get("depth", ""))
        self._date(line, row.get("date", ""))
        if layer is None or value is None or len(self.problems.faults) > before:
            return None
        if layer.holds_codes:
            self._check(False, "E413", line, f'the layer "{name}" holds class codes', "test what is measured")
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
        return parcel, name, Result(line, value, error, depth)

    def tell(self) -> None:
        """Warnings that are about many lines."""
        for name in sorted(self.idle):
            what = f'no criterion uses "{name}": its results change nothing'
            self.problems.add("W412", what, self.where, "add a criterion for it, or delete the rows")
        for what, lines in sorted(self.converted.items()):
            some = ", ".join(map(str, lines[:8])) + (", ..." if len(lines) > 8 else "")
            self.problems.add("W413", f"line{'s' if len(lines) > 1 else ''} {some}: {what}", self.where)

    def _check(self, fine: bool, code: str, line: int, what: str, fix: str) -> None:
        if not fine:
            self.problems.add(code, f"line {line}: {what}", self.where, fix)

    def _number(self, line: int, column: str, text: str) -> float | None:
        if _NUMBER.fullmatch(text) and math.isfinite(float(text)):
            return float(text)
        fix = "write decimals with a point" if _DECIMAL_COMMA.fullmatch(text) else "write a plain number, such as 7.8"
        self._check(False, "E412", line, f'{column} "{text}" is no number', fix)
        return None

    def _depth(self, line: int, text: str) -> str:
        if not text:
            return ""
        match = _DEPTH.fullmatch(text)
        if match is None or not float(match[1]) < float(match[2]):
            self._check(False, "E412", line, f'depth "{text}" is no span', "write it like 0-30 cm")
            return ""
        return f"{float(match[1]):g}-{float(match[2]):g} cm"

    def _date(self, line: int, text: str) -> None:
        try:
            if text:
                datetime.date.fromisoformat(text)
        except ValueError:
            self._check(False, "E412", line, f'date "{text}" is none', "write year-month-day, such as 2026-01-31")

    def _step(self, line: int, unit: str, name: str) -> _units.Affine1D | None:
        layer_unit = self.units.get(name, "")
        if not unit and layer_unit:
            self._check(False, "E412", line, "has no unit", f"write one, such as {layer_unit}")
            return None
        try:
            return _units.conversion(unit, layer_unit) if layer_unit else _units.Affine1D()
        except UnderoakError as error:
            for fault in error.faults:
                self._check(False, "E412", line, f'unit "{unit}": {fault.what}', f"{name} is used in {layer_unit}")
            return None

    def _is_ph(self, name: str) -> bool:
        return bool(self.units.get(name, "")) and _units.canonical_name(self.units.get(name, "")) == "pH"

    def _by_method(
        self, line: int, name: str, layer: LayerSpec, value: float, error: float | None, method: str
    ) -> tuple[float, float | None] | None:
        """The pH as the layer's way of measuring would give it, and its error."""
        if not method:
            fix = "fill the column `method`: water, KCl or CaCl2, best with the ratio, such as KCl 1:2.5"
            self._check(False, "E412", line, "does not say how the pH was measured", fix)
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
            self._check(False, "E412", line, what, f"known: {known}; or have it measured in {wanted}")
            return None
        if not law.low <= value <= law.high:
            span = f"{law.low:g} to {law.high:g}"
            what = f"pH {value:g} in {method} is beyond the published line, which goes from {span}"
            self._check(False, "E412", line, what, f"have it measured in {wanted}")
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
        self._check(low <= value <= high, "E412", line, f"{value:g} {unit} cannot be true of {known.text}", fix)

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


def error_of(result: Result, layer: str, plan: Plan, unit: str) -> float | None:
    """The standard deviation of a result: its own, else what the plan says of such results; None when nobody says."""
    if result.error is not None:
        return result.error
    lab_error = plan.uncertainty.lab_error.get(layer) if plan.uncertainty else None
    if lab_error is None:
        return None
    deviation, is_share = deviation_in(lab_error, unit)
    return deviation * abs(result.value) if is_share else deviation
