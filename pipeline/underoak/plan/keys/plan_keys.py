"""The top-level keys of a plan: frozen, typed, unknown keys refused."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, WithJsonSchema

from underoak.plan.keys.constraints import ConstraintSpec
from underoak.plan.keys.criteria import MaybeCriterion
from underoak.plan.keys.decision.checks import CheckSpec
from underoak.plan.keys.decision.cohorts import CohortSpec
from underoak.plan.keys.decision.costs import CostsSpec
from underoak.plan.keys.decision.deal import Date, DealSpec
from underoak.plan.keys.decision.neighbours import NeighbourSpec
from underoak.plan.keys.decision.rules import Rules
from underoak.plan.keys.decision.water_supply import WaterSupplySpec
from underoak.plan.keys.decision.years import YearsSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.overlay import MAX_CRITERIA, ClassesSpec, CombineSpec, WeightsSpec
from underoak.plan.keys.places import LabSpec, NativeSpec, ParcelsSpec, ZonesSpec
from underoak.plan.keys.quantities import NAME_PATTERN, File, Name, Text
from underoak.plan.keys.region import RegionSpec, TrustSpec
from underoak.plan.keys.scenarios import ScenarioSpec, ScenarioSummarySpec
from underoak.plan.keys.uncertainty import Level, UncertaintySpec
from underoak.plan.keys.verdict import PricesSpec, VerdictSpec
from underoak.plan.reading.spec import Spec

MAX_SPECIES, MAX_SCENARIOS = 20, 100

# Any text: a common name gets a fault of its own. Editors check for the names of profiles.
SpeciesName = Annotated[Text, WithJsonSchema({"type": "string", "pattern": NAME_PATTERN})]
Purpose = Literal["buy", "orchard", "restore", "region"]
PURPOSES: tuple[Purpose, ...] = ("buy", "orchard", "restore", "region")
DRAWN_PURPOSES: tuple[Purpose, ...] = ("buy", "orchard")  # drawn even if the plan has no `uncertainty`


class OutputsSpec(Spec):
    """The results folder and the form of its rasters."""

    folder: File = "out"
    """Run folder, relative to the plan's folder. Default: out."""
    dtype: Literal["float32", "uint16"] = "float32"
    """Type of the suitability raster; uint16 has steps of 1/60000. Default: float32."""
    quantiles: Annotated[tuple[Level, ...], Field(min_length=1, max_length=20)] | None = None
    """Quantiles of suitability over the draws to write, such as 0.05, 0.5, 0.95. They double the run time."""


class PlanSpec(Spec):
    """A plan for underoak: the region, its layers, and how they are judged."""

    format: Literal[1]
    """Version of this format."""
    title: Annotated[Text, Field(max_length=200)]
    """Title of the results."""
    purpose: Purpose
    """The decision: sets the words of the verdict, and which keys are required."""
    species: Annotated[tuple[SpeciesName, ...], Field(max_length=MAX_SPECIES)] = ()
    """Species profiles, each judged by itself. Default: none; the plan then gives all criteria."""
    hosts: Annotated[tuple[Name, ...], Field(max_length=100)] = ()
    """Host trees to consider. Default: every host of the profile."""
    region: RegionSpec
    """Region and analysis grid."""
    trust: TrustSpec = Field(default_factory=TrustSpec)
    """Folders that files may refer to, and the largest raster."""
    layers: Annotated[dict[Name, LayerSpec], Field(min_length=1, max_length=500)]
    """Rasters and indicators, by name."""
    criteria: Annotated[dict[Name, MaybeCriterion | None], Field(max_length=MAX_CRITERIA, default_factory=dict)]
    """Criteria by name; `off` or nothing removes one of the profile."""
    constraints: Annotated[tuple[ConstraintSpec, ...], Field(max_length=500)] = ()
    """Rules that exclude cells."""
    weights: WeightsSpec | None = None
    """Weights of the criteria. Default: those of the profile, or equal ones without a profile."""
    combine: CombineSpec = Field(default_factory=CombineSpec)
    """How memberships are combined into suitability."""
    classes: ClassesSpec = Field(default_factory=ClassesSpec)
    """Lowest suitability of each class."""
    uncertainty: UncertaintySpec | None = None
    """How uncertain layers are drawn. Default: 64 draws for the purposes buy and orchard. For others no draws; every
    layer is treated as exact."""
    verdict: VerdictSpec = Field(default_factory=VerdictSpec)
    """Limits for yes, no and test first. Used with `uncertainty`."""
    scenarios: Annotated[tuple[ScenarioSpec, ...], Field(max_length=MAX_SCENARIOS)] = ()
    """Scenarios, judged in addition to the present."""
    futures: ScenarioSummarySpec = Field(default_factory=ScenarioSummarySpec)
    """How scenarios are summarised."""
    parcels: ParcelsSpec | None = None
    """The parcels to judge. Required for the purposes buy and orchard."""
    zones: ZonesSpec | None = None
    """Zones of connected suitable land. Required for the purpose restore."""
    native: NativeSpec | None = None
    """For the purpose restore: shapes that narrow the species' native range."""
    lab: LabSpec | None = None
    """Laboratory results for parcels."""
    years: YearsSpec | None = None
    """Series of single years, such as those of a weather station: what happened in them, and how dry a dry year is."""
    water_supply: Annotated[dict[Name, WaterSupplySpec], Field(min_length=1, max_length=50)] | None = None
    """Water that you hold a right to, by name: a well, a canal, a pond. Held against the dry years of `years`."""
    deal: DealSpec | None = None
    """What beside the ground has to be settled: papers, permits, rights. Default: all unknown with purpose buy; not
    asked with other purposes."""
    checks: Annotated[tuple[CheckSpec, ...], Field(max_length=100)] = ()
    """What you can have checked before you decide, in any order."""
    signing: Date | None = None
    """Day on which you sign or decide, such as 2026-01-31."""
    cohorts: Annotated[tuple[CohortSpec, ...], Field(max_length=20)] = ()
    """Counts of orchards that bear, such as those of your district, printed beside P(S2 or better)."""
    rules: Rules | None = None
    """A file of rules of your own, such as conditions of an aid: a path, or a mapping with `file`."""
    prices: PricesSpec = Field(default_factory=PricesSpec)
    """Prices of remedies, tests and land."""
    costs: CostsSpec | None = None
    """Your costs, hours and years, for the break-even of an orchard. Nothing uses them with the purpose restore: wild
    ground is not planted for a crop."""
    neighbours: Annotated[dict[Name, NeighbourSpec], Field(max_length=20, default_factory=dict)]
    """Files of what lies near the parcels, by name. They change no suitability and no verdict."""
    outputs: OutputsSpec = Field(default_factory=OutputsSpec)
    """Results folder and form of its rasters."""

    @property
    def orchard_costs(self) -> CostsSpec | None:
        """Costs of an orchard; None without them, and on wild ground."""
        return None if self.purpose == "restore" else self.costs
