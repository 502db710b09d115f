"""The range of a layer's values over the region, from a sample, and the criteria for which all of it is the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from underoak.base.errors import Fault
from underoak.layers.decoding.value_tally import ValueTally
from underoak.layers.stack import StackedLayer
from underoak.plan.case import Case
from underoak.plan.plan import Plan

if TYPE_CHECKING:
    from underoak.overlay import Curve

_STEPS = 1001  # places of a range at which a curve is evaluated
_BETWEEN = ("months_mean", "months_min", "months_max")
_SAME = 1e-6  # memberships that differ by less are the same


@dataclass(frozen=True, slots=True)
class ValueRange:
    """The lowest and the highest value of a layer, of all its cells in the region or of a sample."""

    low: float
    high: float
    is_sample: bool

    def constant_membership(self, curve: Curve) -> float | None:
        """Return the membership that a curve gives all values of the region; None if it may differ.

        Of a sample, values beyond the sampled ones are reckoned with, as far on each side as these lie apart.
        Class codes are not judged: a sample says little of other codes.

        >>> from underoak.overlay import Curve
        >>> ValueRange(283.0, 291.0, True).constant_membership(Curve.ramp_up(9.0, 17.0))
        1.0
        >>> ValueRange(10.0, 15.0, True).constant_membership(Curve.ramp_up(9.0, 17.0)) is None
        True
        """
        from underoak.overlay import membership  # here: the reader process has no use for kernels

        if curve.kind == "table":
            return None
        margin = self.high - self.low if self.is_sample else 0.0
        low, high = self.low - margin, self.high + margin
        places = [x for x in curve.x if low <= x <= high]
        memberships = membership(np.array([*np.linspace(low, high, _STEPS), *places], np.float32), curve)
        is_constant = float(memberships.max() - memberships.min()) < _SAME
        return float(memberships[0]) if is_constant else None


def tallied_range(layer: StackedLayer, tally: ValueTally) -> ValueRange | None:
    """Return the range of a layer's values, from the counts of its source; None where derived values may lie elsewhere.

    A mean, the least or the greatest of the months lies between the values of all months.
    """
    source_layer = layer.source_layer
    is_between = source_layer.indicator is None or source_layer.indicator.id in _BETWEEN
    if not is_between or layer.share_of or tally.plain.low > tally.plain.high:
        return None
    low, high = (float(source_layer.to_plan_unit(value)) for value in (tally.plain.low, tally.plain.high))
    return ValueRange(low, high, tally.has_gaps)


@dataclass(frozen=True, slots=True)
class ConstantCriterion:
    """A criterion that gives one membership to all land, with the range of its layer's values where it is known."""

    name: str
    membership: float
    values: ValueRange | None
    unit: str
    has_unit: bool = False  # plan or profile say in which unit the curve's numbers are, by `to` of the layer

    @property
    def is_met(self) -> bool:
        """True if all land has membership 1 by a curve whose unit was checked: a mistaken unit is not the cause."""
        return self.has_unit and self.membership > 1.0 - _SAME

    def __str__(self) -> str:
        text = f"{self.name} ({self.membership:.2f}"
        if self.values is not None:
            low, high = f"{self.values.low:.4g}", f"{self.values.high:.4g}"
            text += f", values {low}" if low == high else f", values {low} to {high}"
            text += f" {self.unit}" if self.unit else ""
        return f"{text})"


def constant_criteria(
    plan: Plan, stacked: Mapping[str, str], units: Mapping[str, str], ranges: Mapping[str, ValueRange]
) -> list[ConstantCriterion]:
    """Return the criteria of a case for which all values of the region have one membership, as far as that is known.

    Args:
        plan: of the case.
        stacked: the plan's name of a layer -> the stack's.
        units: the plan's name of a layer -> its unit.
        ranges: the stack's name of a layer -> the range of its values.
    """
    constant = []
    for criterion in plan.criteria:
        values = ranges.get(stacked.get(criterion.layer, ""))
        score = None if values is None else values.constant_membership(criterion.curve)
        if score is not None:
            has_unit = plan.layers[criterion.layer].to is not None
            constant.append(ConstantCriterion(criterion.name, score, values, units[criterion.layer], has_unit))
    return constant


def constant_faults(constant: Sequence[ConstantCriterion], case: Case, land: str) -> list[Fault]:
    """Return W436 for criteria that give one membership to all of some land, such as "all judged land".

    Those that all of it fully meets, with a unit that was checked, are W438: good land, and no sign of an error.
    """
    where = f"criteria ({case.heading})" if case.heading else "criteria"
    met = [each for each in constant if each.is_met]
    doubtful = [each for each in constant if not each.is_met]
    faults = []
    if doubtful:
        what = f"{land} has the same membership by {_listed(doubtful)}: these criteria tell no land from other land"
        fix = "if that is a surprise, compare the unit of each layer with the numbers of its curve"
        faults.append(Fault("W436", what, where, fix))
    if met:
        what = f"{land} fully meets {_listed(met)}: these criteria tell no land from other land"
        faults.append(Fault("W438", what, where, "nothing needs to be done, unless that is a surprise"))
    return faults


def _listed(constant: Sequence[ConstantCriterion]) -> str:
    return ", ".join(map(str, constant))
