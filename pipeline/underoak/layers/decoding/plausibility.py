"""Plausibility of a layer: what the counts of its values say of its unit and its nodata.

A wrong unit or an undeclared nodata value shows in the values. The fix is proposed to the user, never applied.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.base.number_words import thousands
from underoak.base.units import canonical_name
from underoak.layers.decoding.encoding import Encoding
from underoak.layers.decoding.rules import unit_step
from underoak.layers.decoding.time_axis import MONTH_NAMES
from underoak.layers.decoding.unit_proposals import UnitProposal
from underoak.layers.decoding.value_tally import Count, Odd, Place, Probeable, ValueTally
from underoak.layers.files import format_number
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import SourceFacts

MAX_OUTSIDE_SHARE = 0.001  # of the cells, which may lie outside the plausible bounds (and are dropped)
_MAX_ZEROS_SHARE = 0.01
_MIN_VALUES = 100
_HIGHEST_RATE = 0.01  # of rain [mm/s]: the most in a minute ever measured was about half a millimetre a second; a
# month's mean is far below. Common practice, no source.
_MOST_FILES = 3  # of a mosaic that are named for one cell


@dataclass(frozen=True, slots=True)
class LayerNames:
    """The layers that one file feeds, as messages name them."""

    where: str
    key: str  # their places in the plan, for a fix

    @classmethod
    def of(cls, requests: Sequence[LayerRequest], case: str = "") -> LayerNames:
        """Return the names of layers of one file; `case` says which scenario has the file, if not all have."""
        names, keys = (list(dict.fromkeys(words)) for words in zip(*((r.name, r.key) for r in requests), strict=True))
        where = f"{', '.join(names)} ({requests[0].file}{f', {case}' if case else ''})"
        return cls(where, " and ".join(keys))


def check_values(tally: ValueTally, source: Probeable, names: LayerNames, problems: Problems) -> None:
    """Add a fault or warning for each implausible trait of a source's values, with count and first place.

    E210 an undeclared nodata value, E204 a unit that the values do not fit; W204 a few values that do not fit, or
    values inside the bounds that look like another unit; W211 zeros that a file declares as nodata, W212 infinite
    values.
    """
    _Checker(tally, source, names, problems).check()


class _Checker:
    """A check of the counts of one source."""

    def __init__(self, tally: ValueTally, source: Probeable, names: LayerNames, problems: Problems) -> None:
        self.tally, self.source, self.names, self.problems = tally, source, names, problems
        self.facts, self.encoding, self.request = source.facts, source.encoding, source.request

    def check(self) -> None:
        tally, n_before = self.tally, len(self.problems.faults)
        self._check_infinite()
        self._check_zeros()
        if not tally.n_values:
            return
        odd = self._all_odd()
        possible = {tag: each for tag, each in tally.possible.items() if not self._is_many(odd.count.cells)}
        if not possible:
            for each in tally.possible.values():  # too many other values lie outside: the unit may be wrong
                odd.merge(each)
        self._check_tags({**tally.never, **{tag: each.count for tag, each in possible.items()}})
        if self.request.kind == "classes":
            if self._is_many(odd.count.cells):
                what = f"{self._count(odd.count)}, {_span(odd)}, are no valid codes: {_missing(odd.count)}"
                self._add("E204", what, odd.count, f'correct the file, or widen "valid:" under {self.names.key}')
            return
        if self._is_many(odd.count.cells):
            self._report_wrong_unit(odd, possible)
            return
        if odd.count.cells:
            what = f"{self._count(odd.count)}, {_span(odd)}, cannot be true in {self._unit}: {_missing(odd.count)}"
            self._add("W204", what, odd.count, f'correct the file, or widen "valid:" under {self.names.key}')
        if len(self.problems.faults) == n_before:
            self._check_small_values()
            self._check_far_tags()
            self._check_rate()

    @property
    def _unit(self) -> str:
        return self.facts.unit or "their unit"

    def _is_many(self, cells: int) -> bool:
        return cells > MAX_OUTSIDE_SHARE * self.tally.n_values

    def _all_odd(self) -> Odd:
        odd = Odd(fitting=[0] * len(self.tally.proposals))
        for month in self.tally.months.values():
            odd.merge(month.odd)
        return odd

    def _count(self, count: Count) -> str:
        return f"{thousands(count.cells)} of {thousands(self.tally.n_values)} {self.tally.words}"

    def _add(self, code: str, what: str, count: Count, fix: str = "") -> None:
        self.problems.add(code, f"{what}; {first_place(count, self.source)}", self.names.where, fix)

    def _check_infinite(self) -> None:
        count = self.tally.infinite
        if count.cells:
            words = "sampled cells" if self.tally.is_sample else "cells"
            counted = f"{thousands(count.cells)} of {thousands(self.tally.cells)} {words}"
            what = f"{counted} {_are(count)} infinite: {_missing(count)}"
            self._add("W212", what, count)

    def _check_zeros(self) -> None:
        tally, encoding, request = self.tally, self.encoding, self.request
        if 0.0 not in encoding.nodata or (request.nodata and 0.0 in request.nodata) or request.kind == "classes":
            return
        is_possible = encoding.low <= encoding.value(0.0) <= encoding.high
        if is_possible and tally.zeros_hidden > _MAX_ZEROS_SHARE * tally.cells:
            share = f"{100.0 * tally.zeros_hidden / tally.cells:.2g} %"
            words = "sampled cells" if tally.is_sample else "cells"
            what = f"the file declares 0 as nodata, and {share} of the {words} are 0, which can be a true value here"
            key = self.names.key
            fix = f'under {key} write "nodata: 0" if they are missing, or another number if they are values'
            self.problems.add("W211", what, self.names.where, fix)

    def _check_tags(self, counts: dict[float, Count]) -> None:
        """Report numbers that are probably nodata: an error where they would be judged, or where they are many."""
        for tag, count in sorted(counts.items()):
            is_dropped = tag in self.tally.outside or tag in self.tally.possible
            written = yaml_number(tag, self.facts.dtype)
            counted = f"{self._count(count)} {_are(count)} {written}"
            fix = f'add "nodata: {written}" under {self.names.key}'
            if not is_dropped and self.request.valid is not None:
                continue  # the plan states bounds that hold it
            if not is_dropped and self.request.kind != "classes":
                fix += '; if it is a true value, state bounds that hold it, as "valid: [lowest, highest]"'
            if not is_dropped or self._is_many(count.cells):
                what = f"{counted}: probably nodata that neither the file nor the plan declares"
                self._add("E210", what, count, fix)
            else:
                what = f"{counted}, which cannot be true in {self._unit}: {_missing(count)}"
                self._add("W204", what, count, fix)

    def _check_far_tags(self) -> None:
        """Warn of numbers inside the bounds that files use for nodata and that lie far from all other values."""
        low, high = self.tally.plain.low, self.tally.plain.high
        reach = high - low
        for tag, count in sorted(self.tally.far.items()):
            value = self.encoding.value(tag)
            if self.request.valid is None and not low - reach <= value <= high + reach:
                written = yaml_number(tag, self.facts.dtype)
                what = f"{self._count(count)} {_are(count)} {written}, and all others lie in {low:.4g}..{high:.4g}"
                fix = f'if they are missing, add "nodata: {written}" under {self.names.key}'
                self._add("W204", what, count, fix)

    def _report_wrong_unit(self, odd: Odd, possible: dict[float, Odd]) -> None:
        tally, key = self.tally, self.names.key
        months = self._odd_months(possible)
        bounds = f"{self.encoding.low:g}..{self.encoding.high:g}"
        apart = self._lies_apart(odd)
        is_part = bool(months) or apart
        span = _span(odd) if is_part else f"values {self._low(odd):.4g}..{self._high(odd):.4g}"
        if is_part:
            what = f"{self._count(odd.count)}, {span}, do not fit {self.facts.unit or 'the bounds'} {bounds}"
            fitting = [p for n, p in zip(odd.fitting, tally.proposals, strict=True) if n >= self._most(odd.count.cells)]
        else:
            counted = f"{self._count(odd.count)}, {first_place(odd.count, self.source)}"
            what = f"{span} do not fit {self.facts.unit or 'the bounds'} {bounds} ({counted})"
            fitting = [p for n, p in zip(odd.fitting, tally.proposals, strict=True) if self._fits_all(n, p, odd)]
        fitting = fitting[:3]
        if months:
            what += f", all of them in {' and '.join(months)}"
        if fitting:
            what += f"; {'by themselves ' if is_part else ''}they fit {' or '.join(p.name for p in fitting)}"
        if not is_part:
            fix = f'correct "unit:" under {key}, declare "nodata:", or widen "valid:" if the values are true'
            self.problems.add("E204", what, self.names.where, self._unit_fix(fitting) if fitting else fix)
        else:
            others = "the other months" if months else "the other values"
            fix = f"correct {' and '.join(months) or 'these cells'} in the file: {others} fit"
            fix += "" if fitting else f'; or declare "nodata:" under {key}'
            self._add("E204", what, odd.count, fix)

    def _most(self, n: int) -> float:
        return (1.0 - MAX_OUTSIDE_SHARE) * n

    def _low(self, odd: Odd) -> float:
        return min(odd.span.low, self.tally.plain.low)

    def _high(self, odd: Odd) -> float:
        return max(odd.span.high, self.tally.plain.high)

    def _fits_all(self, n_odd: int, proposal: UnitProposal, odd: Odd) -> bool:
        """Return whether a unit fits the values outside the bounds and those inside."""
        samples = np.concatenate(self.tally.samples) if self.tally.samples else np.empty(0)
        share = float(np.mean(proposal.fits(samples))) if samples.size else 1.0
        n_plain = self.tally.n_values - odd.count.cells
        return n_odd + share * n_plain >= self._most(self.tally.n_values)

    def _odd_months(self, possible: dict[float, Odd]) -> list[str]:
        """Return the months that hold all odd values, if the others hold none and they hold little else."""
        tallies = self.tally.months
        odd_months = {month: each for month, each in tallies.items() if each.odd.count.cells}
        if possible or not odd_months or len(odd_months) > len(tallies) // 2:
            return []
        if any(each.odd.count.cells < 0.5 * each.n_values for each in odd_months.values()):
            return []
        return [MONTH_NAMES[month - 1] for month in sorted(odd_months)]

    def _lies_apart(self, odd: Odd) -> bool:
        """Return whether the odd values lie farther from the others than these from each other: no factor does that."""
        plain, n_plain = self.tally.plain, self.tally.n_values - odd.count.cells
        if n_plain < _MIN_VALUES or odd.count.cells > 0.5 * self.tally.n_values:
            return False
        gap = max(odd.span.low - plain.high, plain.low - odd.span.high)
        return gap > plain.high - plain.low

    def _unit_fix(self, fitting: Sequence[UnitProposal]) -> str:
        key = self.names.key
        # YAML reads a bare % as a directive
        written = [f"\"unit: '{p.name}'\"" if p.name.startswith("%") else f'"unit: {p.name}"' for p in fitting]
        file_scale = _file_scale(self.encoding, self.facts, self.request)
        if not math.isclose(file_scale, 1.0, rel_tol=1e-9):
            by = format_number(file_scale)
            wrong = f"the file scales by {by} itself: if that is wrong, write the file without it"
            return f"{wrong}; else {' or '.join(written)}"
        if fitting[0].factor and "*" in fitting[0].name:
            scale = fitting[0].factor * (self.request.scale or 1.0)
            return f'add "scale: {format_number(scale)}" under {key}, or {" or ".join(written)}'
        return f"write {' or '.join(written)} under {key}"

    def _check_small_values(self) -> None:
        """Report values inside the bounds that look like another unit: E204 if nothing else is likely, else W204."""
        highest, facts, key = self.tally.plain.high, self.facts, self.names.key
        if self.tally.n_values < _MIN_VALUES or highest <= 0.0:
            return
        if facts.unit == "percent" and highest <= 1.0:
            what = f"none of the {self.tally.words} is above {highest:.3g} percent: they look like fractions"
            self.problems.add("W204", what, self.names.where, f'if so, write "unit: fraction" under {key}')
        elif facts.unit == "mm" and highest < 0.5 and self.request.valid is None:
            is_rate = highest < _HIGHEST_RATE
            looks = "a rate" if is_rate else "a rate or like metres"
            what = f"none of the {self.tally.words} is above {highest:.3g} mm: they look like {looks}"
            fix = f'write "unit: kg m-2 s-1" under {key}'
            fix += ', or state the bounds that they have, as "valid: [lowest, highest]"' if is_rate else ""
            self.problems.add(
                "E204" if is_rate else "W204", what, self.names.where, fix if is_rate else f"if so, {fix}"
            )

    def _check_rate(self) -> None:
        """Report depths of water that are declared as a rate for each second."""
        if canonical_name(self.facts.unit) != "mm/s" or "kg" not in self.facts.stored_unit:
            return
        highest, limit = self.tally.plain.high, unit_step("mm/s", self.facts.unit)(_HIGHEST_RATE)
        if self.request.valid is None and highest > limit:
            what = f"values up to {highest:.4g} {self.facts.unit} cannot be rain: they look like mm"
            self.problems.add("E204", what, self.names.where, f'write "unit: mm" under {self.names.key}')


def first_place(count: Count, source: Probeable) -> str:
    """Return where the first cell of a count lies: row and column from 1, in degrees, its step and its file.

    Of a sample it is the first that was sampled.
    """
    assert count.first is not None
    place = count.first
    words = [f"row {place.row + 1}, column {place.col + 1}", *_degrees(place, source.grid)]
    if place.step:
        words.append(place.step)
    files = source.files_at(place.row, place.col)
    if files:
        words.append(" or ".join(Path(file).name for file in files[-_MOST_FILES:]))
    return f"first in {', '.join(words)}"


def _degrees(place: Place, grid: Grid) -> list[str]:
    x, y = grid.xy(place.col + 0.5, place.row + 0.5)
    try:
        lon, lat = _crs.transformer(grid.crs, "EPSG:4326").transform(x, y)
    except UnderoakError:
        return []
    return [f"longitude {lon:.4f}, latitude {lat:.4f}"] if math.isfinite(lon) and math.isfinite(lat) else []


def _are(count: Count) -> str:
    return "is" if count.cells == 1 else "are"


def _missing(count: Count) -> str:
    return "it counts as missing" if count.cells == 1 else "they count as missing"


def _span(odd: Odd) -> str:
    low, high = odd.span.low, odd.span.high
    return f"{low:.4g}" if low == high else f"{low:.4g}..{high:.4g}"


def yaml_number(tag: float, dtype: str) -> str:
    """Return the shortest text that YAML reads back as this number.

    >>> yaml_number(-9999.0, "int16"), yaml_number(1e20, "float32")
    ('-9999', '1.0e+20')
    """
    kind = np.dtype(dtype)
    text = str(int(tag)) if kind.kind in "iu" else str(kind.type(tag)).removesuffix(".0")
    digits, mark, power = text.partition("e")
    return text if not mark or "." in digits else f"{digits}.0e{power}"


def _file_scale(encoding: Encoding, facts: SourceFacts, request: LayerRequest) -> float:
    try:
        step = unit_step(facts.stored_unit, facts.unit).scale
    except UnderoakError:
        return 1.0
    return encoding.affine.scale / (step * (request.scale or 1.0))
