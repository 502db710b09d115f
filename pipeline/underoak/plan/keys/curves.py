"""Response curves as a plan writes them. The maths, and what makes a curve valid, live in `overlay`."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Code, Number
from underoak.plan.reading.spec import Spec, as_validation_errors

if TYPE_CHECKING:
    from underoak.overlay import Curve

Two = Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)]
Four = Annotated[tuple[Number, ...], Field(min_length=4, max_length=4)]
Many = Annotated[tuple[Number, ...], Field(min_length=1, max_length=1000)]

_SIGNS = {"percent": " %", "degC": " °C", "degree": "°", "1": ""}


class _CurveSpec(Spec, ABC):
    """A written response curve; its shape is the name of the curve's maker in `overlay`."""

    shape: str

    def curve(self) -> Curve:
        """The curve the overlay works with.

        Raises:
            UnderoakError: E320 values that do not rise, E321 memberships outside 0..1.
        """
        from underoak.overlay import Curve

        made: Curve = getattr(Curve, self.shape)(*self._numbers())
        return made

    def in_words(self, unit: str = "") -> str:
        """The curve in one line for people."""
        return self._words(_SIGNS.get(unit, f" {unit}" if unit else ""))

    @abstractmethod
    def _numbers(self) -> tuple[Any, ...]:
        """What the constructor of the same name takes."""

    @abstractmethod
    def _words(self, unit: str) -> str:
        """The curve in one line."""

    @model_validator(mode="after")
    def _is_a_curve(self) -> Any:
        with as_validation_errors():
            self.curve()
        return self


class RampUp(_CurveSpec):
    """More is better: 0 at the first value and below, 1 at the second and above."""

    shape: Literal["ramp_up"]
    """The shape."""
    at: Two
    """Two rising values: where membership leaves 0, where it reaches 1."""

    def _numbers(self) -> tuple[Any, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        return f"0 up to {self.at[0]:g}, full from {self.at[1]:g}{unit} on"


class RampDown(_CurveSpec):
    """Less is better: 1 at the first value and below, 0 at the second and above."""

    shape: Literal["ramp_down"]
    """The shape."""
    at: Two
    """Two rising values: where membership leaves 1, where it reaches 0."""

    def _numbers(self) -> tuple[Any, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        return f"full up to {self.at[0]:g}, 0 from {self.at[1]:g}{unit} on"


class Hump(_CurveSpec):
    """A middle range is best: 0 at a, 1 from b to c, 0 at d."""

    shape: Literal["hump"]
    """The shape."""
    at: Four
    """Four rising values a, b, c, d."""

    def _numbers(self) -> tuple[Any, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        a, b, c, d = self.at
        return f"0 at {a:g}, full from {b:g} to {c:g}, 0 at {d:g}{unit}"


class Trough(_CurveSpec):
    """A middle range is worst: 1 at a, 0 from b to c, 1 at d."""

    shape: Literal["trough"]
    """The shape."""
    at: Four
    """Four rising values a, b, c, d."""

    def _numbers(self) -> tuple[Any, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        a, b, c, d = self.at
        return f"full at {a:g}, 0 from {b:g} to {c:g}, full at {d:g}{unit}"


class Bell(_CurveSpec):
    """Best at one value, falling off to both sides as the normal curve does."""

    shape: Literal["bell"]
    """The shape."""
    at: Number
    """The best value."""
    width: Annotated[Number, Field(gt=0)]
    """The standard deviation: one width away, membership is 0.61."""

    def _numbers(self) -> tuple[Any, ...]:
        return self.at, self.width

    def _words(self, unit: str) -> str:
        return f"best at {self.at:g}{unit}, 0.61 at {self.width:g} to either side"


class Steps(_CurveSpec):
    """Level steps: one membership below the first value, another from each value on."""

    shape: Literal["steps"]
    """The shape."""
    at: Many
    """Rising values where membership jumps; at the value itself the better side holds."""
    give: Many
    """Memberships 0..1, one more than there are values."""

    def _numbers(self) -> tuple[Any, ...]:
        return self.at, self.give

    def _words(self, unit: str) -> str:
        steps = zip(self.give[:-1], self.at, strict=False)
        return ", ".join([*(f"{give:g} below {at:g}{unit}" for give, at in steps), f"then {self.give[-1]:g}"])


class Points(_CurveSpec):
    """Straight lines between points; level before the first and after the last."""

    shape: Literal["points"]
    """The shape."""
    of: Annotated[tuple[Two, ...], Field(min_length=1, max_length=1000)]
    """Pairs [value, membership], values rising."""

    def _numbers(self) -> tuple[Any, ...]:
        return (self.of,)

    def _words(self, unit: str) -> str:
        return ", ".join(f"{y:g} at {x:g}{unit}" for x, y in self.of)


class Table(_CurveSpec):
    """One membership for each class code."""

    shape: Literal["table"]
    """The shape."""
    of: Annotated[dict[Code, Number], Field(min_length=1, max_length=1000)]
    """Class code: membership 0..1."""
    otherwise: Number | None = None
    """Membership of every other code; left out, other codes are missing."""

    def _numbers(self) -> tuple[Any, ...]:
        return dict(self.of), math.nan if self.otherwise is None else self.otherwise

    def _words(self, unit: str) -> str:
        rest = "others missing" if self.otherwise is None else f"{self.otherwise:g} for others"
        return ", ".join([*(f"{y:g} for class {code}" for code, y in self.of.items()), rest])


CurveSpec = Annotated[RampUp | RampDown | Hump | Trough | Bell | Steps | Points | Table, Field(discriminator="shape")]
