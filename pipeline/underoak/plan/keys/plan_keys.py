"""The plan as written: frozen, typed, nothing in it unknown. What it means with a species profile is `load`'s work."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Discriminator, Field, Tag, model_validator

from underoak.base import crs as _crs
from underoak.plan.keys.constraints import ConstraintSpec
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.quantities import (
    Area,
    Depth,
    File,
    Length,
    Name,
    Number,
    NumberOrAmount,
    Text,
    Whole,
    quantity_in,
    text_or_other,
)
from underoak.plan.keys.scenarios import FuturesSpec, ScenarioSpec
from underoak.plan.keys.uncertainty import Level, UncertaintySpec
from underoak.plan.keys.verdict import VerdictSpec, WeightSpreadSpec
from underoak.plan.reading.spec import PendingFault, Spec, as_validation_errors, refusal, refuse_all

MOST_CRITERIA = 250  # codes 250 and up mean something else in the results
MOST_SPECIES, MOST_SCENARIOS = 20, 100

Purpose = Literal["buy", "orchard", "restore", "region"]
PURPOSES: tuple[Purpose, ...] = ("buy", "orchard", "restore", "region")


def _not_negative(value: float) -> float:
    if value < 0:
        raise refusal("E310", f"a weight cannot be negative ({value:g})", "write 0 or more")
    return value


def _projected(text: str) -> str:
    with as_validation_errors():
        in_degrees = _crs.is_geographic(text)
    if in_degrees:
        what = f"{text} counts degrees, and the analysis grid needs cells of one size on the ground"
        raise refusal("E205", what, "take a projected one, such as your country's grid or the UTM zone")
    return text


def _hold_ground(bounds: tuple[float, ...]) -> tuple[float, ...]:
    left, bottom, right, top = bounds
    if not (left < right and bottom < top):
        raise refusal("E304", "hold no ground", "write left, bottom, right, top")
    return bounds


def _none_as_text(value: Any) -> str:
    return "(none)" if value == "none" else "(other)"


Price = Annotated[Number, Field(ge=0)]
Weight = Annotated[Number, AfterValidator(_not_negative), Field(json_schema_extra={"minimum": 0})]


class RemedySpec(Spec):
    """What can be done about a criterion."""

    by: Literal["lime", "irrigation", "drainage"]
    """The deed. Lime raises a pH, irrigation a depth of water; what drainage does, no map can foretell."""
    limit: NumberOrAmount | None = None
    """The value it brings the ground to at most, in the criterion's unit: 8.3, or 150 mm. Left out: full membership."""
    depth: Depth | None = None
    """Depth of soil that is treated, such as 30 cm."""
    cost: Price | None = None
    """Price of a tonne of lime or a cubic metre of water, where it is not that of `prices`."""

    @property
    def depth_cm(self) -> float | None:
        """Treated depth [cm]."""
        return None if self.depth is None else quantity_in(self.depth, "cm")

    def limit_in(self, unit: str) -> float | None:
        """`limit` as a number in `unit`.

        Raises:
            UnderoakError: E341 when it measures something else.
        """
        return quantity_in(self.limit, unit) if isinstance(self.limit, str) else self.limit


Remedy = Annotated[
    Annotated[Literal["none"], Tag("(none)")] | Annotated[RemedySpec, Tag("(other)")], Discriminator(_none_as_text)
]


class CriterionSpec(Spec):
    """One criterion. Of one that the species profile has, only what differs need be written."""

    layer: Name | None = None
    """The layer it judges."""
    curve: CurveSpec | None = None
    """Response curve, in the unit of the profile's criterion, else of the layer."""
    weight: Weight | None = None
    """Weight beside the other criteria's; only when `weights` is left out, or direct."""
    remedy: Remedy | None = None
    """What can be done about it, or `none`."""
    source: Text | None = None
    """Where the curve's numbers come from. Obligatory with a curve; `profile` when they are the profile's own."""


MaybeCriterion = Annotated[
    Annotated[Literal["off"], Tag("(text)")] | Annotated[CriterionSpec, Tag("(other)")], Discriminator(text_or_other)
]


class WeightsSpec(Spec):
    """Exactly one of `direct`, `ranked`, `pairwise`."""

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": [way]} for way in ("direct", "ranked", "pairwise")]}
    )

    direct: dict[Name, Weight] | None = None
    """A number for each criterion; brought to a sum of 1."""
    ranked: Annotated[tuple[Name, ...], Field(max_length=MOST_CRITERIA)] | None = None
    """The criteria, the one that counts most first."""
    pairwise: Annotated[tuple[tuple[Name, Name, Number], ...], Field(max_length=5000)] | None = None
    """[a, b, 3] says that a counts three times as much as b. Not every pair is needed while pairs link all criteria."""
    max_inconsistency: Annotated[Number, Field(ge=0, le=1)] | None = None
    """How much pairwise answers may contradict each other; left out, 0.10."""
    spread: WeightSpreadSpec | None = None
    """How far the weights are in doubt."""

    @model_validator(mode="after")
    def _is_one_kind(self) -> Any:
        given = [kind for kind in ("direct", "ranked", "pairwise") if getattr(self, kind) is not None]
        if len(given) != 1:
            what = " and ".join(f"`{kind}`" for kind in given) or "none"
            raise refusal("E304", f"weights come in one way, this has {what}", "keep one of direct, ranked, pairwise")
        if self.max_inconsistency is not None and self.pairwise is None:
            raise refusal("E304", "`max_inconsistency` is for pairwise weights", "leave it out")
        return self


class CombineSpec(Spec):
    """How memberships become one suitability."""

    rule: Literal["linear", "geometric", "minimum", "ordered"] = "geometric"
    """Weighted mean, weighted geometric mean, the weakest, or by order of membership."""
    order_weights: Annotated[tuple[Weight, ...], Field(min_length=1, max_length=MOST_CRITERIA)] | None = None
    """With `ordered`: weights for the highest membership, the next, and so on; the criteria's own are then equal."""
    alpha: Annotated[Number, Field(gt=0)] | None = None
    """With `ordered`: 1 is the weighted mean, less is more forgiving, more is stricter."""
    missing: Literal["stop", "renormalise"] = "stop"
    """When a criterion has no value in a cell: judge nothing there, or judge by the others."""

    @model_validator(mode="after")
    def _orders_only_when_ordered(self) -> Any:
        given = [key for key in ("order_weights", "alpha") if getattr(self, key) is not None]
        if self.rule == "ordered" and len(given) != 1:
            raise refusal("E316", "`rule: ordered` needs one of `order_weights` and `alpha`", "give exactly one")
        if self.rule != "ordered" and given:
            raise refusal("E316", f"`{given[0]}` is for `rule: ordered`", "leave it out, or change the rule")
        return self


class ClassesSpec(Spec):
    """Where the classes are cut. The FAO fixes no cuts; these are ours unless the plan says others."""

    S1: Number = 0.75
    """Lowest suitability of S1."""
    S2: Number = 0.50
    """Lowest suitability of S2."""
    S3: Number = 0.25
    """Lowest suitability of S3; below is N."""
    cap: Literal["weakest", "none"] = "weakest"
    """`weakest`: no class better than one above that of the weakest criterion."""

    @property
    def cuts(self) -> tuple[float, float, float]:
        """S1, S2, S3."""
        return self.S1, self.S2, self.S3

    @model_validator(mode="after")
    def _fall(self) -> Any:
        if not 1 > self.S1 > self.S2 > self.S3 > 0:
            raise refusal("E318", "cuts must fall from S1 to S3, between 1 and 0", "for example 0.75, 0.50, 0.25")
        return self


class RegionSpec(Spec):
    """The ground, and the grid it is judged on: `area`, a vector file, or `bounds`, a rectangle."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["area"]}, {"required": ["bounds"]}]})

    area: File | None = None
    """A GeoPackage or GeoJSON file with the region's outline."""
    features: Text | None = None
    """The layer inside that file; left out when there is only one."""
    bounds: Annotated[tuple[Number, ...], Field(min_length=4, max_length=4), AfterValidator(_hold_ground)] | None = None
    """Left, bottom, right, top, in units of the CRS."""
    crs: Annotated[Text, AfterValidator(_projected)]
    """Projected coordinate reference system of the analysis grid, such as EPSG:25831."""
    cell: Length
    """Side of a cell, such as 30 m."""
    snap: Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)] = (0.0, 0.0)
    """A point, in units of the CRS, at which cell corners lie."""

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""
        return quantity_in(self.cell, "m")

    @model_validator(mode="after")
    def _is_given_once(self) -> Any:
        if (self.area is None) == (self.bounds is None):
            has = "both `area` and `bounds`" if self.area is not None else "neither `area` nor `bounds`"
            raise refusal(
                "E304", f"has {has}", "name an outline as `area`, or give `bounds: [left, bottom, right, top]`"
            )
        if self.features is not None and self.area is None:
            told = PendingFault("E304", "`features` is for an `area`, and there is none", "leave it out")
            refuse_all([(("features",), told)], self)
        return self


class TrustSpec(Spec):
    """What files may draw on, and how large a raster may be."""

    roots: Annotated[tuple[File, ...], Field(min_length=1, max_length=100)] = (".",)
    """Folders that a file may draw on, such as for the pieces of a mosaic; the plan's own always counts."""
    max_cells: Annotated[Whole, Field(gt=0)] = 2_000_000_000
    """Largest raster that is worked on, in cells."""
    vrt: Literal["simple"] = "simple"
    """VRT files may only piece plain rasters together: nothing in them is ever run."""


class LabSpec(Spec):
    """Results of a soil laboratory, for parcels."""

    file: File
    """A CSV file in UTF-8: parcel, property (a layer), value, unit; if wanted depth, method, error, date, note."""
    mode: Literal["update", "replace"] = "update"
    """`update` weighs results against the map, each by how sure it is; `replace` takes them at their word."""
    depth: Text | None = None
    """Rows of this depth count, such as 0-30 cm, and rows that say none."""


class PricesSpec(Spec):
    """What things cost; used to add up what a remedy takes, and to tell what a test is worth."""

    soil_test: Price | None = None
    """A test of the soil in a laboratory."""
    parcel_ha: Price | None = None
    """A hectare of ground as good as can be."""

    lime_t: Price | None = None
    """A tonne of lime, spread and worked in."""
    water_m3: Price | None = None
    """A cubic metre of water on the field."""
    fence_m: Price | None = None
    """A metre of fence against deer and boar."""
    currency: Annotated[Text, Field(max_length=12)] | None = None
    """The currency, such as EUR."""


class ParcelsSpec(Spec):
    """The parcels to judge."""

    file: File
    """A GeoPackage or GeoJSON file."""
    features: Text | None = None
    """The layer inside the file; left out when there is only one."""
    id: Text
    """The field that names a parcel; kept as text."""


class NativeSpec(Spec):
    """Ground that a native range is narrowed to."""

    file: File
    """A GeoPackage or GeoJSON file; ground outside its shapes is refused too. It never widens the range."""
    features: Text | None = None
    """The layer inside the file; left out when there is only one."""


class ZonesSpec(Spec):
    """Zones of connected suitable ground."""

    at_least: Literal["S1", "S2", "S3"] = "S2"
    """The poorest class a zone may hold."""
    min_area: Area = "1 ha"
    """Smaller zones are dropped."""
    connect: Literal[4, 8] = 8
    """Whether cells that touch at a corner only belong together (8) or not (4)."""

    @property
    def min_area_m2(self) -> float:
        """Smallest area of a zone [m2]."""
        return quantity_in(self.min_area, "m2")


class OutputsSpec(Spec):
    """What is written, and where."""

    folder: File = "out"
    """The run's folder, relative to the plan's."""
    dtype: Literal["float32", "uint16"] = "float32"
    """How suitability is stored; uint16 is in steps of 1/60000."""
    quantiles: Annotated[tuple[Level, ...], Field(min_length=1, max_length=20)] | None = None
    """Quantiles of suitability over the draws of `uncertainty`, such as 0.05, 0.5, 0.95; they take as long again."""


class PlanSpec(Spec):
    """A plan for underoak: which ground, which layers, how they are judged."""

    format: Literal[1]
    """Version of this format."""
    title: Annotated[Text, Field(max_length=200)]
    """What the run is called."""
    purpose: Purpose
    """What is to be decided: sets the words of the verdict, and what the plan must hold."""
    species: Annotated[tuple[Name, ...], Field(max_length=MOST_SPECIES)] = ()
    """The truffles, by the names of their profiles, each judged by itself; empty: the plan brings all criteria."""
    hosts: Annotated[tuple[Name, ...], Field(max_length=100)] = ()
    """Host trees that count; empty: every host of the profile."""
    region: RegionSpec
    """The ground, and the grid it is judged on."""
    trust: TrustSpec = Field(default_factory=TrustSpec)
    """What files may draw on, and how large a raster may be."""
    layers: Annotated[dict[Name, LayerSpec], Field(min_length=1, max_length=500)]
    """Rasters and derived indicators, by name."""
    criteria: Annotated[dict[Name, MaybeCriterion | None], Field(max_length=MOST_CRITERIA, default_factory=dict)]
    """Criteria by name; `off`, or nothing, leaves out one of the profile's."""
    constraints: Annotated[tuple[ConstraintSpec, ...], Field(max_length=500)] = ()
    """Ground that is excluded outright."""
    weights: WeightsSpec | None = None
    """How much each criterion counts. Left out: the profile's weights, or equal ones without a profile."""
    combine: CombineSpec = Field(default_factory=CombineSpec)
    """How memberships become one suitability."""
    classes: ClassesSpec = Field(default_factory=ClassesSpec)
    """Where the classes are cut."""
    uncertainty: UncertaintySpec | None = None
    """How doubtful layers are drawn; left out, every layer is taken at its word."""
    verdict: VerdictSpec = Field(default_factory=VerdictSpec)
    """When the answer is yes, no, or test first; needs `uncertainty`."""
    scenarios: Annotated[tuple[ScenarioSpec, ...], Field(max_length=MOST_SCENARIOS)] = ()
    """Futures that are judged beside the present."""
    futures: FuturesSpec = Field(default_factory=FuturesSpec)
    """How those futures are counted together."""
    parcels: ParcelsSpec | None = None
    """The parcels to judge; needed to buy and for an orchard."""
    zones: ZonesSpec | None = None
    """Zones of connected suitable ground; needed to restore."""
    native: NativeSpec | None = None
    """To restore: shapes that narrow the native range which comes with the species."""
    lab: LabSpec | None = None
    """Results of a laboratory that parcels are judged by."""
    prices: PricesSpec = Field(default_factory=PricesSpec)
    """What remedies cost."""
    outputs: OutputsSpec = Field(default_factory=OutputsSpec)
    """What is written, and where."""
