"""The keys `parcels`, `zones`, `native` and `lab`."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Area, File, Name, Text, Whole, quantity_in
from underoak.plan.keys.uncertainty import Deviation
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec


class ParcelsSpec(Spec):
    """The parcels to judge."""

    file: File
    """A GeoPackage or GeoJSON file."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""
    id: Text
    """Field with the parcel's id, read as text."""


_WORKABLE = "50 ha"  # of wild ground in one piece of work; common practice, no source


class ZonesSpec(Spec):
    """How zones of connected suitable land are formed."""

    at_least: Literal["S1", "S2", "S3"] = "S2"
    """Lowest class in a zone. Default: S2."""
    min_area: Area = "1 ha"
    """Area below which a zone is dropped. Default: 1 ha."""
    max_area: Area | None = None
    """Area above which a zone is cut into parts. Default: 50 ha with purpose restore, so that a part can be worked;
    otherwise zones are not cut."""
    connect: Literal[4, 8] = 8
    """8: cells that touch at a corner are connected. 4: only cells that share a side. Default: 8."""

    @property
    def min_area_m2(self) -> float:
        """Smallest area of a zone [m2]."""
        return quantity_in(self.min_area, "m2")

    def max_area_m2(self, purpose: str) -> float:
        """Return the largest area of a zone for a purpose [m2]; infinite where zones are not cut.

        >>> ZonesSpec().max_area_m2("restore"), ZonesSpec(max_area="9 ha").max_area_m2("buy")
        (500000.0, 90000.0)
        """
        if self.max_area is not None:
            return quantity_in(self.max_area, "m2")
        return quantity_in(_WORKABLE, "m2") if purpose == "restore" else math.inf

    @model_validator(mode="after")
    def _check_areas(self) -> Self:
        if self.max_area is not None and quantity_in(self.max_area, "m2") < self.min_area_m2:
            raise refusal("E304", "`max_area` is below `min_area`", "raise `max_area`, or lower `min_area`")
        return self


class NativeSpec(Spec):
    """Shapes that narrow the native range of the species."""

    file: File
    """A GeoPackage or GeoJSON file. Land outside its shapes is refused, too; it never widens the range."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""


class LabSpec(Spec):
    """Laboratory results for parcels."""

    file: File
    """A CSV file in UTF-8: parcel, property (a layer), value, unit; optionally depth, method, error (of the method),
    cores (in the bag), x and y or lon and lat (where the sample was taken), date, note."""
    crs: Text | None = None
    """Coordinate reference system of x and y. Default: none for x and y; WGS 84 for lon and lat."""
    mode: Literal["update", "replace"] = "update"
    """`update`: combine a result with the map by their uncertainties. `replace`: use it alone. Default: update."""
    cores: Annotated[Whole, Field(ge=1, le=1000)] | None = None
    """Cores in a bag, for rows that do not say. Default: 1."""
    within_field: dict[Name, Deviation] = Field(default_factory=dict)
    """Standard deviation of single cores within a field, by layer. Default: by property, from published figures."""
    depth: Text | None = None
    """Depth of the rows that are used, such as 0-30 cm; rows without a depth are used, too. Default: all rows."""
