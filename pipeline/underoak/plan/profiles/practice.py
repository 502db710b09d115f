"""What growers do with a truffle: spacing, hosts in a mix, lime, water, canopy, tools, former land.

Sheets and reports print only what a profile has here. Grades are those of criteria: A two independent readings agree, B
one fair or several weak ones, C from memory, or common practice without a source.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Text
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

Grade = Literal["A", "B", "C"]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Graded(Spec):
    """A figure or statement with its citation and grade."""

    source: Text
    """Citation."""
    grade: Grade
    """A: two independent readings agree; B: one fair or several weak ones; C: from memory, or without a source."""


class Advice(Graded):
    """A sentence for sheets."""

    words: Text
    """The sentence."""


class PlantingSpacing(Graded):
    """Distances between trees."""

    between: Positive
    """Between rows [m]."""
    along: Positive
    """Along a row [m]."""

    @property
    def metres(self) -> tuple[float, float]:
        """Metres between rows and along them."""
        return self.between, self.along


class HostMix(Advice):
    """Parts of the kinds of trees in a mix."""

    parts: Annotated[dict[Text, Positive], Field(min_length=1)]
    """Parts by genus; hop-hornbeam counts as hornbeam (`carpinus`). A kind without parts is not planted."""
    together: Annotated[tuple[Text, ...], Field(min_length=2)]
    """Genera that the words speak of: a sheet prints the words where it plants all of them."""

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        for genus in self.together:
            if genus not in self.parts:
                raise refusal("E304", f"the words speak of {genus}, which has no parts", "add it to `parts`")
        return self


class LimeRule(Graded):
    """Lime that raises pH by a tenth in a depth of 10 cm, as a range."""

    least: Positive = 1.0
    """Lower end [t/ha of CaCO3]."""
    plan_with: Positive = 2.0
    """Upper end [t/ha of CaCO3], which plans should reckon with."""
    wait: Text | None = None
    """How long lime takes before planting."""

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.plan_with < self.least:
            raise refusal("E304", "`plan_with` is below `least`", "give the upper end of the range")
        return self


class Canopy(Advice):
    """How much shade the truffle wants over it."""

    wild: Literal["open", "keep"]
    """What to do on wild ground: open a canopy that has closed, or keep it closed."""


class Irrigation(Advice):
    """A rule of watering."""

    dose: Positive | None = None
    """Water of one dose [mm]."""
    best_interval: Positive | None = None
    """Days between two doses that were best in a trial."""
    longest_interval: Positive | None = None
    """The longest interval of that trial [d]."""

    @model_validator(mode="after")
    def _check_intervals(self) -> Self:
        has_both = self.best_interval is not None and self.longest_interval is not None
        if not has_both and (self.best_interval is not None or self.longest_interval is not None):
            raise refusal("E304", "`best_interval` and `longest_interval` need each other", "give both or neither")
        if self.best_interval is not None and self.dose is None:
            raise refusal("E304", "intervals need a `dose`", "add `dose`")
        return self

    def season_doses(self, days: float) -> tuple[float, float] | None:
        """Return the water given in a season of so many days [mm]: at the longest interval, and at the best.

        >>> rule = Irrigation(words="-", source="-", grade="B", dose=32, best_interval=14, longest_interval=35)
        >>> [round(mm) for mm in rule.season_doses(92) or ()]
        [84, 210]
        """
        if self.dose is None or self.best_interval is None or self.longest_interval is None:
            return None
        return self.dose * days / self.longest_interval, self.dose * days / self.best_interval


class Practice(Spec):
    """The practice of growers and of those who restore wild ground."""

    spacing: PlantingSpacing
    """Distances between trees in an orchard."""
    first_fruit: Advice | None = None
    """Years until the first fruit: "4 to 8 years after planting"."""
    mix: HostMix | None = None
    """Kinds of host trees in a mix. Without it the primary hosts get equal parts."""
    inoculum: Advice | None = None
    """What a portion of inoculum is made of. Without it no amount is printed."""
    lime: LimeRule | None = None
    """How much lime raises pH. Required if a criterion is limed."""
    irrigation: Irrigation | None = None
    """How to water an orchard."""
    canopy: Canopy | None = None
    """Shade over the truffle."""
    tools: Advice | None = None
    """How to search and dig."""
    former_land: Advice | None = None
    """Land use before planting."""
    neighbours: Advice | None = None
    """What may stand beside an orchard."""
    fire: Advice | None = None
    """Wild ground after a fire."""


# For plans without a species profile.
DEFAULT_SPACING = PlantingSpacing(
    between=6.0, along=6.0, source="in print, Western Australian agriculture department, of oaks in orchards", grade="B"
)
DEFAULT_LIME_RULE = LimeRule(
    least=1.0,
    plan_with=2.0,
    source=(
        "over a tonne for a tenth of pH and 10 cm (a New Zealand growers' page); not less than 2 tonnes for a tenth in "
        "the topsoil (Hall, a New Zealand page); both in print"
    ),
    grade="B",
)
