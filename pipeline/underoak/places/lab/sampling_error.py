"""The error of a soil sample: that of the laboratory's method, and that of the few cores that stand for a field."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base import units
from underoak.places.soil.sampling import CORES
from underoak.places.soil.soil_units import is_soil
from underoak.plan.keys.uncertainty import deviation_in

if TYPE_CHECKING:
    from underoak.plan.keys.places import LabSpec
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WithinField:
    """How much single cores differ within a field: a standard deviation, and where it comes from."""

    sd: str | float  # as in a plan
    source: str
    unit: str = ""  # of the layer
    grade: str = "C"  # A: two readings agree; B: one fair reading; C: common practice or from memory

    def sd_of(self, value: float) -> float:
        """Return the standard deviation of a single core where the field's mean is `value`, in the layer's unit."""
        amount, is_share = deviation_in(self.sd, self.unit)
        return amount * abs(value) if is_share else amount

    @property
    def in_words(self) -> str:
        """The standard deviation with its unit."""
        return self.sd if isinstance(self.sd, str) else f"{self.sd:g} {self.unit}".rstrip()


_FIELD = (
    "variation within one small field of irrigated corn (Karyoti et al., ASRJETS 3352, abstract read): upper end of"
)
_PH = WithinField(
    "0.3 pH",
    "common practice, no source; with 20 cores it agrees with about 0.1 pH for the error of analysis and sampling "
    "together (Ferrari and Vermeulen, Neth. J. Agric. Sci., abstract read)",
)
_TEXTURE = WithinField("15 % of value", f"{_FIELD} 7.0 to 15.4 % for texture", grade="B")
_CARBON = WithinField("17 % of value", f"{_FIELD} 12.8 to 16.8 % for organic carbon", grade="B")
_OTHER = WithinField("30 % of value", "common practice, no source")
_NONE = WithinField(0.0, "no property of the soil")
_BY_NAME = {
    **dict.fromkeys(("clay", "sand", "silt"), _TEXTURE),
    **dict.fromkeys(("organic_matter", "organic_carbon"), _CARBON),
}


def within_field(
    lab: LabSpec | None, layer: str, unit: str, is_of_soil: bool = True, kind_of: str | None = None
) -> WithinField:
    """Return how much single cores of a layer's property differ within a field.

    That of the plan (`lab.within_field`), else a published figure by the property: a pH by its unit, texture and
    organic matter by the layer's `kind_of` or its name, other soil layers alike. 0 for layers that are not of the soil.

    >>> within_field(None, "clay", "percent").sd_of(30.0)
    4.5
    """
    if lab is not None and layer in lab.within_field:
        return WithinField(lab.within_field[layer], "the plan", unit, "")
    known = _BY_NAME.get(kind_of or layer, _OTHER)
    if unit and units.canonical_name(unit) == "pH":
        known = _PH
    return replace(known if is_of_soil else _NONE, unit=unit)


def within_field_of(plan: Plan, layer: str, unit: str) -> WithinField:
    """Return `within_field` for a layer of a plan."""
    by_profile = next((criterion.is_soil for criterion in plan.criteria if criterion.layer == layer), None)
    spec = plan.layers[layer]
    return within_field(plan.spec.lab, layer, unit, is_soil(spec, unit, by_profile), spec.kind_of)


@dataclass(frozen=True, slots=True)
class SampleError:
    """The standard deviations of one lab result, in the layer's unit."""

    method: float | None  # None where nobody states it
    sampling: float

    @property
    def sd(self) -> float:
        """Both together; without a stated error of the method that of sampling alone, a lower bound.

        >>> SampleError(0.3, 0.4).sd, SampleError(None, 0.4).sd
        (0.5, 0.4)
        """
        return math.hypot(self.method or 0.0, self.sampling)


def sample_error(
    plan: Plan, layer: str, unit: str, value: float, error: float | None, cores: int | None
) -> SampleError:
    """Return the error of a result: method**2 + within_field**2 / cores, each as a standard deviation.

    `error` is the method's, as the row states it; else the plan's `lab_error` counts. Without `cores` the sample is one
    core. The variance of a mean of independent cores, textbook.
    """
    lab_error = plan.uncertainty.lab_error.get(layer) if plan.uncertainty else None
    if error is None and lab_error is not None:
        deviation, is_share = deviation_in(lab_error, unit)
        error = deviation * abs(value) if is_share else deviation
    return SampleError(error, within_field_of(plan, layer, unit).sd_of(value) / math.sqrt(cores or 1))


def error_to_expect(plan: Plan, layer: str, unit: str, means: Doubles) -> Doubles:
    """Return the standard deviation of a test of parcels whose means are `means`, (parcels,), in the layer's unit.

    The bag has as many cores as a lab request asks for. Without a stated error of the method only sampling counts.
    """
    lab_error = plan.uncertainty.lab_error.get(layer, 0.0) if plan.uncertainty else 0.0
    method, cores = (_deviations(sd, unit, means) for sd in (lab_error, within_field_of(plan, layer, unit).sd))
    return np.hypot(method, cores / math.sqrt(CORES))


def _deviations(sd: str | float, unit: str, means: Doubles) -> Doubles:
    amount, is_share = deviation_in(sd, unit)
    return np.nan_to_num(np.abs(means) * amount) if is_share else np.full(len(means), amount)
