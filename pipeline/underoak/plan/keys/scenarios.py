"""The keys `scenarios` and `futures`: the same region with other files for some layers."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from underoak.plan.keys.gather import GatherSpec
from underoak.plan.keys.quantities import File, Name, Number, Text, Unit, Whole
from underoak.plan.reading.spec import Spec


def _with_file_key(value: object) -> object:
    return {"file": value} if isinstance(value, str) else value


class ReplacementSpec(Spec):
    """A file that replaces that of a layer. A key that is left out keeps the layer's value."""

    file: File
    """A raster of the same quantity."""
    gather: GatherSpec | None = None
    """Open data set and band that `underoak gather` makes the `file` from."""
    variable: Text | None = None
    """Variable of a NetCDF or Zarr file."""
    band: Annotated[Whole, Field(ge=1, le=65535)] | None = None
    """Band of a GeoTIFF or VRT."""
    unit: Unit | None = None
    """Unit of the stored values."""
    scale: Number | None = None
    """Factor for the stored values, applied before the unit."""
    nodata: Number | None = None
    """Stored value that means missing, if the file declares none."""
    crs: Text | None = None
    """Coordinate reference system, if the file declares none."""
    source: Text | None = None
    """Citation of the data, and their licence; printed in the report."""


Replacement = Annotated[ReplacementSpec, BeforeValidator(_with_file_key, json_schema_input_type=File | ReplacementSpec)]


class ScenarioSpec(Spec):
    """A scenario. It has no probability."""

    name: Name
    """Name of its results folder."""
    family: Text | None = None
    """Model it comes from. Scenarios of one family are not independent."""
    period: Text | None = None
    """Years it stands for, such as 2041-2070."""
    replace: Annotated[dict[Name, Replacement], Field(min_length=1, max_length=500)]
    """The file that replaces each layer, by the layer's name: a path, or a mapping with `file`."""


class ScenarioSummarySpec(Spec):
    """How scenarios are summarised."""

    weigh: Literal["equal", "family"] = "equal"
    """`equal`: every scenario counts the same. `family`: every model family does. Default: equal."""
    at_least: Literal["S1", "S2", "S3"] = "S2"
    """Class that land must reach in a scenario to count as good there. Default: S2."""
