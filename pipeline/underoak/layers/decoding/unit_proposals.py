"""Units in which values that do not fit their declared unit would be plausible."""

from __future__ import annotations

from dataclasses import dataclass
from math import isclose
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import UnderoakError
from underoak.base.units import Affine1D, canonical_name
from underoak.layers.decoding.encoding import Encoding
from underoak.layers.decoding.rules import strip_factor, unit_step
from underoak.layers.source import SourceFacts


@dataclass(frozen=True, slots=True)
class UnitProposal:
    """A unit that values may be in, with the step from the values as decoded to those they would then be."""

    name: str
    factor: float  # to put under `scale:` instead; 0 where the unit is not a mere factor
    step: Affine1D
    low: float
    high: float

    def fits(self, values: npt.NDArray[np.float64]) -> Any:
        """Return where values would be plausible in this unit."""
        converted = self.step(values)
        return (converted >= self.low) & (converted <= self.high)


def proposals(facts: SourceFacts, encoding: Encoding) -> tuple[UnitProposal, ...]:
    """Return the units that values of a source may be in, the likeliest first; none for class codes and slopes.

    The declared unit is not among them.
    """
    target = facts.unit
    if encoding.to_slope is not None or not facts.stored_unit or encoding.low == -np.inf:
        return ()
    try:
        current = unit_step(facts.stored_unit, target)
    except UnderoakError:  # a rate that becomes a month's depth; a mean month will do here
        target = f"{target}/month"
        current = unit_step(facts.stored_unit, target)
    back = Affine1D(1.0 / current.scale, -current.offset / current.scale)
    base = strip_factor(facts.stored_unit)
    units: dict[tuple[float, float], UnitProposal] = {}
    for name in (base, *_relatives(base), *(f"{base}*{n}" for n in (10, 100, 1000, "0.1", "0.01"))):
        try:
            step = unit_step(name, target)
        except UnderoakError:
            continue
        key = (float(f"{step.scale:.6g}"), float(f"{step.offset:.6g}"))
        is_current = isclose(step.scale, current.scale, rel_tol=1e-9) and isclose(
            step.offset, current.offset, abs_tol=1e-9
        )
        if key not in units and not is_current:
            is_factor = isclose(step.offset, current.offset, abs_tol=1e-9)
            factor = step.scale / current.scale if is_factor else 0.0
            units[key] = UnitProposal(name, factor, back.then(step), encoding.low, encoding.high)
    return tuple(units.values())


def _relatives(unit: str) -> tuple[str, ...]:
    base = canonical_name(unit)
    if base in {"degC", "K", "°F"}:
        return "K", "degC", "degC*10", "K*10"
    if base == "mm" or base.startswith("mm/"):
        return "mm/month", "mm/day", "kg m-2 s-1"
    return "fraction", "percent", "g/kg"
