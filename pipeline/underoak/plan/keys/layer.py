"""One layer as a plan writes it: a raster file, or an indicator derived from other layers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import PurePath
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Discriminator, Field, Tag, model_validator

from underoak.base import units
from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.keys.quantities import (
    File,
    Length,
    Name,
    Number,
    Text,
    Unit,
    Whole,
    check_becomes,
    quantity_in,
    text_or_other,
)
from underoak.plan.keys.scenarios import Replacement
from underoak.plan.keys.uncertainty import Deviation, Level
from underoak.plan.reading.spec import PendingFault, Spec, refusal, refuse_all

if TYPE_CHECKING:
    from underoak.indicators import Indicator

SHAPES = (".gpkg", ".geojson", ".json", ".shp")  # endings of files of shapes
PH_METHODS = ("water", "KCl", "CaCl2")

Placed = tuple[tuple[int | str, ...], PendingFault]  # a fault, and the key of the layer it is at


def _known_quantity(name: str) -> str:
    if name not in units.QUANTITIES:
        fix = did_you_mean(name, units.QUANTITIES, "known: " + ", ".join(units.QUANTITIES))
        raise refusal("E343", f'the quantity "{name}" is not known', fix)
    return name


Month = Annotated[Whole, Field(ge=1, le=12)]
QuantityName = Annotated[
    str, Field(json_schema_extra={"enum": list(units.QUANTITIES)}), AfterValidator(_known_quantity)
]


Origin = Annotated[
    Annotated[Name, Tag("(text)")] | Annotated[dict[Name, Name], Field(min_length=1), Tag("(other)")],
    Discriminator(text_or_other),
]


def _with_settings(schema: dict[str, Any]) -> None:
    """In the JSON Schema: the settings of all indicators, and nothing else that is not known."""
    from underoak.indicators import REGISTRY

    schema["oneOf"] = [{"required": ["file"]}, {"required": ["from", "derive"]}]
    schema["additionalProperties"] = False
    uses: dict[str, list[str]] = {}
    for indicator in REGISTRY.values():
        for name, parameter in indicator.parameters.items():
            uses.setdefault(name, []).append(f"{parameter.text} ({indicator.id})")
            schema["properties"].setdefault(name, {})
    for name, words in uses.items():
        if not schema["properties"][name]:
            schema["properties"][name] = {"description": "A setting of indicators: " + "; ".join(words) + "."}
    schema["properties"]["derive"]["examples"] = list(REGISTRY)


_OF_RASTERS = (
    *("variable", "band", "unit", "scale", "nodata", "resample", "share_of", "quantity", "months", "season", "reduce"),
)


def _unknown(key: str, settings: tuple[str, ...]) -> Placed:
    known = [*settings, *(field.alias or name for name, field in LayerSpec.model_fields.items())]
    meant = tuple(get_close_matches(key, known, n=2, cutoff=0.6))
    fix = did_you_mean(key, meant, "known here: " + ", ".join(known))
    return (key,), PendingFault("E303", f'the key "{key}" is not known', fix, meant=meant)


class LayerSpec(Spec):
    """One layer. Give `file`, or `from` and `derive`; `derive` also works on a file by itself.

    The settings of an indicator stand beside `derive`, such as `radius: 300 m`.
    """

    model_config = ConfigDict(extra="allow", json_schema_extra=_with_settings)

    file: File | None = None
    """A raster: GeoTIFF, VRT, NetCDF or Zarr; with `derive: distance` also shapes. Relative to the plan's folder."""
    features: Text | None = None
    """Which layer of a file of shapes."""
    variable: Text | None = None
    """Which variable of a NetCDF or Zarr file."""
    band: Annotated[Whole, Field(ge=1, le=65535)] | None = None
    """Which band of a GeoTIFF or VRT; left out, the first, or all twelve of a monthly file."""
    unit: Unit | None = None
    """The unit of the stored values, such as pH*10, g/kg, K or kg m-2 s-1."""
    to: Unit | None = None
    """The unit the layer is used in. Left out, it is the one the species profile judges in, else the stored one."""
    scale: Number | None = None
    """Multiply the stored values by this first."""
    nodata: Number | None = None
    """The stored value that means missing, when the file does not say so."""
    crs: Text | None = None
    """Coordinate reference system, when the file does not say so."""
    kind: Literal["values", "classes"] = "values"
    """Measured values, or class codes."""
    resample: Literal["nearest", "bilinear", "mean", "mode", "share"] | None = None
    """How it comes onto the grid; left out, nearest for classes, bilinear for values. `share` goes with `share_of`."""
    share_of: Annotated[tuple[Whole, ...], Field(min_length=1, max_length=1000)] | None = None
    """Class codes whose share of the cell is wanted, with `resample: share`."""
    valid: Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)] | None = None
    """Lowest and highest value that can be true, in the unit the layer is used in."""
    quantity: QuantityName | None = None
    """What it measures, when the unit does not say it; sets which values are plausible."""
    grain: Length | None = None
    """True resolution of the source, such as 250 m, when it is coarser than the cells."""
    months: Annotated[tuple[Month, ...], Field(min_length=1, max_length=12)] | None = None
    """Calendar months of a monthly file that count."""
    season: Literal["winter", "spring", "summer", "autumn", "year"] | None = None
    """A season of a monthly file instead of `months`; half a year later south of the equator."""
    reduce: Literal["sum", "mean", "min", "max"] | None = None
    """How the months become one value."""
    from_: Origin | None = Field(None, alias="from")
    """The layer an indicator is derived from; one that comes from a file. Several are named by what they are to it."""
    derive: Name | None = None
    """The indicator, such as slope, northness or warmest_month_mean."""
    method: Text | None = None
    """How a soil pH was measured (water, KCl, CaCl2), or how an indicator is worked out."""
    source: Text | None = None
    """Where the data come from, and their licence; printed."""
    quantiles: Annotated[dict[Level, Replacement], Field(min_length=1, max_length=20)] | None = None
    """Files of other quantiles of the same map, by level, such as 0.05 and 0.95: how far off it may be."""
    quantile: Level | None = None
    """The level of the layer's own file beside its `quantiles`; left out, 0.5."""
    sd: Deviation | None = None
    """How far off it may be, as a standard deviation: a number in its unit, an amount (80 g/kg), a share (15 %)."""

    @property
    def has_uncertainty(self) -> bool:
        """True when the plan says how far off it may be."""
        return self.quantiles is not None or self.sd is not None

    @property
    def own_level(self) -> float:
        """The level of its own file among its quantiles."""
        return 0.5 if self.quantile is None else self.quantile

    @property
    def holds_codes(self) -> bool:
        """True when cells of the grid hold class codes, rather than values or shares."""
        return self._is_of_codes and self.resample != "share"

    @property
    def resampling(self) -> str:
        """`resample`, or what holds when it is left out."""
        return self.resample or ("nearest" if self.is_shapes or self._is_of_codes else "bilinear")

    @property
    def is_shapes(self) -> bool:
        """True when the file holds shapes and no cells."""
        return self.file is not None and PurePath(self.file).suffix.lower() in SHAPES

    @property
    def origins(self) -> dict[str, str]:
        """The layers it is derived from, by what they are to the indicator, in its order; "" names a single one."""
        if not isinstance(self.from_, Mapping):
            return {} if self.from_ is None else {"": self.from_}
        indicator = self._indicator
        order = [name for name in indicator.inputs if name in self.from_] if indicator else []
        return {name: self.from_[name] for name in dict.fromkeys([*order, *self.from_])}

    @property
    def settings(self) -> dict[str, Any]:
        """The settings of the indicator, as written."""
        written = dict(self.model_extra or {})
        if self.derive is not None and self.method is not None:
            written["method"] = self.method
        return written

    @property
    def _is_of_codes(self) -> bool:
        """True when what comes onto the grid is class codes: those of the file, or those an indicator makes."""
        return self.kind == "classes" if self.derive is None else bool(self._indicator and self._indicator.gives_codes)

    @property
    def _indicator(self) -> Indicator | None:
        """The indicator, if it is known."""
        if self.derive is None:
            return None
        from underoak.indicators import REGISTRY

        return REGISTRY.get(self.derive)

    @property
    def grain_m(self) -> float | None:
        """True resolution [m], when it is given."""
        return None if self.grain is None else quantity_in(self.grain, "m")

    @model_validator(mode="after")
    def _is_consistent(self) -> Any:
        faults = [*self._origin_faults(), *self._resampling_faults(), *self._value_faults(), *self._setting_faults()]
        refuse_all([*faults, *self._shapes_faults()], self)
        return self

    def _origin_faults(self) -> Iterator[Placed]:
        if (self.file is None) == (self.from_ is None):
            what = "has both `file` and `from`" if self.file is not None else "has neither `file` nor `from`"
            fix = "give a raster as `file`, or layers of this plan as `from` with `derive`"
            yield (), PendingFault("E304", what, fix)
        elif self.from_ is not None:
            if self.derive is None:
                yield (
                    (),
                    PendingFault("E304", "has `from` but not `derive`", "name the indicator, such as `derive: slope`"),
                )
            for key in ("variable", "band", "unit", "scale", "nodata", "crs"):
                if getattr(self, key) is not None:
                    yield (
                        (key,),
                        PendingFault("E304", f"`{key}` tells of a file, and this layer has none", "leave it out"),
                    )
        if self.months is not None and self.season is not None:
            yield ("season",), PendingFault("E304", "has both `months` and `season`", "keep one of them")
        if self.months is not None and len(set(self.months)) < len(self.months):
            yield ("months",), PendingFault("E304", "a month is named twice", "name each once")

    def _setting_faults(self) -> Iterator[Placed]:
        extra = list(self.model_extra or {})
        if self.derive is None:
            if self.method not in (None, *PH_METHODS):
                fix = did_you_mean(str(self.method), PH_METHODS, "write one of: " + ", ".join(PH_METHODS))
                yield ("method",), PendingFault("E304", f'cannot be "{self.method}"', fix)
            yield from (_unknown(key, ()) for key in extra)
            return
        indicator = self._indicator
        if indicator is None:
            return  # which is told, and what it would take is not known
        strange = [key for key in extra if key not in indicator.parameters]
        yield from (_unknown(key, tuple(indicator.parameters)) for key in strange)
        try:
            indicator.settings({k: v for k, v in self.settings.items() if k not in strange}, self.is_shapes)
        except UnderoakError as error:
            for fault in error.faults:
                yield (fault.where,), PendingFault(fault.code, fault.what, fault.fix, fault.where not in self.settings)

    def _shapes_faults(self) -> Iterator[Placed]:
        if not self.is_shapes:
            if self.features is not None:
                yield (
                    ("features",),
                    PendingFault("E304", "`features` is for files of shapes, and this is none", "leave it out"),
                )
            return
        indicator = self._indicator
        if self.derive is None or (indicator is not None and not indicator.takes_shapes):
            fix = "write `derive: distance`, or name a raster"
            yield (
                ("file",),
                PendingFault("E304", "shapes are not values; a layer can only be the distance to them", fix),
            )
        for key in _OF_RASTERS:
            if getattr(self, key) is not None:
                yield (
                    (key,),
                    PendingFault("E304", f"`{key}` is for rasters, and this is a file of shapes", "leave it out"),
                )

    def _resampling_faults(self) -> Iterator[Placed]:
        if self._is_of_codes and self.resample in ("bilinear", "mean"):
            what = f"class codes cannot be resampled by {self.resample}"
            yield ("resample",), PendingFault("E226", what, "use nearest, mode or share")
        if self.kind == "values" and not self._is_of_codes and self.resample in ("mode", "share"):
            yield ("resample",), PendingFault("E226", f"{self.resample} is for class codes", "add `kind: classes`")
        if (self.resample == "share") != (self.share_of is not None):
            yield (), PendingFault("E304", "`resample: share` and `share_of` go together", "give both, or neither")

    def _uncertainty_faults(self) -> Iterator[Placed]:
        if self.quantile is not None and self.quantiles is None:
            yield ("quantile",), PendingFault("E304", "is the level of one among several quantiles", "add `quantiles`")
        if not self.has_uncertainty:
            return
        key = "quantiles" if self.quantiles is not None else "sd"
        if self.quantiles is not None and self.sd is not None:
            yield ("sd",), PendingFault("E362", "has both `quantiles` and `sd`", "keep the one you trust more")
        if self.kind == "classes":
            fix = "leave it out; of a share of classes, give the layer's criterion a milder curve"
            yield (key,), PendingFault("E362", "class codes have no quantiles and no standard deviation", fix)
        if self.quantiles is not None and (self.derive is not None or self.reduce is not None):
            what = "quantiles of what a value is derived from are not quantiles of the value"
            yield ("quantiles",), PendingFault("E362", what, "give `sd` instead: it is that of the derived value")
        if self.quantiles is not None and self.own_level in self.quantiles:
            what = f"has two files for the level {self.own_level:g}: its own, and one of `quantiles`"
            yield (
                ("quantiles",),
                PendingFault("E362", what, "leave one out, or say the level of its own file as `quantile`"),
            )

    def _value_faults(self) -> Iterator[Placed]:
        yield from self._uncertainty_faults()
        if self.valid is not None and not self.valid[0] < self.valid[1]:
            yield ("valid",), PendingFault("E304", "must rise from the lowest value to the highest", "swap the two")
        if self.scale == 0.0:
            yield (
                ("scale",),
                PendingFault("E304", "is 0, so that every value would be the same", "give the true factor"),
            )
        if self.unit is not None and self.to is not None and self.derive is None:
            try:
                check_becomes(self.unit, self.to)
            except UnderoakError as error:
                yield ("to",), PendingFault(error.faults[0].code, error.faults[0].what, error.faults[0].fix)
