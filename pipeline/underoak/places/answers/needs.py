"""What remedies take on one parcel, and what a laboratory found there."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Money:
    """An amount of money."""

    amount: float
    currency: str = ""


@dataclass(frozen=True, slots=True)
class LimeNeed:
    """Lime that a parcel takes."""

    t_ha: float  # on the land that needs it, at least
    plan_t_ha: float  # to plan with: the upper end of the rule
    depth_cm: float
    goal_ph: float
    share: float  # of the judged land that needs it
    tonnes: float  # in all, as planned; NaN for a spot, which has no area
    cost: Money | None = None
    farm_t_ha: float | None = None  # by farm tables, for the part of the way that they cover


@dataclass(frozen=True, slots=True)
class LimeBeyond:
    """Lime that is not counted, because land takes more of it than the species profile's `most_lime`."""

    t_ha: float  # at least, on that land
    most_t_ha: float  # that counts
    share: float  # of the judged land


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


@dataclass(frozen=True, slots=True)
class NoHelp:
    """A remedy that would raise its criterion, and the suitability of the parcel hardly or not at all."""

    by: str  # lime | water
    at_zero: tuple[str, ...] = ()  # criteria that keep the suitability at 0 after all remedies


RemedyNeed = LimeNeed | LimeBeyond | WaterNeed | DrainageNeed | NoHelp


def lime_beyond(needs: object) -> LimeBeyond | None:
    """Return the lime that is not counted among the needs of a parcel; None where all is."""
    every = needs if isinstance(needs, tuple) else ()
    return next((need for need in every if isinstance(need, LimeBeyond)), None)


def no_help(needs: object, by: str) -> NoHelp | None:
    """Return why a remedy, `lime` or `water`, would not help a parcel; None where it would, or is not needed."""
    every = needs if isinstance(needs, tuple) else ()
    return next((need for need in every if isinstance(need, NoHelp) and need.by == by), None)


def has_remedy(needs: object) -> bool:
    """Return whether the needs of a parcel hold a remedy that counts."""
    return isinstance(needs, tuple) and any(not isinstance(need, LimeBeyond | NoHelp) for need in needs)


class LabUse(StrEnum):
    """What a lab result is used for."""

    USED = "used"  # the cells it stands for are judged by it
    NO_PLACE = "no place"  # kept as evidence: the parcel has several soils, and the row does not say in which it was
    NOT_JUDGED = "not judged"  # kept as evidence: the land it was taken from is not judged, or the map has no value


@dataclass(frozen=True, slots=True)
class SoilUnit:
    """A soil unit of a parcel, by the order in which its cells come."""

    number: int  # from 1
    count: int  # soil units of the parcel
    share: float  # of the parcel's judged land


@dataclass(frozen=True, slots=True)
class LabFinding:
    """The pooled lab results of one layer on one soil unit of a parcel, or on the parcel as one, beside the map."""

    layer: str
    lab: float
    map: float  # the map's mean over the land that they stand for
    used: float  # what that land is judged by
    z: float | None = None  # standard deviations between lab and map, where these contradict each other
    unit: SoilUnit | None = None  # None: the parcel as one
    use: LabUse = LabUse.USED
    method_sd: float | None = None  # of `lab`, by the method; None where nobody states it
    sampling_sd: float = 0.0  # of `lab`, because a few cores stand for a field
    map_differs: float = 0.0  # standard deviation of the map's cells within the parcel, for what has no place
