"""Verdicts as a plan writes them: how sure is sure enough, and how far the weights themselves are in doubt."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Name, Number
from underoak.plan.reading.spec import Spec, refusal

Share = Annotated[Number, Field(ge=0, le=1)]


class VerdictSpec(Spec):
    """When the answer is yes, no, or test first. The shares are ours: common practice, no source."""

    yes_at: Share = 0.80
    """Yes where S2 or better is as likely as this."""
    no_at: Share = 0.20
    """No where it is no likelier than this; between the two, test first."""
    test_first_at: Share = 0.20
    """Test first where one test is as likely as this to turn the answer."""

    @model_validator(mode="after")
    def _leaves_room(self) -> Any:
        if not self.no_at < self.yes_at:
            raise refusal("E304", "`no_at` must be less than `yes_at`", "for example 0.20 and 0.80")
        return self


class WeightSpreadSpec(Spec):
    """How far the weights are in doubt; without it, as `dirichlet` with a strength of 40."""

    kind: Literal["dirichlet", "uniform", "ranked", "bounded"] = "dirichlet"
    """`dirichlet`: around the weights; `ranked`: in their order; `bounded`: within `bounds`; `uniform`: any at all."""
    strength: Annotated[Number, Field(gt=0)] | None = None
    """With `dirichlet`: 40, as when left out, leaves a weight of 0.5 a standard deviation of 0.08; more leaves less."""
    bounds: Annotated[dict[Name, tuple[Share, Share]], Field(min_length=1)] | None = None
    """With `bounded`: least and greatest weight by criterion; one that is not named may weigh anything."""

    @model_validator(mode="after")
    def _goes_together(self) -> Any:
        if self.strength is not None and self.kind != "dirichlet":
            raise refusal("E304", "`strength` is for `kind: dirichlet`", "leave it out, or change the kind")
        if (self.bounds is not None) != (self.kind == "bounded"):
            raise refusal("E304", "`bounds` and `kind: bounded` need each other", "give both, or neither")
        return self
