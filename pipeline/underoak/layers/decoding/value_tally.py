"""Counts of a source's values: those outside the bounds, those that look like nodata, infinite ones, and first places.

Cells are counted block by block, so that every cell of a large file can be counted in the memory of one block.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Grid, Window
from underoak.layers.decoding.encoding import Encoding, Probe, intervals
from underoak.layers.decoding.unit_proposals import UnitProposal, proposals
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import SourceFacts

# Numbers that files use for nodata and that measure nothing.
NEVER_VALUES = (
    -9999.0, -99999.0, -999999.0, -32768.0, -3.4028234663852886e38, 3.4028234663852886e38, 1.0e20, 9.969209968386869e36,
    -1.7976931348623157e308, 1.7976931348623157e308, 1.0e36, 1.0e30, -1.0e30, -1.0e32, -1.0e34,
)  # fmt: skip
_POSSIBLE_TAGS = (0.0, -1.0, 254.0, 255.0, -999.0, 9999.0, 65535.0)  # nodata if no other values lie outside the bounds
_FAR_TAGS = (-999.0, 9999.0, 65535.0)  # nodata inside the bounds, too, if they lie far from all other values
_HUGE_TAG = 1.0e19  # beyond, a tag is compared by closeness
_SAMPLES_OF_BLOCK = 4096  # values inside the bounds that are remembered of a block
_WITHOUT_GAPS = 5 * 64  # cells along a side of a window that a sample reads completely
_SIDE = 1024  # of a block, when every cell is counted

FloatLine = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


class Probeable(Protocol):
    """A source whose stored cells can be counted."""

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

    @property
    def grid(self) -> Grid:
        """The source grid."""
        ...

    def probe(self, window: Window, every_step: bool = False) -> Iterable[Probe]:
        """Read stored cells of a window; of a long time axis the first steps, or every one."""
        ...

    def files_at(self, row: int, col: int) -> tuple[str, ...]:
        """Return the files of a mosaic that hold a cell; empty for a single file."""
        ...


class Place(NamedTuple):
    """A cell of a source, in the order of the file: by row, then column, then step."""

    row: int
    col: int
    step: str  # such as 2001-07 or month 7; "" without months


@dataclass
class Count:
    """A number of cells, and the first of them."""

    cells: int = 0
    first: Place | None = None

    def add(self, mask: Flags, window: Window, step: str) -> int:
        """Count the cells of a block, flat, that a mask holds. Return their number."""
        count = int(np.count_nonzero(mask))
        if count:
            row, col = divmod(int(mask.argmax()), window.cols)
            self.merge(Count(count, Place(window.row + row, window.col + col, step)))
        return count

    def merge(self, other: Count) -> None:
        """Add another count."""
        self.cells += other.cells
        firsts = [place for place in (self.first, other.first) if place is not None]
        self.first = min(firsts, default=None)


@dataclass
class Span:
    """The lowest and the highest of some values."""

    low: float = math.inf
    high: float = -math.inf

    def add(self, values: FloatLine) -> None:
        """Widen the span by values."""
        if values.size:
            self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))

    def merge(self, other: Span) -> None:
        """Widen the span by another."""
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)


@dataclass
class Odd:
    """Values outside the bounds: their count, first place and span, and how many fit each proposed unit."""

    count: Count = field(default_factory=Count)
    span: Span = field(default_factory=Span)
    fitting: list[int] = field(default_factory=list)  # by proposal

    def merge(self, other: Odd) -> None:
        """Add other values."""
        self.count.merge(other.count)
        self.span.merge(other.span)
        self.fitting = [a + b for a, b in zip(self.fitting, other.fitting, strict=True)]


@dataclass
class MonthTally:
    """The counts of one calendar month; month 0 is a source without months."""

    n_values: int = 0
    odd: Odd = field(default_factory=Odd)


@dataclass
class ValueTally:
    """The counts of a source, of a sample of cells or of every one; cells declared missing count as `cells` only."""

    proposals: Sequence[UnitProposal]
    is_sample: bool = True
    has_gaps: bool = True  # there are cells that were not counted
    cells: int = 0
    zeros_hidden: int = 0  # cells of 0 that count as missing by the declared nodata
    infinite: Count = field(default_factory=Count)
    months: dict[int, MonthTally] = field(default_factory=dict)
    never: dict[float, Count] = field(default_factory=dict)  # stored number that is no value -> cells
    possible: dict[float, Odd] = field(default_factory=dict)  # stored number that may be nodata, outside the bounds
    far: dict[float, Count] = field(default_factory=dict)  # stored number that may be nodata, inside the bounds
    outside: set[float] = field(default_factory=set)  # numbers of `never` that lie outside the bounds
    plain: Span = field(default_factory=Span)  # values inside the bounds that are none of the above
    samples: list[FloatLine] = field(default_factory=list)  # some of these values

    @property
    def n_values(self) -> int:
        """Cells with a value."""
        return sum(month.n_values for month in self.months.values())

    @property
    def words(self) -> str:
        """What was counted: values, or sampled values."""
        return "sampled values" if self.is_sample else "values"


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


def count_values(source: Probeable, window: Window, every_cell: bool = False) -> ValueTally:
    """Count the values of a source within a window of its grid: of a sample, the same every time, or of every cell.

    Raises:
        UnderoakError: E230 when the file cannot be read there.
    """
    has_gaps = not every_cell and max(window.rows, window.cols) > _WITHOUT_GAPS
    tally = ValueTally(proposals(source.facts, source.encoding), is_sample=not every_cell, has_gaps=has_gaps)
    tags = _Tags(source)
    parts = window.tiles(_SIDE) if every_cell else sample_windows(window, block=source.facts.block)
    with np.errstate(invalid="ignore", over="ignore"):  # NaN of any kind, and numbers beyond float32
        for part in parts:
            for probe in source.probe(part, every_step=every_cell):
                _count_block(probe, part, tags, tally)
    return tally


class _Tags:
    """The numbers that may be nodata in a source, by what they are compared with."""

    def __init__(self, source: Probeable) -> None:
        kind = np.dtype(source.facts.dtype)
        ends = (float(np.iinfo(kind).min), float(np.iinfo(kind).max)) if kind.kind in "iu" else ()
        self.never = tuple(dict.fromkeys(NEVER_VALUES + (tuple(filter(None, ends)) if kind.itemsize >= 2 else ())))
        self.possible = tuple(tag for tag in dict.fromkeys(_POSSIBLE_TAGS + ends) if tag not in self.never)
        self.far = tuple(tag for tag in _FAR_TAGS if tag not in self.never)

    def inside(self, tags: Iterable[float], encoding: Encoding) -> list[float]:
        """Return those of some tags whose values lie inside the bounds."""
        return [tag for tag in tags if encoding.low <= float(np.float32(encoding.value(tag))) <= encoding.high]


def _count_block(probe: Probe, window: Window, tags: _Tags, tally: ValueTally) -> None:
    block, encoding = probe.stored.ravel(), probe.encoding
    stored = block.astype(np.float64)
    hidden = np.isnan(stored)
    for low, high in zip(*intervals(encoding.nodata, block.dtype), strict=True):
        hidden |= (block >= low) & (block <= high)
    tally.cells += block.size
    tally.zeros_hidden += int(np.count_nonzero(hidden & (stored == 0.0))) if 0.0 in encoding.nodata else 0
    if probe.shown is not None:
        hidden |= probe.shown.ravel() == 0
    is_infinite = np.isinf(stored) & ~hidden
    tally.infinite.add(is_infinite, window, probe.step)
    has_value = ~(hidden | is_infinite)
    month = tally.months.setdefault(probe.month, MonthTally(odd=Odd(fitting=[0] * len(tally.proposals))))
    month.n_values += int(np.count_nonzero(has_value))
    values = np.asarray(encoding.value(stored))
    single = values.astype(np.float32)
    is_outside = has_value & ((single < np.float32(encoding.low)) | (single > np.float32(encoding.high)))
    is_outside |= has_value & np.isinf(single)
    is_plain = has_value & ~is_outside
    for tag in tags.inside(tags.never, encoding):
        is_plain &= ~_count_tag(tag, stored, is_plain, window, probe.step, tally.never)
    if is_outside.any():
        _count_outside(stored, values, is_outside, window, probe.step, tags, tally, month)
    for tag in tags.inside(tags.far, encoding):
        is_plain &= ~_count_tag(tag, stored, is_plain, window, probe.step, tally.far)
    plain = values[is_plain]
    tally.plain.add(plain)
    tally.samples.append(plain[:: max(1, plain.size // _SAMPLES_OF_BLOCK)].copy())


def _count_outside(
    stored: FloatLine, values: FloatLine, is_outside: Flags, window: Window, step: str, tags: _Tags, tally: ValueTally,
    month: MonthTally,
) -> None:  # fmt: skip
    """Count the values outside the bounds: never-values, those that may be nodata, and odd ones."""
    is_odd = is_outside.copy()
    for tag in tags.never:
        is_tag = _count_tag(tag, stored, is_odd, window, step, tally.never)
        if is_tag.any():
            tally.outside.add(tag)
            is_odd &= ~is_tag
    for tag in tags.possible:
        is_tag = is_odd & is_number(stored, tag)
        if is_tag.any():
            odd = tally.possible.setdefault(tag, Odd(fitting=[0] * len(tally.proposals)))
            _add_odd(odd, is_tag, values, window, step, tally)
            is_odd &= ~is_tag
    _add_odd(month.odd, is_odd, values, window, step, tally)


def _add_odd(odd: Odd, mask: Flags, values: FloatLine, window: Window, step: str, tally: ValueTally) -> None:
    if odd.count.add(mask, window, step):
        odd_values = values[mask]
        odd.span.add(odd_values)
        odd.fitting = [
            n + int(np.count_nonzero(proposal.fits(odd_values)))
            for n, proposal in zip(odd.fitting, tally.proposals, strict=True)
        ]


def _count_tag(
    tag: float, stored: FloatLine, among: Flags, window: Window, step: str, counts: dict[float, Count]
) -> Flags:
    is_tag = among & is_number(stored, tag)
    if is_tag.any():
        counts.setdefault(tag, Count()).add(is_tag, window, step)
    return is_tag


def is_number(stored: FloatLine, tag: float) -> Flags:
    """Return where stored numbers are a tag; a huge one may have lost its last digits in the file."""
    if abs(tag) >= _HUGE_TAG:
        return np.asarray(np.abs(stored - tag) <= 1e-6 * abs(tag))
    return np.asarray(stored == tag)
