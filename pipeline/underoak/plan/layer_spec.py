"""One layer as a plan writes it: a raster file, or an indicator derived from other layers."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from underoak import units
from underoak.errors import did_you_mean
from underoak.plan.fields import File, Length, Name, Number, Text, Unit, Whole
from underoak.plan.spec import Spec, refusal, retelling


def _known_quantity(name: str) -> str:
    if name not in units.QUANTITIES:
        mend = did_you_mean(name, units.QUANTITIES, "known: " + ", ".join(units.QUANTITIES))
        raise refusal("E304", f'the quantity "{name}" is not known', mend)
    return name


Month = Annotated[Whole, Field(ge=1, le=12)]
QuantityName = Annotated[str, Field(json_schema_extra={"enum": list(units.QUANTITIES)}), AfterValidator(_known_quantity)]


class LayerSpec(Spec):
    """One layer. Give `file`, or `from` and `derive`; `derive` also works on the months of a file."""

    file: File | None = None
    """A raster: GeoTIFF, VRT, NetCDF or Zarr; relative to the plan's folder."""
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
    """How it comes onto the grid. Left out: nearest for classes, bilinear for values. `share` is the share of `share_of`."""
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
    from_: Name | dict[Name, Name] | None = Field(None, alias="from")
    """The layer an indicator is derived from; a mapping of input to layer where it needs several."""
    derive: Name | None = None
    """The indicator, such as slope, northness or warmest_month_mean."""
    method: Literal["water", "KCl", "CaCl2"] | None = None
    """How a soil pH was measured."""
    source: Text | None = None
    """Where the data come from, and their licence; printed."""

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the layers it is derived from."""
        return (self.from_,) if isinstance(self.from_, str) else tuple((self.from_ or {}).values())

    @property
    def resampling(self) -> str:
        """`resample`, or what holds when it is left out."""
        return self.resample or ("nearest" if self.kind == "classes" else "bilinear")

    @property
    def grain_m(self) -> float | None:
        """True resolution [m], when it is given."""
        return None if self.grain is None else units.read_quantity(self.grain, "m")

    @property
    def final_unit(self) -> str | None:
        """The unit the layer is used in, as far as the plan says it."""
        if self.to is not None:
            return units.canonical_name(self.to)
        return None if self.unit is None or self.derive or self.reduce == "sum" else units.canonical_name(self.unit)

    @model_validator(mode="after")
    def _comes_from_one_place(self) -> Any:
        if (self.file is None) == (self.from_ is None):
            what = "has both `file` and `from`" if self.file is not None else "has neither `file` nor `from`"
            raise refusal("E304", what, "give a raster as `file`, or layers of this plan as `from` with `derive`")
        if self.from_ is not None and self.derive is None:
            raise refusal("E304", "has `from` but not `derive`", "name the indicator, such as `derive: slope`")
        stored = [key for key in ("variable", "band", "unit", "scale", "nodata", "crs") if getattr(self, key) is not None]
        if self.file is None and stored:
            raise refusal("E304", f"`{stored[0]}` tells of a file, and this layer has none", "leave it out")
        return self

    @model_validator(mode="after")
    def _resamples_as_it_can(self) -> Any:
        if self.kind == "classes" and self.resample in ("bilinear", "mean"):
            raise refusal("E226", f"class codes cannot be resampled by {self.resample}", "use nearest, mode or share")
        if self.kind == "values" and self.resample in ("mode", "share"):
            raise refusal("E226", f"`resample: {self.resample}` is for class codes", "add `kind: classes`")
        if (self.resample == "share") != (self.share_of is not None):
            raise refusal("E304", "`resample: share` and `share_of` go together", "give both, or neither")
        return self

    @model_validator(mode="after")
    def _is_consistent(self) -> Any:
        if self.valid is not None and not self.valid[0] < self.valid[1]:
            raise refusal("E304", "`valid` must rise from lowest to highest", "swap the two")
        if self.scale == 0.0:
            raise refusal("E304", "`scale` is 0: every value would be the same", "give the true factor")
        if self.months is not None and self.season is not None:
            raise refusal("E304", "has both `months` and `season`", "keep one of them")
        if self.months is not None and len(set(self.months)) < len(self.months):
            raise refusal("E304", "a month is named twice", "name each once")
        if self.unit is not None and self.to is not None and self.derive is None and self.reduce != "sum":
            with retelling():
                units.conversion(self.unit, self.to)
        return self
