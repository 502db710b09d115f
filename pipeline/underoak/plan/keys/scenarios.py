"""Futures as a plan writes them: the same ground, with some layers read from other files."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from underoak.plan.keys.quantities import File, Name, Number, Text, Unit, Whole
from underoak.plan.reading.spec import Spec


def _named(value: Any) -> Any:
    return {"file": value} if isinstance(value, str) else value


class ReplacementSpec(Spec):
    """The file that takes a layer's place; what is left out stays as the layer has it."""

    file: File
    """A raster with the same thing in it."""
    variable: Text | None = None
    """Which variable of a NetCDF or Zarr file."""
    band: Annotated[Whole, Field(ge=1, le=65535)] | None = None
    """Which band of a GeoTIFF or VRT."""
    unit: Unit | None = None
    """The unit of the stored values."""
    scale: Number | None = None
    """Multiply the stored values by this first."""
    nodata: Number | None = None
    """The stored value that means missing, when the file does not say so."""
    crs: Text | None = None
    """Coordinate reference system, when the file does not say so."""
    source: Text | None = None
    """Where the data come from, and their licence; printed."""


Replacement = Annotated[ReplacementSpec, BeforeValidator(_named, json_schema_input_type=File | ReplacementSpec)]


class ScenarioSpec(Spec):
    """One future. Never called a probability."""

    name: Name
    """What its folder of results is called."""
    family: Text | None = None
    """The model it comes from; futures of one family are not independent."""
    period: Text | None = None
    """The years it stands for, such as 2041-2070."""
    replace: Annotated[dict[Name, Replacement], Field(min_length=1, max_length=500)]
    """Layers of this plan by name, each with the file that takes its place: a path, or a mapping with `file`."""


class FuturesSpec(Spec):
    """How futures are counted together."""

    weigh: Literal["equal", "family"] = "equal"
    """`equal`: each scenario counts alike. `family`: each model family does, and its scenarios share its weight."""
    at_least: Literal["S1", "S2", "S3"] = "S2"
    """The class whose cut a place must reach in a future to count as holding there."""
