"""The keys `weights`, `combine` and `classes`: from memberships to suitability and class."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from underoak.plan.keys.criteria import Weight
from underoak.plan.keys.quantities import Name, Number, Share
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

MAX_CRITERIA = 250  # codes from 250 have other meanings in the results


class WeightSpreadSpec(Spec):
    """The spread of the weights. Default: `dirichlet` with a strength of 40."""

    kind: Literal["dirichlet", "uniform", "ranked", "bounded"] = "dirichlet"
    """`dirichlet`: around the weights; `ranked`: in their order; `bounded`: within `bounds`; `uniform`: any weights."""
    strength: Annotated[Number, Field(gt=0)] | None = None
    """With `dirichlet`: a higher strength means less spread. Default: 40 (a weight of 0.5 has a sd of 0.08)."""
    bounds: Annotated[dict[Name, tuple[Share, Share]], Field(min_length=1)] | None = None
    """With `bounded`: lowest and highest weight by criterion. Default for a criterion: 0 to 1."""

    @model_validator(mode="after")
    def _check_kind(self) -> Self:
        if self.strength is not None and self.kind != "dirichlet":
            raise refusal("E304", "`strength` is for `kind: dirichlet`", "remove it, or change the kind")
        if (self.bounds is not None) != (self.kind == "bounded"):
            raise refusal("E304", "`bounds` and `kind: bounded` need each other", "give both, or neither")
        return self


class WeightsSpec(Spec):
    """The weights of the criteria: exactly one of `direct`, `ranked`, `pairwise`."""

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": [kind]} for kind in ("direct", "ranked", "pairwise")]}
    )

    direct: dict[Name, Weight] | None = None
    """A number for each criterion; they are divided by their sum."""
    ranked: Annotated[tuple[Name, ...], Field(max_length=MAX_CRITERIA)] | None = None
    """The criteria, most important first."""
    pairwise: Annotated[tuple[tuple[Name, Name, Number], ...], Field(max_length=5000)] | None = None
    """[a, b, 3]: a is three times as important as b. The pairs must link all criteria; not every pair is needed."""
    max_inconsistency: Annotated[Number, Field(ge=0, le=1)] | None = None
    """Highest inconsistency of the pairwise ratios. Default: 0.10."""
    spread: WeightSpreadSpec | None = None
    """Spread of the weights. Default: dirichlet, strength 40."""

    @model_validator(mode="after")
    def _check_kind(self) -> Self:
        kinds = [kind for kind in ("direct", "ranked", "pairwise") if getattr(self, kind) is not None]
        if len(kinds) != 1:
            what = " and ".join(f"`{kind}`" for kind in kinds) or "none"
            fix = "keep one of direct, ranked, pairwise" if kinds else "add one of direct, ranked, pairwise"
            raise refusal("E304", f"needs exactly one kind of weights and has {what}", fix)
        if self.max_inconsistency is not None and self.pairwise is None:
            raise refusal("E304", "`max_inconsistency` is for pairwise weights", "remove it")
        return self


class CombineSpec(Spec):
    """How memberships are combined into suitability."""

    rule: Literal["linear", "geometric", "minimum", "ordered"] = "geometric"
    """`linear`: weighted mean; `geometric`: weighted geometric mean; `minimum`: the lowest membership; `ordered`:
    weighted by the order of memberships. Default: geometric."""
    order_weights: Annotated[tuple[Weight, ...], Field(min_length=1, max_length=MAX_CRITERIA)] | None = None
    """With `ordered`: weights of the highest membership, the next, and so on. The criteria must have equal weights."""
    alpha: Annotated[Number, Field(gt=0)] | None = None
    """With `ordered`: 1 is the weighted mean, below 1 is more lenient, above 1 is stricter."""
    missing: Literal["stop", "renormalise"] = "stop"
    """If a criterion has no value in a cell, `stop`: do not judge the cell; `renormalise`: use the other criteria.
    Default: stop."""

    @model_validator(mode="after")
    def _check_rule(self) -> Self:
        keys = [key for key in ("order_weights", "alpha") if getattr(self, key) is not None]
        if self.rule == "ordered" and len(keys) != 1:
            raise refusal("E316", "`rule: ordered` needs one of `order_weights` and `alpha`", "give exactly one")
        if self.rule != "ordered" and keys:
            raise refusal("E316", f"`{keys[0]}` is for `rule: ordered`", "remove it, or change the rule")
        return self


class ClassesSpec(Spec):
    """The lowest suitability of each class. The FAO sets no values; the defaults are ours."""

    S1: Number = 0.75
    """Lowest suitability of S1. Default: 0.75."""
    S2: Number = 0.50
    """Lowest suitability of S2. Default: 0.50."""
    S3: Number = 0.25
    """Lowest suitability of S3; below it is N. Default: 0.25."""
    cap: Literal["weakest", "none"] = "weakest"
    """`weakest`: the class is at most one above that of the limiting factor. Default: weakest."""

    @property
    def cuts(self) -> tuple[float, float, float]:
        """Lowest suitability of S1, S2, S3."""
        return self.S1, self.S2, self.S3

    @model_validator(mode="after")
    def _check_cuts(self) -> Self:
        if not 1 > self.S1 > self.S2 > self.S3 > 0:
            raise refusal("E318", "cuts must fall from S1 to S3, between 1 and 0", "write for example 0.75, 0.50, 0.25")
        return self
