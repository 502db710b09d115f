"""Response curves as a plan writes them. The maths, and what makes a curve valid, live in `overlay`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, model_validator

from underoak.plan.fields import Number, Whole
from underoak.plan.spec import Spec, retelling

if TYPE_CHECKING:
    from underoak.overlay import Curve

Two = Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)]
Four = Annotated[tuple[Number, ...], Field(min_length=4, max_length=4)]
Many = Annotated[tuple[Number, ...], Field(min_length=1, max_length=1000)]


class _CurveSpec(Spec):
    """A written response curve."""

    def curve(self) -> Curve:
        """The curve the overlay works with.

        Raises:
            UnderoakError: E320 values that do not rise, E321 memberships outside 0..1.
        """
        raise NotImplementedError

    def in_words(self, unit: str = "") -> str:
        """The curve in one line for people."""
        raise NotImplementedError

    @model_validator(mode="after")
    def _is_a_curve(self) -> Any:
        with retelling():
            self.curve()
        return self


class RampUp(_CurveSpec):
    """More is better: 0 at the first value and below, 1 at the second and above."""

    shape: Literal["ramp_up"]
    at: Two
    """Two rising values: where membership leaves 0, where it reaches 1."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.ramp_up(*self.at)

    def in_words(self, unit: str = "") -> str:
        """`0 up to 1, full from 2 on`."""
        a, b = self.at
        return f"0 up to {_told(a, unit)}, full from {_told(b, unit)} on"


class RampDown(_CurveSpec):
    """Less is better: 1 at the first value and below, 0 at the second and above."""

    shape: Literal["ramp_down"]
    at: Two
    """Two rising values: where membership leaves 1, where it reaches 0."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.ramp_down(*self.at)

    def in_words(self, unit: str = "") -> str:
        """`full up to 1, 0 from 2 on`."""
        a, b = self.at
        return f"full up to {_told(a, unit)}, 0 from {_told(b, unit)} on"


class Hump(_CurveSpec):
    """A middle range is best: 0 at a, 1 from b to c, 0 at d."""

    shape: Literal["hump"]
    at: Four
    """Four rising values a, b, c, d."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.hump(*self.at)

    def in_words(self, unit: str = "") -> str:
        """`0 at 1, full from 2 to 3, 0 at 4`."""
        a, b, c, d = self.at
        return f"0 at {_told(a)}, full from {_told(b)} to {_told(c)}, 0 at {_told(d, unit)}"


class Trough(_CurveSpec):
    """A middle range is worst: 1 at a, 0 from b to c, 1 at d."""

    shape: Literal["trough"]
    at: Four
    """Four rising values a, b, c, d."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.trough(*self.at)

    def in_words(self, unit: str = "") -> str:
        """`full at 1, 0 from 2 to 3, full at 4`."""
        a, b, c, d = self.at
        return f"full at {_told(a)}, 0 from {_told(b)} to {_told(c)}, full at {_told(d, unit)}"


class Bell(_CurveSpec):
    """Best at one value, falling off on both sides as a normal curve does."""

    shape: Literal["bell"]
    at: Number
    """The best value."""
    width: Annotated[Number, Field(gt=0)]
    """The standard deviation: one width away, membership is 0.61."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.bell(self.at, self.width)

    def in_words(self, unit: str = "") -> str:
        """`best at 1, 0.61 at 2 either side`."""
        return f"best at {_told(self.at, unit)}, 0.61 at {_told(self.width)} to either side"


class Steps(_CurveSpec):
    """Level steps: one membership below the first value, another from each value on."""

    shape: Literal["steps"]
    at: Many
    """Rising values where membership jumps; at the jump itself the better side holds."""
    give: Many
    """Memberships 0..1, one more than there are values."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.steps(self.at, self.give)

    def in_words(self, unit: str = "") -> str:
        """`1 below 2, then 0.5`."""
        parts = [f"{_told(give)} below {_told(at, unit)}" for at, give in zip(self.at, self.give, strict=False)]
        return ", ".join([*parts, f"then {_told(self.give[-1])}"])


class Points(_CurveSpec):
    """Straight lines between points; level beyond the first and the last."""

    shape: Literal["points"]
    of: Annotated[tuple[Two, ...], Field(min_length=1, max_length=1000)]
    """Pairs [value, membership], values rising."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.points([(x, y) for x, y in self.of])

    def in_words(self, unit: str = "") -> str:
        """`0.6 at 0, 1 at 0.1`."""
        return ", ".join(f"{_told(y)} at {_told(x, unit)}" for x, y in self.of)


class Table(_CurveSpec):
    """One membership for each class code."""

    shape: Literal["table"]
    of: Annotated[dict[Whole, Number], Field(min_length=1, max_length=1000)]
    """Class code: membership 0..1."""
    otherwise: Number | None = None
    """Membership of every other code; left out, other codes are missing."""

    def curve(self) -> Curve:
        from underoak.overlay import Curve

        return Curve.table(dict(self.of), math.nan if self.otherwise is None else self.otherwise)

    def in_words(self, unit: str = "") -> str:
        """`1 for class 3`."""
        parts = [f"{_told(y)} for class {code}" for code, y in self.of.items()]
        rest = "other classes missing" if self.otherwise is None else f"{_told(self.otherwise)} for other classes"
        return ", ".join([*parts, rest])


def _told(number: float, unit: str = "") -> str:
    return f"{number:g} {unit}".strip().replace(" percent", " %").replace(" degC", " °C").replace(" degree", "°")


CurveSpec = Annotated[
    RampUp | RampDown | Hump | Trough | Bell | Steps | Points | Table, Field(discriminator="shape")
]
