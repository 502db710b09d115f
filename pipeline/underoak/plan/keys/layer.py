"""The key `layers`: a raster file, or an indicator derived from other layers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import PurePath
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import AfterValidator, ConfigDict, Discriminator, Field, Tag, model_validator

from underoak.base import units
from underoak.base.errors import UnderoakError, did_you_mean
from underoak.plan.keys.gather import GatherSpec
from underoak.plan.keys.quantities import (
    File,
    Length,
    Name,
    Number,
    Text,
    Unit,
    Whole,
    check_conversion,
    is_rate_of_water,
    quantity_in,
    text_or_other,
)
from underoak.plan.keys.scenarios import Replacement
from underoak.plan.keys.uncertainty import Level, SdByCell
from underoak.plan.reading.faults import PendingFault, refusal
from underoak.plan.reading.spec import PlacedFault, Spec, refuse_all

if TYPE_CHECKING:
    from underoak.indicators import Indicator

SHAPES = (".gpkg", ".geojson", ".json", ".shp")  # extensions of vector files
PH_METHODS = ("water", "KCl", "CaCl2")
_BIAS_SHARE = 0.2  # of the variance of an error, for a layer that states none; common practice, no source


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


def _add_settings(schema: dict[str, Any]) -> None:
    """Add the settings of all indicators to the JSON Schema, and refuse other keys."""
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
            schema["properties"][name] = {"description": "Setting of indicators: " + "; ".join(words) + "."}
    schema["properties"]["derive"]["examples"] = list(REGISTRY)


_RASTER_KEYS = (
    *("variable", "band", "unit", "scale", "nodata", "resample", "share_of", "quantity", "months", "season", "reduce"),
)


def _fault(code: str, what: str, fix: str, *key: str) -> PlacedFault:
    """Return a fault at a key of the layer, or at the layer itself."""
    return key, PendingFault(code, what, fix)


def _unknown_key(key: str, settings: tuple[str, ...]) -> PlacedFault:
    known = [*settings, *(field.alias or name for name, field in LayerSpec.model_fields.items())]
    meant = tuple(get_close_matches(key, known, n=2, cutoff=0.6))
    fix = did_you_mean(key, meant, "known here: " + ", ".join(known))
    return (key,), PendingFault("E303", f'the key "{key}" is not known', fix, meant=meant)


class LayerSpec(Spec):
    """A layer: `file`, or `from` and `derive`; `derive` may also be applied to `file`.

    The settings of an indicator are given beside `derive`, such as `radius: 300 m`.
    """

    model_config = ConfigDict(extra="allow", json_schema_extra=_add_settings)

    file: File | None = None
    """A raster: GeoTIFF, VRT, NetCDF or Zarr; or shapes with `derive: distance`. Relative to the plan's folder."""
    gather: GatherSpec | None = None
    """Open data set and band that `underoak gather` makes the `file` from, such as
    {set: copernicus_glo30, band: height}; the file ends in .tif."""
    features: Text | None = None
    """Layer inside a vector file. Default: the only one."""
    variable: Text | None = None
    """Variable of a NetCDF or Zarr file."""
    band: Annotated[Whole, Field(ge=1, le=65535)] | None = None
    """Band of a GeoTIFF or VRT. Default: the first, or all twelve of a monthly file."""
    unit: Unit | None = None
    """Unit of the stored values, such as pH*10, g/kg, K or kg m-2 s-1."""
    to: Unit | None = None
    """Unit the layer is used in. Default: that of the profile's criterion, or else the stored one."""
    scale: Number | None = None
    """Factor for the stored values, applied before the unit."""
    nodata: Number | None = None
    """Stored value that means missing, if the file declares none."""
    crs: Text | None = None
    """Coordinate reference system, if the file declares none."""
    kind: Literal["values", "classes"] = "values"
    """Measured values or class codes. Default: values."""
    resample: Literal["nearest", "bilinear", "mean", "mode", "share"] | None = None
    """Resampling method. Default: nearest for classes, bilinear for values. `share` needs `share_of`.

    `mean`, `mode` and `share` weigh source cells by the area that the cell of the run's grid covers.
    """
    share_of: Annotated[tuple[Whole, ...], Field(min_length=1, max_length=1000)] | None = None
    """With `resample: share`: class codes whose share of the cell is computed."""
    valid: Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)] | None = None
    """Lowest and highest possible value, in the unit the layer is used in."""
    quantity: QuantityName | None = None
    """Measured quantity, if the unit does not determine it; sets which values are plausible."""
    grain: Length | None = None
    """True resolution of the source, such as 250 m, if it is coarser than the cells. One draw holds for one grain."""
    months: Annotated[tuple[Month, ...], Field(min_length=1, max_length=12)] | None = None
    """Calendar months of a monthly file to use."""
    season: Literal["winter", "spring", "summer", "autumn", "year"] | None = None
    """A season instead of `months`; six months later south of the equator."""
    reduce: Literal["sum", "mean", "min", "max"] | None = None
    """How the months are reduced to one value."""
    from_: Origin | None = Field(None, alias="from")
    """Layer with a file that the indicator is derived from; several as a mapping from input to layer."""
    derive: Name | None = None
    """Indicator, such as slope, northness or warmest_month_mean."""
    is_soil: bool | None = None
    """True if it describes the soil, which a laboratory can test. Default: as profile or indicator declare it."""
    method: Text | None = None
    """Method of a soil pH (water, KCl, CaCl2), or of an indicator."""
    source: Text | None = None
    """Citation of the data, and their licence; printed in the report."""
    quantiles: Annotated[dict[Level, Replacement], Field(min_length=1, max_length=20)] | None = None
    """Uncertainty as files of other quantiles of the same map, by level, such as 0.05 and 0.95."""
    quantile: Level | None = None
    """Level of the layer's `file` among its `quantiles`. Default: 0.5."""
    sd: SdByCell | None = None
    """Uncertainty as a standard deviation: a number in its unit, an amount (80 g/kg) or a share (15 %); or one for each
    cell size of the file, of which the nearest counts: {10 m: 2 degree, 30 m: 3 degree}."""
    kind_of: Name | None = None
    """Kind of map, such as soil_ph or slope: its published error is assumed if the layer states none. Default: that of
    the profile's criterion, or of the indicator."""
    bias_share: Annotated[Number, Field(ge=0, le=1)] | None = None
    """Share of the error's variance that the whole map has in common: it is too high or too low all over. Default: 0.2
    (common practice, no source)."""

    @property
    def has_uncertainty(self) -> bool:
        """True if the plan states an uncertainty."""
        return self.quantiles is not None or self.sd is not None

    @property
    def file_level(self) -> float:
        """Level of `file` among the quantiles."""
        return 0.5 if self.quantile is None else self.quantile

    @property
    def bias(self) -> float:
        """Share of the error's variance that the whole map has in common, with its default."""
        return _BIAS_SHARE if self.bias_share is None else self.bias_share

    @property
    def holds_codes(self) -> bool:
        """True if cells of the analysis grid contain class codes, rather than values or shares."""
        return self._has_class_codes and self.resample != "share"

    @property
    def resampling(self) -> str:
        """Resampling method, with its default."""
        return self.resample or ("nearest" if self.is_shapes or self._has_class_codes else "bilinear")

    @property
    def is_shapes(self) -> bool:
        """True if `file` is a vector file."""
        return self.file is not None and PurePath(self.file).suffix.lower() in SHAPES

    @property
    def unit_in_use(self) -> str | None:
        """The unit the layer is used in, by its standard name; None if the file or its calendar decides.

        >>> LayerSpec.model_validate({"from": "elevation", "derive": "slope"}).unit_in_use
        'degree'
        """
        if self.to is not None:
            return units.canonical_name(self.to)
        if self.derive is not None:
            declared = self._indicator.unit if self._indicator else ""
            return units.canonical_name(declared) if declared else None
        if self.unit is None or is_rate_of_water(self.unit):
            return None
        return units.QUANTITIES[units.quantity_of(self.unit, self.quantity)].unit or units.canonical_name(self.unit)

    @property
    def origins(self) -> dict[str, str]:
        """The layers it is derived from, by input of the indicator and in its order; "" for a single one."""
        if not isinstance(self.from_, Mapping):
            return {} if self.from_ is None else {"": self.from_}
        indicator = self._indicator
        order = [name for name in indicator.inputs if name in self.from_] if indicator else []
        return {name: self.from_[name] for name in dict.fromkeys([*order, *self.from_])}

    @property
    def settings(self) -> dict[str, Any]:
        """The settings of the indicator, as written."""
        settings = dict(self.model_extra or {})
        if self.derive is not None and self.method is not None:
            settings["method"] = self.method
        return settings

    @property
    def _has_class_codes(self) -> bool:
        """True if the values before resampling are class codes: those of the file, or those of the indicator."""
        return self.kind == "classes" if self.derive is None else bool(self._indicator and self._indicator.gives_codes)

    @property
    def _indicator(self) -> Indicator | None:
        """The indicator; None without `derive`, or if it is not known."""
        if self.derive is None:
            return None
        from underoak.indicators import REGISTRY

        return REGISTRY.get(self.derive)

    @property
    def grain_m(self) -> float | None:
        """True resolution [m], if given."""
        return None if self.grain is None else quantity_in(self.grain, "m")

    @model_validator(mode="after")
    def _check_consistency(self) -> Self:
        faults = [*self._origin_faults(), *self._resampling_faults(), *self._value_faults(), *self._setting_faults()]
        refuse_all([*faults, *self._shapes_faults()], self)
        return self

    def _origin_faults(self) -> Iterator[PlacedFault]:
        if (self.file is None) == (self.from_ is None):
            what = "has both `file` and `from`" if self.file is not None else "has neither `file` nor `from`"
            fix = "give a raster as `file`, or layers of this plan as `from` with `derive`"
            yield _fault("E304", what, fix)
        elif self.from_ is not None:
            if self.derive is None:
                yield _fault("E304", "has `from` but not `derive`", "name the indicator, such as `derive: slope`")
            for key in ("variable", "band", "unit", "scale", "nodata", "crs"):
                if getattr(self, key) is not None:
                    yield _fault("E304", f"`{key}` describes a file, and this layer has none", "remove it", key)
        if self.gather is not None and not str(self.file).endswith(".tif"):
            yield _fault("E304", "`gather` needs a `file` that ends in .tif", "name the file to make", "gather")
        if self.months is not None and self.season is not None:
            yield _fault("E304", "has both `months` and `season`", "keep one of them", "season")
        if self.months is not None and len(set(self.months)) < len(self.months):
            yield _fault("E304", "a month is named twice", "name each once", "months")

    def _setting_faults(self) -> Iterator[PlacedFault]:
        extra = list(self.model_extra or {})
        if self.derive is None:
            if self.method not in (None, *PH_METHODS):
                fix = did_you_mean(str(self.method), PH_METHODS, "write one of: " + ", ".join(PH_METHODS))
                yield _fault("E304", f'cannot be "{self.method}"', fix, "method")
            yield from (_unknown_key(key, ()) for key in extra)
            return
        indicator = self._indicator
        if indicator is None:
            return  # reported elsewhere; its settings are not known
        unknown = [key for key in extra if key not in indicator.parameters]
        yield from (_unknown_key(key, tuple(indicator.parameters)) for key in unknown)
        try:
            indicator.settings({k: v for k, v in self.settings.items() if k not in unknown}, self.is_shapes)
        except UnderoakError as error:
            for fault in error.faults:
                yield (fault.where,), PendingFault(fault.code, fault.what, fault.fix, fault.where not in self.settings)

    def _shapes_faults(self) -> Iterator[PlacedFault]:
        if not self.is_shapes:
            if self.features is not None:
                yield _fault("E304", "`features` is for vector files, and this is a raster", "remove it", "features")
            return
        indicator = self._indicator
        if self.derive is None or (indicator is not None and not indicator.takes_shapes):
            fix = "write `derive: distance`, or name a raster"
            yield _fault("E304", "a vector file has no values, only distances to its shapes", fix, "file")
        for key in _RASTER_KEYS:
            if getattr(self, key) is not None:
                yield _fault("E304", f"`{key}` is for rasters, and this is a vector file", "remove it", key)

    def _resampling_faults(self) -> Iterator[PlacedFault]:
        if self._has_class_codes and self.resample in ("bilinear", "mean"):
            what = f"class codes cannot be resampled by {self.resample}"
            yield _fault("E226", what, "use nearest, mode or share", "resample")
        if self.kind == "values" and not self._has_class_codes and self.resample in ("mode", "share"):
            yield _fault("E226", f"{self.resample} is for class codes", "add `kind: classes`", "resample")
        if (self.resample == "share") != (self.share_of is not None):
            yield _fault("E304", "`resample: share` and `share_of` need each other", "give both or neither")

    def _uncertainty_faults(self) -> Iterator[PlacedFault]:
        if self.quantile is not None and self.quantiles is None:
            yield _fault("E304", "`quantile` needs `quantiles`", "add `quantiles`", "quantile")
        if not self.has_uncertainty:
            return
        key = "quantiles" if self.quantiles is not None else "sd"
        if self.quantiles is not None and self.sd is not None:
            yield _fault("E362", "has both `quantiles` and `sd`", "keep the one that you trust more", "sd")
        if self.kind == "classes":
            fix = "remove it; for a share of classes, give the criterion a flatter curve"
            yield _fault("E362", "class codes have no quantiles and no standard deviation", fix, key)
        if self.quantiles is not None and (self.derive is not None or self.reduce is not None):
            what = "quantiles of the input are not quantiles of the value derived from it"
            yield _fault("E362", what, "give `sd` instead, as that of the derived value", "quantiles")
        if self.quantiles is not None and self.file_level in self.quantiles:
            what = f"has two files for the level {self.file_level:g}: `file`, and one of `quantiles`"
            yield _fault("E362", what, "remove one, or give the level of `file` as `quantile`", "quantiles")

    def _value_faults(self) -> Iterator[PlacedFault]:
        yield from self._uncertainty_faults()
        if self.valid is not None and not self.valid[0] < self.valid[1]:
            yield _fault("E304", "must rise from the lowest value to the highest", "swap the two", "valid")
        if self.scale == 0.0:
            yield _fault("E304", "is 0, so all values would be equal", "give the true factor", "scale")
        if self.unit is not None and self.to is not None and self.derive is None:
            try:
                check_conversion(self.unit, self.to)
            except UnderoakError as error:
                fault = error.faults[0]
                yield _fault(fault.code, fault.what, fault.fix, "to")
