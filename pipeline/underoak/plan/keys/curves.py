"""The key `curve`: response curves. `underoak.overlay` computes them and decides which are valid."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Annotated, Literal, Self

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
    """A response curve in a plan; its `shape` names the constructor in `overlay.Curve`."""

    shape: str

    def curve(self) -> Curve:
        """Return the curve for the overlay.

        Raises:
            UnderoakError: E320 values that do not rise, E321 memberships outside 0..1.
        """
        from underoak.overlay import Curve

        curve: Curve = getattr(Curve, self.shape)(*self._arguments())
        return curve

    def in_words(self, unit: str = "") -> str:
        """Return the curve in one line; `unit` is that of its values."""
        return self._words(_SIGNS.get(unit, f" {unit}" if unit else ""))

    @abstractmethod
    def _arguments(self) -> tuple[object, ...]:
        """Return the arguments of the constructor."""

    @abstractmethod
    def _words(self, unit: str) -> str:
        """Return the curve in one line; `unit` starts with a space where it needs one."""

    @model_validator(mode="after")
    def _check_curve(self) -> Self:
        with as_validation_errors():
            self.curve()
        return self


class RampUp(_CurveSpec):
    """More is better: 0 at the first value and below, 1 at the second and above."""

    shape: Literal["ramp_up"]
    """Shape of the curve."""
    at: Two
    """Two rising values: the last with membership 0, the first with membership 1."""

    def _arguments(self) -> tuple[object, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        return f"0 up to {self.at[0]:g}, full from {self.at[1]:g}{unit} on"


class RampDown(_CurveSpec):
    """Less is better: 1 at the first value and below, 0 at the second and above."""

    shape: Literal["ramp_down"]
    """Shape of the curve."""
    at: Two
    """Two rising values: the last with membership 1, the first with membership 0."""

    def _arguments(self) -> tuple[object, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        return f"full up to {self.at[0]:g}, 0 from {self.at[1]:g}{unit} on"


class Hump(_CurveSpec):
    """A middle range is best: 0 at a, 1 from b to c, 0 at d."""

    shape: Literal["hump"]
    """Shape of the curve."""
    at: Four
    """Four rising values a, b, c, d."""

    def _arguments(self) -> tuple[object, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        a, b, c, d = self.at
        return f"0 at {a:g}, full from {b:g} to {c:g}, 0 at {d:g}{unit}"


class Trough(_CurveSpec):
    """A middle range is worst: 1 at a, 0 from b to c, 1 at d."""

    shape: Literal["trough"]
    """Shape of the curve."""
    at: Four
    """Four rising values a, b, c, d."""

    def _arguments(self) -> tuple[object, ...]:
        return self.at

    def _words(self, unit: str) -> str:
        a, b, c, d = self.at
        return f"full at {a:g}, 0 from {b:g} to {c:g}, full at {d:g}{unit}"


class Bell(_CurveSpec):
    """One value is best: membership falls to both sides as the normal curve does."""

    shape: Literal["bell"]
    """Shape of the curve."""
    at: Number
    """The best value."""
    width: Annotated[Number, Field(gt=0)]
    """The standard deviation: one width away, membership is 0.61."""

    def _arguments(self) -> tuple[object, ...]:
        return self.at, self.width

    def _words(self, unit: str) -> str:
        return f"best at {self.at:g}{unit}, 0.61 at {self.width:g} to either side"


class Steps(_CurveSpec):
    """Steps: one membership below the first value, and another from each value on."""

    shape: Literal["steps"]
    """Shape of the curve."""
    at: Many
    """Rising values at which membership changes; the value itself has the higher membership of the two."""
    give: Many
    """Memberships 0..1, one more than values in `at`."""

    def _arguments(self) -> tuple[object, ...]:
        return self.at, self.give

    def _words(self, unit: str) -> str:
        steps = zip(self.give[:-1], self.at, strict=False)
        return ", ".join([*(f"{give:g} below {at:g}{unit}" for give, at in steps), f"then {self.give[-1]:g}"])


class Points(_CurveSpec):
    """Straight lines between points; constant before the first and after the last."""

    shape: Literal["points"]
    """Shape of the curve."""
    of: Annotated[tuple[Two, ...], Field(min_length=1, max_length=1000)]
    """Pairs [value, membership], values rising."""

    def _arguments(self) -> tuple[object, ...]:
        return (self.of,)

    def _words(self, unit: str) -> str:
        return ", ".join(f"{y:g} at {x:g}{unit}" for x, y in self.of)


class Table(_CurveSpec):
    """One membership for each class code."""

    shape: Literal["table"]
    """Shape of the curve."""
    of: Annotated[dict[Code, Number], Field(min_length=1, max_length=1000)]
    """Membership 0..1 of each class code."""
    otherwise: Number | None = None
    """Membership of all other codes. Default: they are missing."""

    def _arguments(self) -> tuple[object, ...]:
        return dict(self.of), math.nan if self.otherwise is None else self.otherwise

    def _words(self, unit: str) -> str:
        rest = "others missing" if self.otherwise is None else f"{self.otherwise:g} for others"
        return ", ".join([*(f"{y:g} for class {code}" for code, y in self.of.items()), rest])


CurveSpec = Annotated[RampUp | RampDown | Hump | Trough | Bell | Steps | Points | Table, Field(discriminator="shape")]
