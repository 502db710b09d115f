"""The key `years`: series of single years, such as those of a weather station."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from underoak.base import units
from underoak.base.errors import UnderoakError
from underoak.plan.keys.quantities import File, Text, Unit, Whole, is_rate_of_water
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

GRIDDED = (".nc", ".nc4", ".cdf", ".zarr")


class SeriesSpec(Spec):
    """One quantity, month by month over several years, or day by day for minima."""

    file: File
    """A CSV file with the columns year, month and the value; if wanted day (for minima) and parcel. Or a NetCDF file or
    Zarr folder with months along its time axis."""
    name: Text | None = None
    """The column of the CSV file, or the variable of the NetCDF or Zarr file. Default: that of the quantity (`rain`,
    `evapotranspiration`, `temperature` or `minimum`), or the only variable."""
    unit: Unit
    """Unit of the stored values. A rate of water becomes the depth of each month."""

    @field_validator("file")
    @classmethod
    def _check_ending(cls, file: str) -> str:
        if file.lower().endswith((".tif", ".tiff", ".vrt")):
            what, fix = "a GeoTIFF names no years", "give a CSV, NetCDF or Zarr file with months of several years"
            raise refusal("E304", what, fix)
        return file

    @property
    def is_gridded(self) -> bool:
        """True for a NetCDF file or a Zarr folder."""
        return self.file.lower().endswith(GRIDDED)


SERIES_UNITS = {"rain": "mm", "evapotranspiration": "mm", "temperature": "degC", "minimum": "degC"}


class YearsSpec(Spec):
    """Series of single years. They say what happened in the years of the file, and no probability of the future."""

    rain: SeriesSpec | None = None
    """Rain of each month."""
    evapotranspiration: SeriesSpec | None = None
    """Reference evapotranspiration of each month."""
    temperature: SeriesSpec | None = None
    """Mean temperature of each month, for evapotranspiration after Thornthwaite where the plan gives no other."""
    minimum: SeriesSpec | None = None
    """Lowest temperature of each day; a CSV file with a column `day`. Without it, or from a grid, the lowest of each
    month: nights in a row are then not known."""
    first: Annotated[Whole, Field(ge=1000, le=3000)] | None = None
    """First year to use. Default: the first of the file."""
    last: Annotated[Whole, Field(ge=1000, le=3000)] | None = None
    """Last year to use. Default: the last of the file."""
    sample: Literal["mean", "nearest"] = "mean"
    """`mean`: of the grid's cells whose middle lies in the parcel; of the nearest where none does. `nearest`: the cell
    nearest to the middle of the parcel. Default: mean."""
    source: Text
    """Citation of the series: station or data set, and how far it is from the parcels."""

    @property
    def series(self) -> dict[str, SeriesSpec]:
        """The series that are given, by quantity."""
        named = {name: getattr(self, name) for name in SERIES_UNITS}
        return {name: spec for name, spec in named.items() if spec is not None}

    @model_validator(mode="after")
    def _check_series(self) -> Self:
        if not self.series:
            raise refusal("E304", "`years` names no series", "add `rain`, or `minimum` for frost")
        if self.evapotranspiration is not None and self.temperature is not None:
            what = "`evapotranspiration` and `temperature` are two ways to the same figure"
            raise refusal("E304", what, "keep `evapotranspiration` where you have it")
        if self.first is not None and self.last is not None and self.last < self.first:
            raise refusal("E304", "`last` is before `first`", "swap them")
        for name, spec in self.series.items():
            unit = "mm" if SERIES_UNITS[name] == "mm" and is_rate_of_water(spec.unit) else spec.unit
            try:
                units.conversion(unit, SERIES_UNITS[name])
            except UnderoakError:
                what = f"the unit of `{name}` is {spec.unit}, which does not convert to {SERIES_UNITS[name]}"
                raise refusal("E341", what, f"write for example `unit: {SERIES_UNITS[name]}`") from None
        return self
