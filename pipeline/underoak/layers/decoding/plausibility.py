"""Plausibility of a layer: a small sample of its values, checked before anything is computed.

A wrong unit or an undeclared nodata value shows in the values. The fix is proposed to the user, never applied.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Window
from underoak.base.units import canonical_name
from underoak.layers.decoding.encoding import Encoding, Probe, intervals
from underoak.layers.decoding.rules import strip_factor, unit_step
from underoak.layers.files import format_number
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import SourceFacts

MAX_OUTSIDE_SHARE = 0.001  # of the cells, which may lie outside the plausible bounds (and are dropped)
_MAX_ZEROS_SHARE = 0.01
_MIN_VALUES = 100
# Numbers that files use for nodata and that measure nothing.
_NEVER_VALUES = (
    -9999.0, -99999.0, -999999.0, -32768.0, -3.4028234663852886e38, 3.4028234663852886e38, 1.0e20, 9.969209968386869e36,
    -1.7976931348623157e308, 1.7976931348623157e308, 1.0e36, 1.0e30, -1.0e30, -1.0e32, -1.0e34,
)  # fmt: skip
_POSSIBLE_TAGS = (0.0, -1.0, 254.0, 255.0, -999.0, 9999.0, 65535.0)  # nodata if no other values lie outside the bounds

FloatLine = npt.NDArray[np.float64]


class Probeable(Protocol):
    """A source whose stored cells can be sampled."""

    @property
    def facts(self) -> SourceFacts:
        """Path, format, units and decoding of the file."""
        ...

    @property
    def encoding(self) -> Encoding:
        """The step from stored numbers to values."""
        ...

    @property
    def request(self) -> LayerRequest:
        """The layer in the plan."""
        ...

    def probe(self, window: Window) -> list[Probe]:
        """Read stored cells of a window."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class ValueSample:
    """A sample of cells over a layer: those not declared missing, as stored and in the canonical unit."""

    stored: FloatLine
    values: FloatLine
    outside: npt.NDArray[np.bool_]  # beyond the plausible bounds
    cells: int
    infinite: int
    zeros_hidden: int  # cells of 0 that count as missing by the declared nodata

    @property
    def n_values(self) -> int:
        """Cells with a value."""
        return int(self.values.size)


def sample_windows(window: Window, n: int = 5, size: int = 64, block: tuple[int, int] = (1, 1)) -> Iterator[Window]:
    """Yield at most n x n windows of `size` cells a side, spread evenly over a window from edge to edge.

    Where a small shift puts one into a single `block` of the file (rows, cols), it is shifted: only one block is read.

    >>> [(w.row, w.rows) for w in sample_windows(Window(0, 0, 400, 10), n=3)]
    [(0, 64), (168, 64), (336, 64)]
    >>> [(w.row, w.rows) for w in sample_windows(Window(0, 0, 400, 10), n=3, block=(200, 10))]
    [(0, 64), (136, 64), (336, 64)]
    """
    for row, rows in _spread(window.row, window.rows, n, size, block[0]):
        for col, cols in _spread(window.col, window.cols, n, size, block[1]):
            yield Window(row, col, rows, cols)


def _spread(start: int, length: int, n: int, size: int, block: int) -> list[tuple[int, int]]:
    if length <= n * size:  # no gaps: every cell once
        return [(start + offset, min(size, length - offset)) for offset in range(0, length, size)]
    gap = (length - size) / max(n - 1, 1) - size
    starts = [start + (length - size) * i // max(n - 1, 1) for i in range(n)]
    if size <= block and gap >= size:  # a shift is at most half of `size`: none overlap
        starts[1:-1] = (_in_one_block(each, size, block) for each in starts[1:-1])
    return [(each, size) for each in starts]


def _in_one_block(start: int, size: int, block: int) -> int:
    """Return the nearest start of a stretch that lies in one block."""
    beyond = start % block + size - block  # cells in the next block
    if beyond <= 0:
        return start
    return start - beyond if beyond <= size // 2 else start + size - beyond


def read_sample(source: Probeable, window: Window, n: int = 5, size: int = 64) -> ValueSample:
    """Read a sample of a source within a window of its grid; the same cells every time.

    Raises:
        UnderoakError: E230 when the file cannot be read there.
    """
    stored, values, outside = [np.empty(0)], [np.empty(0)], [np.empty(0, np.bool_)]
    cells = infinite = zeros = 0
    with np.errstate(invalid="ignore", over="ignore"):  # NaN of any kind, and numbers beyond float32
        for part in sample_windows(window, n, size, source.facts.block):
            for probe in source.probe(part):
                block, encoding = probe.stored.ravel(), probe.encoding
                plain = block.astype(np.float64)
                hidden = np.isnan(plain)
                for low, high in zip(*intervals(encoding.nodata, block.dtype), strict=True):
                    hidden |= (block >= low) & (block <= high)
                cells += block.size
                zeros += int(np.count_nonzero(hidden & (plain == 0.0)))
                if probe.shown is not None:
                    hidden |= probe.shown.ravel() == 0
                endless = np.isinf(plain) & ~hidden
                infinite += int(np.count_nonzero(endless))
                stored.append(plain[~hidden & ~endless])
                values.append(encoding.value(stored[-1]))
                single = values[-1].astype(np.float32)
                beyond = (single < np.float32(encoding.low)) | (single > np.float32(encoding.high))
                outside.append(beyond | np.isinf(single))
    join = np.concatenate
    return ValueSample(join(stored), join(values), join(outside), cells, infinite, zeros)


def check_sample(sample: ValueSample, source: Probeable, problems: Problems) -> None:
    """Add a fault or warning for each implausible trait of a sample.

    E210 an undeclared nodata value, E204 a unit that the values do not fit, W204 values inside the bounds that look
    like another unit, W211 zeros that a file declares as nodata, W212 infinite values.
    """
    request = source.request
    if sample.infinite:
        share = _percent(sample.infinite, sample.cells)
        problems.add("W212", f"{share} of the sampled cells are infinite; they count as missing", request.where)
    _check_zeros(sample, source.encoding, request, problems)
    if not sample.n_values:
        return
    tags, is_odd = _undeclared_tags(sample, source.facts.dtype)
    for tag, count in tags:
        share, written = _percent(count, sample.n_values), _yaml_number(tag, source.facts.dtype)
        what = (
            f"{share} of the sampled values are {written}: probably nodata that neither the file nor the plan declares"
        )
        problems.add("E210", what, request.where, f'add "nodata: {written}" under {request.key}')
    if request.kind == "classes":
        return
    if np.count_nonzero(is_odd) > MAX_OUTSIDE_SHARE * sample.n_values:
        _report_wrong_unit(sample, is_odd, tags, source, problems)
    elif not tags:
        _warn_of_small_values(sample, source.facts, request, problems)


def _percent(count: int, of: int) -> str:
    return f"{100.0 * count / of:.2g} %"


def _yaml_number(tag: float, dtype: str) -> str:
    """Return the shortest text that YAML reads back as this number."""
    kind = np.dtype(dtype)
    text = str(int(tag)) if kind.kind in "iu" else str(kind.type(tag)).removesuffix(".0")
    digits, mark, power = text.partition("e")
    return text if not mark or "." in digits else f"{digits}.0e{power}"


def _check_zeros(sample: ValueSample, encoding: Encoding, request: LayerRequest, problems: Problems) -> None:
    if 0.0 not in encoding.nodata or (request.nodata and 0.0 in request.nodata) or request.kind == "classes":
        return
    true = encoding.low <= encoding.value(0.0) <= encoding.high
    if true and sample.zeros_hidden > _MAX_ZEROS_SHARE * sample.cells:
        share = _percent(sample.zeros_hidden, sample.cells)
        what = f"the file declares 0 as nodata, and {share} of the sampled cells are 0, which can be a true value here"
        fix = f'under {request.key} write "nodata: 0" if they are missing, or another number if they are values'
        problems.add("W211", what, request.where, fix)


def _undeclared_tags(sample: ValueSample, dtype: str) -> tuple[list[tuple[float, int]], npt.NDArray[np.bool_]]:
    """Return stored numbers that look like nodata, with their counts, and a mask of other values outside the bounds."""
    kind = np.dtype(dtype)
    ends = (float(np.iinfo(kind).min), float(np.iinfo(kind).max)) if kind.kind in "iu" else ()
    never_values = _NEVER_VALUES + (tuple(end for end in ends if end) if kind.itemsize >= 2 else ())
    is_certain_tag = _is_any_of(sample.stored, never_values)
    is_possible_tag = _is_any_of(sample.stored, _POSSIBLE_TAGS + ends) & sample.outside & ~is_certain_tag
    is_odd = sample.outside & ~is_certain_tag & ~is_possible_tag
    if np.count_nonzero(is_odd) > MAX_OUTSIDE_SHARE * sample.n_values:  # too many: the unit may be wrong
        is_odd, is_possible_tag = is_odd | is_possible_tag, np.zeros_like(is_possible_tag)
    tags, counts = np.unique(sample.stored[is_certain_tag | is_possible_tag], return_counts=True)
    frequent = [
        (float(v), int(n)) for v, n in zip(tags, counts, strict=True) if n > MAX_OUTSIDE_SHARE * sample.n_values
    ]
    return frequent, is_odd


def _is_any_of(stored: FloatLine, tags: tuple[float, ...]) -> npt.NDArray[np.bool_]:
    is_tag = np.isin(stored, tags)
    for tag in tags:
        if abs(tag) >= 1.0e19:
            is_tag |= np.abs(stored - tag) <= 1e-6 * abs(tag)
    return is_tag


def _report_wrong_unit(
    sample: ValueSample,
    is_odd: npt.NDArray[np.bool_],
    tags: list[tuple[float, int]],
    source: Probeable,
    problems: Problems,
) -> None:
    facts, encoding, request = source.facts, source.encoding, source.request
    values = sample.values[~_is_any_of(sample.stored, tuple(tag for tag, _ in tags))]
    fitting = _units_that_fit(values, facts, encoding)
    span = f"{encoding.low:g}..{encoding.high:g}"
    share = (
        "" if np.count_nonzero(is_odd) > 0.5 * values.size else f"{_percent(int(is_odd.sum()), values.size)} of the "
    )
    what = f"{share}values {values.min():.4g}..{values.max():.4g} do not fit {facts.unit or 'the bounds'} {span}"
    if not fitting:
        fix = f'correct "unit:" under {request.key}, declare "nodata:", or widen "valid:" if the values are true'
        problems.add("E204", what, request.where, fix)
        return
    what += f"; they fit {' or '.join(name for name, _ in fitting)}"
    # YAML reads a bare % as a directive
    written = [f"\"unit: '{name}'\"" if name.startswith("%") else f'"unit: {name}"' for name, _ in fitting]
    first, factor = fitting[0]
    file_scale = _file_scale(encoding, facts, request)
    if not math.isclose(file_scale, 1.0, rel_tol=1e-9):
        by = format_number(file_scale)
        fix = (
            f"the file scales by {by} itself: if that is wrong, write the file without it; else {' or '.join(written)}"
        )
    elif factor and "*" in first:
        scale = factor * (request.scale or 1.0)
        fix = f'add "scale: {format_number(scale)}" under {request.key}, or {" or ".join(written)}'
    else:
        fix = f"write {' or '.join(written)} under {request.key}"
    problems.add("E204", what, request.where, fix)


def _units_that_fit(values: FloatLine, facts: SourceFacts, encoding: Encoding) -> list[tuple[str, float]]:
    """Return units in which the values would be plausible, each with its factor (0: not a mere factor)."""
    target = facts.unit
    if encoding.to_slope is not None:
        return []
    try:
        current = unit_step(facts.stored_unit, target)
    except UnderoakError:  # a rate that becomes a month's depth; a mean month will do here
        target = f"{target}/month"
        current = unit_step(facts.stored_unit, target)
    in_declared_unit = (values - current.offset) / current.scale
    base = strip_factor(facts.stored_unit)
    units: dict[tuple[float, float], tuple[str, float]] = {}
    for name in (base, *_relatives(base), *(f"{base}*{n}" for n in (10, 100, 1000, "0.1", "0.01"))):
        try:
            step = unit_step(name, target)
        except UnderoakError:
            continue
        converted = step(in_declared_unit)
        inside = np.count_nonzero((converted >= encoding.low) & (converted <= encoding.high))
        key = (float(f"{step.scale:.6g}"), float(f"{step.offset:.6g}"))
        if inside >= (1.0 - MAX_OUTSIDE_SHARE) * values.size and key not in units:
            same_kind = math.isclose(step.offset, current.offset, abs_tol=1e-9)
            units[key] = (name, step.scale / current.scale if same_kind else 0.0)
    return list(units.values())[:3]


def _relatives(unit: str) -> tuple[str, ...]:
    base = canonical_name(unit)
    if base in {"degC", "K", "°F"}:
        return "K", "degC", "degC*10", "K*10"
    if base == "mm" or base.startswith("mm/"):
        return "mm/month", "mm/day", "kg m-2 s-1"
    return "fraction", "percent", "g/kg"


def _file_scale(encoding: Encoding, facts: SourceFacts, request: LayerRequest) -> float:
    try:
        step = unit_step(facts.stored_unit, facts.unit).scale
    except UnderoakError:
        return 1.0
    return encoding.affine.scale / (step * (request.scale or 1.0))


def _warn_of_small_values(sample: ValueSample, facts: SourceFacts, request: LayerRequest, problems: Problems) -> None:
    """Add W204 for values that are inside the bounds but look like another unit."""
    highest = float(sample.values.max())
    if sample.n_values < _MIN_VALUES or highest <= 0.0:
        return
    if facts.unit == "percent" and highest <= 1.0:
        what, like = f"no sampled value is above {highest:.3g} percent: they look like fractions", "fraction"
    elif facts.unit == "mm" and highest < 0.5:
        what, like = f"no sampled value is above {highest:.3g} mm: they look like a rate or like metres", "kg m-2 s-1"
    else:
        return
    problems.add("W204", what, request.where, f'if so, write "unit: {like}" under {request.key}')
