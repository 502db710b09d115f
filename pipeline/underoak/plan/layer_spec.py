"""One layer as a plan writes it: a raster file, or an indicator derived from other layers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field, model_validator

from underoak import units
from underoak.errors import UnderoakError, did_you_mean
from underoak.plan.fields import File, Length, Name, Number, Text, Unit, Whole, check_becomes, quantity_in
from underoak.plan.spec import Spec, Told, refusal, refuse_all

Placed = tuple[tuple[int | str, ...], Told]  # a fault, and the key of the layer it is at


def _known_quantity(name: str) -> str:
    if name not in units.QUANTITIES:
        mend = did_you_mean(name, units.QUANTITIES, "known: " + ", ".join(units.QUANTITIES))
        raise refusal("E343", f'the quantity "{name}" is not known', mend)
    return name


Month = Annotated[Whole, Field(ge=1, le=12)]
QuantityName = Annotated[
    str, Field(json_schema_extra={"enum": list(units.QUANTITIES)}), AfterValidator(_known_quantity)
]


class LayerSpec(Spec):
    """One layer. Give `file`, or `from` and `derive`; `derive` also works on the months of a file."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["file"]}, {"required": ["from", "derive"]}]})

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
    from_: Name | None = Field(None, alias="from")
    """The layer an indicator is derived from; one that comes from a file."""
    derive: Name | None = None
    """The indicator, such as slope, northness or warmest_month_mean."""
    method: Literal["water", "KCl", "CaCl2"] | None = None
    """How a soil pH was measured."""
    source: Text | None = None
    """Where the data come from, and their licence; printed."""

    @property
    def holds_codes(self) -> bool:
        """True when cells of the grid hold class codes, rather than values or shares."""
        return self.kind == "classes" and self.resample != "share"

    @property
    def resampling(self) -> str:
        """`resample`, or what holds when it is left out."""
        return self.resample or ("nearest" if self.kind == "classes" else "bilinear")

    @property
    def grain_m(self) -> float | None:
        """True resolution [m], when it is given."""
        return None if self.grain is None else quantity_in(self.grain, "m")

    @model_validator(mode="after")
    def _is_consistent(self) -> Any:
        refuse_all([*self._origin_faults(), *self._resampling_faults(), *self._value_faults()], self)
        return self

    def _origin_faults(self) -> Iterator[Placed]:
        if (self.file is None) == (self.from_ is None):
            what = "has both `file` and `from`" if self.file is not None else "has neither `file` nor `from`"
            mend = "give a raster as `file`, or layers of this plan as `from` with `derive`"
            yield (), Told("E304", what, mend)
        elif self.from_ is not None:
            if self.derive is None:
                yield (), Told("E304", "has `from` but not `derive`", "name the indicator, such as `derive: slope`")
            for key in ("variable", "band", "unit", "scale", "nodata", "crs"):
                if getattr(self, key) is not None:
                    yield (key,), Told("E304", f"`{key}` tells of a file, and this layer has none", "leave it out")
        if self.months is not None and self.season is not None:
            yield ("season",), Told("E304", "has both `months` and `season`", "keep one of them")
        if self.months is not None and len(set(self.months)) < len(self.months):
            yield ("months",), Told("E304", "a month is named twice", "name each once")

    def _resampling_faults(self) -> Iterator[Placed]:
        if self.kind == "classes" and self.resample in ("bilinear", "mean"):
            what = f"class codes cannot be resampled by {self.resample}"
            yield ("resample",), Told("E226", what, "use nearest, mode or share")
        if self.kind == "values" and self.resample in ("mode", "share"):
            yield ("resample",), Told("E226", f"{self.resample} is for class codes", "add `kind: classes`")
        if (self.resample == "share") != (self.share_of is not None):
            yield (), Told("E304", "`resample: share` and `share_of` go together", "give both, or neither")

    def _value_faults(self) -> Iterator[Placed]:
        if self.valid is not None and not self.valid[0] < self.valid[1]:
            yield ("valid",), Told("E304", "must rise from the lowest value to the highest", "swap the two")
        if self.scale == 0.0:
            yield ("scale",), Told("E304", "is 0, so that every value would be the same", "give the true factor")
        if self.unit is not None and self.to is not None and self.derive is None:
            try:
                check_becomes(self.unit, self.to)
            except UnderoakError as error:
                yield ("to",), Told(error.faults[0].code, error.faults[0].what, error.faults[0].mend)
