"""Hard constraints as a plan writes them: by a raster layer and a comparison, or by shapes from a vector file."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import reduce
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag

from underoak.base import units
from underoak.base.errors import Fault, UnderoakError
from underoak.plan.keys.quantities import Distance, File, Name, Text, quantity_in
from underoak.plan.reading.spec import Spec, as_validation_errors, shown

_OPERATORS: dict[str, Callable[[Any, Any], Any]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "==": operator.eq,
    "!=": operator.ne,
}
_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d{1,3})?"
_COMPARES = re.compile(rf"\s*(<=|>=|==|!=|<|>)\s*({_NUMBER})\s*([A-Za-zµ°%‰][^<>=!'\"()]*?)?\s*")
_LISTS = re.compile(r"\s*in\s+(-?\d{1,9}(?:\s*,\s*-?\d{1,9})*)\s*")
_MEND = 'write it like "> 30 degree", or "in 1, 2, 5" for classes'


@dataclass(frozen=True, slots=True)
class Comparison:
    """When a cell is excluded: a comparison with a number, or a list of class codes. Nothing is ever evaluated.

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
        """Read the tiny grammar.

        Raises:
            UnderoakError: E322 for anything but `OP NUMBER [UNIT]` or `in CODE, CODE, ...`.
        """
        listed = _LISTS.fullmatch(text)
        if listed:
            return cls("in", codes=tuple(int(code) for code in listed[1].split(",")))
        compared = _COMPARES.fullmatch(text)
        if not compared or abs(float(compared[2])) == float("inf"):
            raise UnderoakError(Fault("E322", f"{shown(text)} is no comparison", fix=_MEND))
        return cls(compared[1], float(compared[2]), (compared[3] or "").strip())

    def in_unit(self, unit: str) -> Comparison:
        """The same comparison for values in `unit`; one without a unit is taken as being in it.

        >>> Comparison.parse("> 0.25 km").in_unit("m").value
        250.0

        Raises:
            UnderoakError: E341 when the units measure different things.
        """
        if not self.unit or self.sign == "in":
            return self
        return replace(self, value=units.conversion(self.unit, unit)(self.value), unit=unit)

    def holds(self, values: Any) -> Any:
        """True where it holds; a number, or an array of any shape. Ask only where a value is known."""
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
    """Ground is excluded where a layer's value fits a comparison."""

    name: Name
    """What the constraint is called in results."""
    layer: Name
    """A layer of this plan."""
    exclude: ComparisonText
    """`OP NUMBER UNIT` with OP one of < <= > >= == !=, or `in 1, 2, 5` for a layer of classes. The unit may be left out
    when it is the layer's own."""
    source: Text | None = None
    """Why, or who says so; printed."""

    @property
    def comparison(self) -> Comparison:
        """`exclude`, read."""
        return Comparison.parse(self.exclude)


class ShapesConstraint(Spec):
    """Ground is excluded inside, or outside, the shapes of a vector file."""

    name: Name
    """What the constraint is called in results."""
    file: File
    """A GeoPackage or GeoJSON file, beside the plan."""
    features: Text | None = None
    """The layer inside the file; left out when there is only one."""
    exclude: Literal["inside", "outside"]
    """Which side of the shapes is excluded."""
    grow: Distance = "0 m"
    """Widen the shapes by this much first."""
    touch: Literal["centre", "any"] = "centre"
    """Which cells a shape holds: those whose centre it covers, or all that it touches."""
    source: Text | None = None
    """Why, or who says so; printed."""

    @property
    def grow_m(self) -> float:
        """By how much the shapes are widened [m]."""
        return quantity_in(self.grow, "m")


def _kind(value: Any) -> str:
    has = value.keys() if isinstance(value, dict) else value.__class__.model_fields if isinstance(value, Spec) else ()
    return "(shapes)" if "file" in has else "(layer)"


ConstraintSpec = Annotated[
    Annotated[LayerConstraint, Tag("(layer)")] | Annotated[ShapesConstraint, Tag("(shapes)")], Discriminator(_kind)
]
