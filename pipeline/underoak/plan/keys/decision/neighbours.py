"""The key `neighbours`: files of what lies near the parcels."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import model_validator

from underoak.plan.keys.quantities import File, Length, Text, quantity_in
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

NeighbourKind = Literal["orchard", "wood", "road", "house", "water", "other"]
_FURTHEST_M = 50_000.0  # beyond it a flat map of the surroundings is off by more than a part in a hundred thousand


class NeighbourSpec(Spec):
    """One file of orchards, woods, roads, houses, water or anything else near the parcels. Distances and hectares are
    told, and no score, class or verdict changes."""

    file: File
    """A GeoPackage, GeoJSON or Shapefile of points, lines or polygons."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""
    kind: NeighbourKind = "other"
    """orchard, wood, road, house, water or other: what a text says of it. Default: other."""
    within: Length = "2 km"
    """How far from a parcel to look, at most 50 km. Default: 2 km."""
    touching: Length = "10 m"
    """Distance below which a shape counts as touching the parcel, since files do not agree to the metre. Default:
    10 m."""

    @property
    def within_m(self) -> float:
        """How far to look [m]."""
        return quantity_in(self.within, "m")

    @property
    def touching_m(self) -> float:
        """Distance below which a shape touches [m]."""
        return quantity_in(self.touching, "m")

    @model_validator(mode="after")
    def _check_lengths(self) -> Self:
        if self.within_m > _FURTHEST_M:
            raise refusal("E304", "`within` is above 50 km", "lower it: what is further away is no neighbour")
        if self.touching_m > self.within_m:
            raise refusal("E304", "`touching` is above `within`", "lower `touching`, or raise `within`")
        return self
