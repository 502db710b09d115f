"""The key `criteria`: the layer, response curve, weight and remedy of each criterion."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.quantities import Depth, Name, Number, NumberOrAmount, Text, quantity_in, text_or_other
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec


def _not_negative(value: float) -> float:
    if value < 0:
        raise refusal("E310", f"a weight cannot be negative ({value:g})", "write 0 or more")
    return value


def _none_or_other(value: object) -> str:
    return "(none)" if value == "none" else "(other)"


Price = Annotated[Number, Field(ge=0)]
Weight = Annotated[Number, AfterValidator(_not_negative), Field(json_schema_extra={"minimum": 0})]


class RemedySpec(Spec):
    """A remedy for a criterion."""

    by: Literal["lime", "irrigation", "drainage"]
    """Lime raises a pH, irrigation a depth of water. The effect of drainage cannot be computed from maps."""
    limit: NumberOrAmount | None = None
    """Highest value it can reach, in the criterion's unit: 8.3, or 150 mm. Default: the best range."""
    depth: Depth | None = None
    """Depth of the treated soil, such as 30 cm."""
    cost: Price | None = None
    """Price of a tonne of lime or a cubic metre of water. Default: that of `prices`."""

    @property
    def depth_cm(self) -> float | None:
        """Depth of the treated soil [cm]."""
        return None if self.depth is None else quantity_in(self.depth, "cm")

    def limit_in(self, unit: str) -> float | None:
        """Return `limit` as a number in `unit`.

        Raises:
            UnderoakError: E341 if it measures something else.
        """
        return quantity_in(self.limit, unit) if isinstance(self.limit, str) else self.limit


Remedy = Annotated[
    Annotated[Literal["none"], Tag("(none)")] | Annotated[RemedySpec, Tag("(other)")], Discriminator(_none_or_other)
]


class CriterionSpec(Spec):
    """A criterion. For one of the species profile, give only the keys that differ."""

    layer: Name | None = None
    """Layer it judges."""
    curve: CurveSpec | None = None
    """Response curve, in the unit of the profile's criterion, or else of the layer."""
    weight: Weight | None = None
    """Weight relative to the other criteria; only without `weights`, or with `direct` ones."""
    remedy: Remedy | None = None
    """Remedy, or `none`."""
    source: Text | None = None
    """Citation of the curve's numbers. Required with a curve; `profile` if they are those of the profile."""
    essential: bool | None = None
    """`true`: no class is above this criterion's own, whatever `cap` and the weights say. For what cannot be made good,
    such as warmth. Default: as in the profile, or else `false`."""
    essential_source: Text | None = None
    """Citation for `essential`. Required where it differs from the profile."""

    @model_validator(mode="after")
    def _check_essential_source(self) -> Self:
        if self.essential_source is not None and self.essential is None:
            raise refusal("E304", "`essential_source` needs `essential`", "add `essential`, or remove the source")
        return self


MaybeCriterion = Annotated[
    Annotated[Literal["off"], Tag("(text)")] | Annotated[CriterionSpec, Tag("(other)")], Discriminator(text_or_other)
]
