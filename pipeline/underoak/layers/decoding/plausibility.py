"""Do the values look right? A small sample of a layer, judged before anything is computed.

A wrong unit or an undeclared nodata value is found by what it does to the values: it is proposed to the user, never
corrected silently.
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

MOST_OUTSIDE = 0.001  # share of cells outside the plausible bounds that is let pass (and dropped)
_MOST_ZEROS = 0.01
_FEWEST = 100
# Numbers that files use for nodata and that measure nothing.
_NEVER_VALUES = (
    -9999.0, -99999.0, -999999.0, -32768.0, -3.4028234663852886e38, 3.4028234663852886e38, 1.0e20, 9.969209968386869e36,
    -1.7976931348623157e308, 1.7976931348623157e308, 1.0e36, 1.0e30, -1.0e30, -1.0e32, -1.0e34,
)  # fmt: skip
_PERHAPS = (0.0, -1.0, 254.0, 255.0, -999.0, 9999.0, 65535.0)  # nodata when they alone stand out

FloatLine = npt.NDArray[np.float64]


class Probeable(Protocol):
    """A source that shows its stored cells."""

    @property
    def facts(self) -> SourceFacts:
        """What was found and decided."""
        ...

    @property
    def encoding(self) -> Encoding:
        """How its cells are decoded."""
        ...

    @property
    def asked(self) -> LayerRequest:
        """What the plan says of it."""
        ...

    def probe(self, window: Window) -> list[Probe]:
        """Stored cells of a window."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class ValueSample:
    """Cells of a lattice of small windows: those not declared missing, as stored and in the canonical unit."""

    stored: FloatLine
    values: FloatLine
    outside: npt.NDArray[np.bool_]  # beyond the plausible bounds
    cells: int
    infinite: int
    zeros_hidden: int  # cells of 0 that the declared nodata takes away

    @property
    def seen(self) -> int:
        """Cells with a value."""
        return int(self.values.size)


def sample_windows(window: Window, n: int = 5, size: int = 64) -> Iterator[Window]:
    """At most n x n windows of `size` cells, spread evenly over a window from edge to edge.

    >>> [(w.row, w.rows) for w in sample_windows(Window(0, 0, 300, 10), n=3)]
    [(0, 64), (118, 64), (236, 64)]
    """
    for row, rows in _spread(window.row, window.rows, n, size):
        for col, cols in _spread(window.col, window.cols, n, size):
            yield Window(row, col, rows, cols)


def _spread(start: int, length: int, n: int, size: int) -> list[tuple[int, int]]:
    if length <= n * size:  # no gaps: every cell once
        return [(start + at, min(size, length - at)) for at in range(0, length, size)]
    return [(start + (length - size) * i // max(n - 1, 1), size) for i in range(n)]


def read_sample(source: Probeable, window: Window, n: int = 5, size: int = 64) -> ValueSample:
    """Sample a source within a window of its own grid; the same cells every time.

    Raises:
        UnderoakError: E230 when the file cannot be read there.
    """
    stored, values, outside = [np.empty(0)], [np.empty(0)], [np.empty(0, np.bool_)]
    cells = infinite = zeros = 0
    with np.errstate(invalid="ignore", over="ignore"):  # NaN of any kind, and numbers beyond float32
        for part in sample_windows(window, n, size):
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
                values.append(stored[-1] * encoding.affine.scale + encoding.affine.offset)
                single = values[-1].astype(np.float32)
                beyond = (single < np.float32(encoding.low)) | (single > np.float32(encoding.high))
                outside.append(beyond | np.isinf(single))
    join = np.concatenate
    return ValueSample(join(stored), join(values), join(outside), cells, infinite, zeros)


def check_sample(sample: ValueSample, source: Probeable, problems: Problems) -> None:
    """Add what the sample gives reason to doubt.

    E210 an undeclared nodata value, E204 a unit that the values do not fit, W204 values that fit too well to be in
    the unit, W211 zeros that a file calls nodata, W212 infinite values.
    """
    asked = source.asked
    if sample.infinite:
        share = _percent(sample.infinite, sample.cells)
        problems.add("W212", f"{share} of the sampled cells are infinite; they count as missing", asked.where)
    _zeros(sample, source.encoding, asked, problems)
    if not sample.seen:
        return
    tags, odd = _undeclared(sample, source.facts.dtype)
    for tag, count in tags:
        share, written = _percent(count, sample.seen), _written(tag, source.facts.dtype)
        what = f"{share} of the sampled values are {written}, which looks like nodata that nothing declares"
        problems.add("E210", what, asked.where, f'add "nodata: {written}" under {asked.key}')
    if asked.kind == "classes":
        return
    if np.count_nonzero(odd) > MOST_OUTSIDE * sample.seen:
        _wrong_unit(sample, odd, tags, source, problems)
    elif not tags:
        _too_small(sample, source.facts, asked, problems)


def _percent(count: int, of: int) -> str:
    return f"{100.0 * count / of:.2g} %"


def _written(tag: float, dtype: str) -> str:
    """The shortest number that is read back as this one, in a form that every reader of plans takes for a number."""
    kind = np.dtype(dtype)
    text = str(int(tag)) if kind.kind in "iu" else str(kind.type(tag)).removesuffix(".0")
    digits, mark, power = text.partition("e")
    return text if not mark or "." in digits else f"{digits}.0e{power}"


def _zeros(sample: ValueSample, encoding: Encoding, asked: LayerRequest, problems: Problems) -> None:
    if 0.0 not in encoding.nodata or (asked.nodata and 0.0 in asked.nodata) or asked.kind == "classes":
        return
    true = encoding.low <= encoding.affine(0.0) <= encoding.high
    if true and sample.zeros_hidden > _MOST_ZEROS * sample.cells:
        share = _percent(sample.zeros_hidden, sample.cells)
        what = f"the file calls 0 nodata, and {share} of the sampled cells are 0, which can be a true value here"
        fix = f'under {asked.key} say "nodata: 0" if they are missing; if they are values, give another number instead'
        problems.add("W211", what, asked.where, fix)


def _undeclared(sample: ValueSample, dtype: str) -> tuple[list[tuple[float, int]], npt.NDArray[np.bool_]]:
    """Stored numbers that look like nodata, with their counts, and the other values outside the bounds."""
    kind = np.dtype(dtype)
    ends = (float(np.iinfo(kind).min), float(np.iinfo(kind).max)) if kind.kind in "iu" else ()
    never = _NEVER_VALUES + (tuple(end for end in ends if end) if kind.itemsize >= 2 else ())
    sure = _among(sample.stored, never)
    perhaps = _among(sample.stored, _PERHAPS + ends) & sample.outside & ~sure
    odd = sample.outside & ~sure & ~perhaps
    if np.count_nonzero(odd) > MOST_OUTSIDE * sample.seen:  # they are not alone: the unit may be wrong
        odd, perhaps = odd | perhaps, np.zeros_like(perhaps)
    found, counts = np.unique(sample.stored[sure | perhaps], return_counts=True)
    enough = [(float(v), int(n)) for v, n in zip(found, counts, strict=True) if n > MOST_OUTSIDE * sample.seen]
    return enough, odd


def _among(stored: FloatLine, tags: tuple[float, ...]) -> npt.NDArray[np.bool_]:
    hit = np.isin(stored, tags)
    for tag in tags:
        if abs(tag) >= 1.0e19:
            hit |= np.abs(stored - tag) <= 1e-6 * abs(tag)
    return hit


def _wrong_unit(
    sample: ValueSample,
    odd: npt.NDArray[np.bool_],
    tags: list[tuple[float, int]],
    source: Probeable,
    problems: Problems,
) -> None:
    facts, encoding, asked = source.facts, source.encoding, source.asked
    values = sample.values[~_among(sample.stored, tuple(tag for tag, _ in tags))]
    fitting = _units_that_fit(values, facts, encoding)
    span = f"{encoding.low:g}..{encoding.high:g}"
    share = "" if np.count_nonzero(odd) > 0.5 * values.size else f"{_percent(int(odd.sum()), values.size)} of the "
    what = f"{share}values {values.min():.4g}..{values.max():.4g} do not fit {facts.unit or 'the bounds'} {span}"
    if not fitting:
        fix = f'correct "unit:" under {asked.key}, declare "nodata:", or widen "valid:" if the values are true'
        problems.add("E204", what, asked.where, fix)
        return
    what += f"; they fit {' or '.join(name for name, _ in fitting)}"
    # as YAML takes it: a bare % begins a directive
    written = [f"\"unit: '{name}'\"" if name.startswith("%") else f'"unit: {name}"' for name, _ in fitting]
    first, factor = fitting[0]
    own = _file_scale(encoding, facts, asked)
    if not math.isclose(own, 1.0, rel_tol=1e-9):
        by = format_number(own)
        fix = f"the file scales by {by} itself: if that is wrong, write it without; else {' or '.join(written)}"
    elif factor and "*" in first:
        scale = factor * (asked.scale or 1.0)
        fix = f'add "scale: {format_number(scale)}" under {asked.key}, or {" or ".join(written)}'
    else:
        fix = f"say {' or '.join(written)} under {asked.key}"
    problems.add("E204", what, asked.where, fix)


def _units_that_fit(values: FloatLine, facts: SourceFacts, encoding: Encoding) -> list[tuple[str, float]]:
    """Units in which the values would be plausible, each with the factor it stands for (0: not a mere factor)."""
    target = facts.unit
    try:
        now = unit_step(facts.stored_unit, target)
    except UnderoakError:  # a rate that became a month's depth; a mean month is near enough here
        target = f"{target}/month"
        now = unit_step(facts.stored_unit, target)
    declared = (values - now.offset) / now.scale
    base = strip_factor(facts.stored_unit)
    found: dict[tuple[float, float], tuple[str, float]] = {}
    for name in (base, *_relatives(base), *(f"{base}*{n}" for n in (10, 100, 1000, "0.1", "0.01"))):
        try:
            step = unit_step(name, target)
        except UnderoakError:
            continue
        tried = step(declared)
        inside = np.count_nonzero((tried >= encoding.low) & (tried <= encoding.high))
        key = (float(f"{step.scale:.6g}"), float(f"{step.offset:.6g}"))
        if inside >= (1.0 - MOST_OUTSIDE) * values.size and key not in found:
            same_kind = math.isclose(step.offset, now.offset, abs_tol=1e-9)
            found[key] = (name, step.scale / now.scale if same_kind else 0.0)
    return list(found.values())[:3]


def _relatives(unit: str) -> tuple[str, ...]:
    base = canonical_name(unit)
    if base in {"degC", "K", "°F"}:
        return "K", "degC", "degC*10", "K*10"
    if base == "mm" or base.startswith("mm/"):
        return "mm/month", "mm/day", "kg m-2 s-1"
    return "fraction", "percent", "g/kg"


def _file_scale(encoding: Encoding, facts: SourceFacts, asked: LayerRequest) -> float:
    try:
        step = unit_step(facts.stored_unit, facts.unit).scale
    except UnderoakError:
        return 1.0
    return encoding.affine.scale / (step * (asked.scale or 1.0))


def _too_small(sample: ValueSample, facts: SourceFacts, asked: LayerRequest, problems: Problems) -> None:
    """Values that are inside the bounds but look like another unit."""
    most = float(sample.values.max())
    if sample.seen < _FEWEST or most <= 0.0:
        return
    if facts.unit == "percent" and most <= 1.0:
        what, like = f"no sampled value is above {most:.3g} percent: they look like fractions", "fraction"
    elif facts.unit == "mm" and most < 0.5:
        what, like = f"no sampled value is above {most:.3g} mm: they look like a rate or like metres", "kg m-2 s-1"
    else:
        return
    problems.add("W204", what, asked.where, f'if so, say "unit: {like}" under {asked.key}')
