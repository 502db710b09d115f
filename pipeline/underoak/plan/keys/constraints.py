"""The key `constraints`: cells excluded by a layer and a comparison, or by shapes of a vector file."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import reduce
from typing import TYPE_CHECKING, Annotated, Any, Literal, overload

from pydantic import AfterValidator, Discriminator, Field, Tag

from underoak.base import units
from underoak.base.errors import Fault, UnderoakError
from underoak.plan.keys.quantities import Distance, File, Name, Text, quantity_in
from underoak.plan.reading.faults import shown
from underoak.plan.reading.spec import Spec, as_validation_errors

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_OPERATORS: dict[str, Callable[[Any, Any], Any]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "==": operator.eq,
    "!=": operator.ne,
}
_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d{1,3})?"
_COMPARISON = re.compile(rf"\s*(<=|>=|==|!=|<|>)\s*({_NUMBER})\s*([A-Za-zµ°%‰][^<>=!'\"()]*?)?\s*")
_CODE_LIST = re.compile(r"\s*in\s+(-?\d{1,9}(?:\s*,\s*-?\d{1,9})*)\s*")
_FIX = 'write it like "> 30 degree", or "in 1, 2, 5" for classes'


@dataclass(frozen=True, slots=True)
class Comparison:
    """A comparison with a number or with class codes. It is parsed by pattern; no text is ever evaluated.

    >>> slope = Comparison.parse("> 30 degree")
    >>> slope.holds(31.0), slope.holds(30.0), Comparison.parse("in 1, 2").holds(2)
    (True, False, True)
    """

    sign: str  # one of < <= > >= == != in
    value: float = 0.0
    unit: str = ""
    codes: tuple[int, ...] = ()

    @classmethod
    def parse(cls, text: str) -> Comparison:
        """Parse `OP NUMBER [UNIT]` or `in CODE, CODE, ...`.

        Raises:
            UnderoakError: E322 for any other text.
        """
        code_list = _CODE_LIST.fullmatch(text)
        if code_list:
            return cls("in", codes=tuple(int(code) for code in code_list[1].split(",")))
        match = _COMPARISON.fullmatch(text)
        if not match or abs(float(match[2])) == float("inf"):
            raise UnderoakError(Fault("E322", f"{shown(text)} is not a comparison", fix=_FIX))
        return cls(match[1], float(match[2]), (match[3] or "").strip())

    def in_unit(self, unit: str) -> Comparison:
        """Return the comparison for values in `unit`; a number without a unit is in `unit` already.

        >>> Comparison.parse("> 0.25 km").in_unit("m").value
        250.0
        >>> round(Comparison.parse("> 100 %").in_unit("degree").value, 9)  # a slope as steep as that
        45.0

        Raises:
            UnderoakError: E341 if the units measure different things.
        """
        if not self.unit or self.sign == "in":
            return self
        return replace(self, value=float(units.any_step(self.unit, unit)(self.value)), unit=unit)

    @overload
    def holds(self, values: float) -> bool: ...

    @overload
    def holds(self, values: NDArray[np.generic]) -> NDArray[np.bool_]: ...

    def holds(self, values: Any) -> Any:
        """Return True where the comparison holds, for a number or an array of any shape without missing values."""
        if self.sign == "in":
            return reduce(operator.or_, (values == code for code in self.codes))
        return _OPERATORS[self.sign](values, self.value)


def _is_comparison(text: str) -> str:
    with as_validation_errors():
        comparison = Comparison.parse(text)
    if comparison.unit:
        with as_validation_errors("E322"):
            units.canonical_name(comparison.unit)
    return " ".join(text.split())


ComparisonText = Annotated[
    str, Field(min_length=1, max_length=200, examples=["> 30 degree", "in 1, 2, 5"]), AfterValidator(_is_comparison)
]


class LayerConstraint(Spec):
    """A constraint that excludes cells where a layer's value meets a comparison."""

    name: Name
    """Name of the constraint in the results."""
    layer: Name
    """A layer of this plan."""
    exclude: ComparisonText
    """`OP NUMBER UNIT` with OP one of < <= > >= == !=, or `in 1, 2, 5` for class codes. Default unit: the layer's."""
    source: Text | None = None
    """Reason or citation; printed in the report."""

    @property
    def comparison(self) -> Comparison:
        """The parsed comparison."""
        return Comparison.parse(self.exclude)


class ShapesConstraint(Spec):
    """A constraint that excludes cells inside or outside the shapes of a vector file."""

    name: Name
    """Name of the constraint in the results."""
    file: File
    """A GeoPackage or GeoJSON file. Relative to the plan's folder."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""
    exclude: Literal["inside", "outside"]
    """Which side of the shapes is excluded."""
    grow: Distance = "0 m"
    """Distance by which the shapes are widened first. Default: 0 m."""
    touch: Literal["centre", "any"] = "centre"
    """`centre`: a shape contains the cells whose centre it covers. `any`: all cells it touches. Default: centre."""
    source: Text | None = None
    """Reason or citation; printed in the report."""

    @property
    def grow_m(self) -> float:
        """Distance by which the shapes are widened [m]."""
        return quantity_in(self.grow, "m")


def _kind(value: object) -> str:
    if isinstance(value, Spec):
        return "(shapes)" if isinstance(value, ShapesConstraint) else "(layer)"
    return "(shapes)" if isinstance(value, dict) and "file" in value else "(layer)"


ConstraintSpec = Annotated[
    Annotated[LayerConstraint, Tag("(layer)")] | Annotated[ShapesConstraint, Tag("(shapes)")], Discriminator(_kind)
]
