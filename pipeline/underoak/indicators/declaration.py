"""Declaration of an indicator: inputs, settings, units, bounds, halo and source."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.base.units import read_quantity

Setting = float | str | tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Input:
    """An input of an indicator: its unit ("" takes any), and cells (rows, cols) or months (months, rows, cols)."""

    unit: str = ""
    axis: Literal["cells", "months"] = "cells"
    kind: Literal["values", "codes"] = "values"
    is_year: bool = False  # all twelve months, January first; no season can be chosen


@dataclass(frozen=True, slots=True)
class Parameter:
    """A setting that a plan gives beside `derive`: a number with its unit, a word of `choices`, or class codes."""

    text: str
    unit: str = ""  # of the number; "" is a plain one
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    is_codes: bool = False
    default: Setting | None = None  # None: the plan must say
    below: str = ""  # another setting that it must be less than

    def settle(self, written: Any) -> Setting:
        """Return a written setting as the function takes it: a number in `unit`, a word, or codes.

        >>> Parameter("how far it looks", "m", low=0.0).settle("0.3 km")
        300.0

        Raises:
            UnderoakError: E353 not such a setting; E340, E341 or E342 for its unit.
        """
        if self.is_codes:
            return self._codes(written)
        if self.choices:
            if isinstance(written, bool) or str(written) not in self.choices:
                fix = did_you_mean(str(written), self.choices, "write one of: " + ", ".join(self.choices))
                raise _refused(f'cannot be "{written}"', fix)
            return str(written)
        if self.unit:
            number = read_quantity(written if isinstance(written, str) else str(written), self.unit)
        elif isinstance(written, bool) or not isinstance(written, int | float):
            raise _refused(f'should be a number, not "{written}"')
        else:
            number = float(written)
        if not (math.isfinite(number) and self.low <= number <= self.high):
            bounds = (f"{bound:g} {self.unit}".rstrip() for bound in (self.low, self.high))
            raise _refused(f"{written} cannot be", "write {} to {}".format(*bounds))
        return number

    @property
    def like(self) -> str:
        """Return an example of how a plan writes it, for a fix."""
        if self.is_codes:
            return "[1, 2]"
        if self.choices:
            return self.choices[0]
        return f"300 {self.unit}".rstrip() if self.unit in ("", "m") else f"10 {self.unit}"

    def _codes(self, written: Any) -> tuple[int, ...]:
        codes = written if isinstance(written, list | tuple) else [written]
        if not codes or any(isinstance(code, bool) or not isinstance(code, int) for code in codes):
            raise _refused("should be class codes", 'write them like "[10, 20]"')
        return tuple(sorted(set(codes)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Indicator:
    """A declared indicator.

    `compute` takes everything by name: its inputs, its settings, `dx`, `dy`, `turn`, `corner` when `needs_cell_size`
    (see `terrain.slope`) and `latitude` when `needs_latitude` ([degree], (rows,) on grids in degrees that are not
    rotated, else (rows, cols)). It gives (rows, cols). With `is_whole` it takes all of the source at once, and `strips`
    (see `cell_metres`) for the sizes of its cells.
    """

    id: str
    title: str
    inputs: Mapping[str, Input]
    unit: str  # "": that of its first input, where that takes any; else a plain number
    low: float
    high: float
    source: str
    text: str
    compute: Callable[..., FloatArray]
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    halo: int = 0  # cells beyond its own that a result needs on every side
    reach: str = ""  # the setting [m] that says how far around a cell it looks instead
    needs_cell_size: bool = False
    needs_latitude: bool = False
    most_latitude: float = 90.0  # beyond it, north or south, results are missing [degree]
    is_whole: bool = False
    gives_codes: bool = False  # class codes: by default onto the grid by nearest, never averaged
    is_soil: bool = False  # it describes the soil: a laboratory or a spade can test it
    package: str = ""  # that it needs beyond those of the core, and the extra that brings it: "pyflwdir hydro"
    contradicts: Callable[..., npt.NDArray[np.bool_]] | None = None  # where inputs, with settings, rule each other out
    contradiction: str = ""  # what is wrong there, in words; results are missing
    takes_shapes: bool = False  # a file of shapes will do instead of its input; then it has no setting of class codes

    def settings(self, written: Mapping[str, Any], of_shapes: bool = False) -> dict[str, Setting]:
        """Return all settings, from a plan and the defaults; `of_shapes`: derived from a file of shapes.

        Raises:
            UnderoakError: E353 for each setting that is unknown, missing or wrong; E340, E341 or E342 for units.
        """
        faults: list[Fault] = []
        settings: dict[str, Setting] = {}
        taken = {name: p for name, p in self.parameters.items() if not (of_shapes and p.is_codes)}
        for name in [name for name in written if name not in taken]:
            fix = did_you_mean(name, taken, "known: " + ", ".join(taken) if taken else "remove it")
            faults.append(Fault("E353", f'{self.id} has no setting "{name}"', name, fix))
        for name, parameter in taken.items():
            if name in written:
                try:
                    settings[name] = parameter.settle(written[name])
                except UnderoakError as error:
                    faults += [Fault(f.code, f.what, name, f.fix) for f in error.faults]
            elif parameter.default is not None:
                settings[name] = parameter.default
            else:
                fix = f'add "{name}: {parameter.like}", {parameter.text}'
                faults.append(Fault("E353", f'{self.id} needs "{name}"', name, fix))
        for name, parameter in taken.items():
            if name in settings and parameter.below in settings and not settings[name] < settings[parameter.below]:  # type: ignore[operator]
                what = f'"{name}" must be less than "{parameter.below}"'
                faults.append(Fault("E353", what, name, "make it smaller"))
        if faults:
            raise UnderoakError(*faults)
        return settings


def _refused(what: str, fix: str = "") -> UnderoakError:
    return UnderoakError(Fault("E353", what, fix=fix))
