"""The keys `region` and `trust`: the analysis grid, and which files may be read."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, ConfigDict, Field, model_validator

from underoak.base import crs as _crs
from underoak.plan.keys.quantities import File, Length, Number, Text, Whole, quantity_in
from underoak.plan.reading.faults import PendingFault, refusal
from underoak.plan.reading.spec import Spec, as_validation_errors, refuse_all


def _projected(text: str) -> str:
    with as_validation_errors():
        in_degrees = _crs.is_geographic(text)
    if in_degrees:
        what = f"{text} is in degrees; the analysis grid needs a projected system, so that all cells have one size"
        raise refusal("E205", what, "use a projected one, such as your country's grid or the UTM zone")
    return text


def _not_empty(bounds: tuple[float, ...]) -> tuple[float, ...]:
    left, bottom, right, top = bounds
    if not (left < right and bottom < top):
        raise refusal("E304", "the bounds are empty", "write left, bottom, right, top")
    return bounds


class RegionSpec(Spec):
    """The region, as a vector file (`area`) or a rectangle (`bounds`), and its analysis grid."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["area"]}, {"required": ["bounds"]}]})

    area: File | None = None
    """A GeoPackage or GeoJSON file with the region's outline."""
    features: Text | None = None
    """Layer inside that file. Default: the only one."""
    bounds: Annotated[tuple[Number, ...], Field(min_length=4, max_length=4), AfterValidator(_not_empty)] | None = None
    """Left, bottom, right, top, in units of the CRS."""
    crs: Annotated[Text, AfterValidator(_projected)]
    """Projected coordinate reference system of the analysis grid, such as EPSG:25831."""
    cell: Length
    """Side of a cell, such as 30 m."""
    snap: Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)] = (0.0, 0.0)
    """A point on a cell corner, in units of the CRS. Default: [0, 0]."""

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""
        return quantity_in(self.cell, "m")

    @model_validator(mode="after")
    def _check_area_or_bounds(self) -> Self:
        if (self.area is None) == (self.bounds is None):
            has = "both `area` and `bounds`" if self.area is not None else "neither `area` nor `bounds`"
            raise refusal("E304", f"has {has}", "give an outline as `area`, or `bounds: [left, bottom, right, top]`")
        if self.features is not None and self.area is None:
            fault = PendingFault("E304", "`features` needs an `area`, and there is none", "remove it")
            refuse_all([(("features",), fault)], self)
        return self


class TrustSpec(Spec):
    """Folders that files may refer to, and the largest raster."""

    roots: Annotated[tuple[File, ...], Field(min_length=1, max_length=100)] = (".",)
    """Folders that a file may refer to, such as for the tiles of a mosaic, beside the plan's folder."""
    max_cells: Annotated[Whole, Field(gt=0)] = 2_000_000_000
    """Largest raster that is read, in cells. Default: 2e9."""
    allow_hosts: Annotated[tuple[Text, ...], Field(min_length=1, max_length=100)] | None = None
    """Hosts on your own network, or on this machine, that `underoak gather` may ask. Default: none, and only hosts with
    a public address."""
    vrt: Literal["simple"] = "simple"
    """`simple`: VRT files may only be plain mosaics; no code in them is ever run."""
