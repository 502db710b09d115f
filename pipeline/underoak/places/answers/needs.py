"""What remedies take on one parcel, and what a laboratory found there."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Money:
    """An amount of money."""

    amount: float
    currency: str = ""


@dataclass(frozen=True, slots=True)
class LimeNeed:
    """Lime that a parcel takes, at least."""

    t_ha: float  # on the land that needs it
    depth_cm: float
    goal_ph: float
    share: float  # of the judged land that needs it
    tonnes: float  # in all
    cost: Money | None = None
    farm_t_ha: float | None = None  # by farm tables, for the part of the way that they cover


@dataclass(frozen=True, slots=True)
class WaterNeed:
    """Water that a parcel lacks in the mean year."""

    mm: float
    m3_ha: float
    season: str  # "" where the layer has none; "year"
    share: float
    cost: Money | None = None  # each year


@dataclass(frozen=True, slots=True)
class DrainageNeed:
    """Drainage, where a pit shows standing water; no map can tell how much."""


RemedyNeed = LimeNeed | WaterNeed | DrainageNeed


@dataclass(frozen=True, slots=True)
class LabFinding:
    """The pooled lab results of one layer on one parcel, beside the map."""

    layer: str
    lab: float
    map: float
    used: float  # what the parcel is judged by
    z: float | None = None  # standard deviations between lab and map, where these contradict each other
