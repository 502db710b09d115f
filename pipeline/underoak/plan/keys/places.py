"""The keys `parcels`, `zones`, `native` and `lab`."""

from __future__ import annotations

from typing import Literal

from underoak.plan.keys.quantities import Area, File, Text, quantity_in
from underoak.plan.reading.spec import Spec


class ParcelsSpec(Spec):
    """The parcels to judge."""

    file: File
    """A GeoPackage or GeoJSON file."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""
    id: Text
    """Field with the parcel's id, read as text."""


class ZonesSpec(Spec):
    """How zones of connected suitable land are formed."""

    at_least: Literal["S1", "S2", "S3"] = "S2"
    """Lowest class in a zone. Default: S2."""
    min_area: Area = "1 ha"
    """Area below which a zone is dropped. Default: 1 ha."""
    connect: Literal[4, 8] = 8
    """8: cells that touch at a corner are connected. 4: only cells that share a side. Default: 8."""

    @property
    def min_area_m2(self) -> float:
        """Smallest area of a zone [m2]."""
        return quantity_in(self.min_area, "m2")


class NativeSpec(Spec):
    """Shapes that narrow the native range of the species."""

    file: File
    """A GeoPackage or GeoJSON file. Land outside its shapes is refused, too; it never widens the range."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""


class LabSpec(Spec):
    """Laboratory results for parcels."""

    file: File
    """A CSV file in UTF-8: parcel, property (a layer), value, unit; optionally depth, method, error, date, note."""
    mode: Literal["update", "replace"] = "update"
    """`update`: combine a result with the map by their uncertainties. `replace`: use it alone. Default: update."""
    depth: Text | None = None
    """Depth of the rows that are used, such as 0-30 cm; rows without a depth are used, too. Default: all rows."""
