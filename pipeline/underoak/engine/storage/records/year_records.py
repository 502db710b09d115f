"""Records of single years and of water held, as `run.json` has them."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Event(StrEnum):
    """What a year may have brought."""

    RAIN_ENOUGH = "rain enough"
    FROST = "frost"
    WET_AUTUMN = "wet autumn"


class NoDryYear(StrEnum):
    """Why a dry year's need is not given."""

    TEN_YEARS = "fewer than ten years"  # 1 in 5 takes ten
    TWENTY_YEARS = "fewer than twenty years"  # 1 in 10 takes twenty


@dataclass(frozen=True, slots=True)
class EventLimit:
    """A limit for one year, from the species profile."""

    event: Event
    months: tuple[int, ...]  # calendar months, in their order
    limit: float  # rain [mm], or temperature [degC]
    source: str
    grade: str
    nights: int = 0  # in a row, for frost


@dataclass(frozen=True, slots=True)
class EventCount:
    """In how many years of a file an event came."""

    event: Event
    years: tuple[int, ...]  # in which it came; a season that crosses the turn of the year has the year it began in
    counted: int  # years that are complete
    left_out: tuple[int, ...]  # years with a missing month, or a missing day
    first: int  # year of the file
    last: int
    is_by_month: bool = False  # frost by the lowest of each month: one night, not several in a row


@dataclass(frozen=True, slots=True)
class DryYears:
    """What rain lacked in single years [mm]: of what is enough, over the months of that limit."""

    mean: float  # of all complete years
    one_in_5: float | None  # reached or exceeded in one of five years, by Hazen's positions
    one_in_10: float | None
    counted: int
    first: int
    last: int
    left_out: tuple[int, ...] = ()
    no_dry_year: NoDryYear | None = None
    rain_mean: float | None = None  # [mm] in these months, of all complete years


@dataclass(frozen=True, slots=True)
class BalanceYears:
    """Rain less evapotranspiration from May to August [mm]; from November to February south of the equator."""

    mean: float
    one_in_5: float | None  # in the driest year of five
    counted: int
    is_thornthwaite: bool


@dataclass(frozen=True, slots=True)
class YearsAtPlace:
    """The years of one place: a station, a cell or several, that stand for one parcel or more."""

    events: tuple[EventCount, ...]
    dry: DryYears | None = None  # None on wild ground, and where rain or its limit is not known
    balance: BalanceYears | None = None


@dataclass(frozen=True, slots=True)
class YearsRecord:
    """What single years brought."""

    source: str
    limits: tuple[EventLimit, ...]
    places: tuple[YearsAtPlace, ...]
    place_of: dict[str, int] = field(default_factory=dict)  # parcel -> its place; empty where one serves all
    no_series: tuple[str, ...] = ()  # parcels that no series covers
    grain: str = ""  # how coarse a gridded series is, and how it is sampled; "" for tables

    def of(self, parcel: str) -> YearsAtPlace | None:
        """Return the years of a parcel; None where no series covers it."""
        if parcel in self.no_series:
            return None
        return self.places[self.place_of.get(parcel, 0)] if self.places else None


@dataclass(frozen=True, slots=True)
class Dose:
    """What growers give in a season, and how much land the water held carries at that."""

    mm: float
    ha: float
    days: float  # between two doses


@dataclass(frozen=True, slots=True)
class WateredYear:
    """One season: what it lacked, and how much land the water held carried."""

    year: int
    lacked_mm: float
    ha: float  # no more than the land to water


@dataclass(frozen=True, slots=True)
class WaterHeld:
    """A source of water held against the seasons of a file. It waters so much land in all; nothing is allotted."""

    name: str
    source: str
    parcels: tuple[str, ...]  # that share it; empty: every parcel
    area_ha: float  # land to water
    months: tuple[int, ...]  # of the season
    seasons: tuple[WateredYear, ...]
    left_out: tuple[int, ...]
    longest_short: int  # seasons in a row in which it did not water all of the land
    in_4_of_5_ha: float | None  # land that it waters in four seasons of five; None for fewer than ten
    pond_m3: float | None  # the smallest pond that would have watered all of the land in every season; None: none would
    pond_from: str  # right | other: how such a pond fills before the season
    right_short_m3: float  # what the right itself lacks then, in the worst season
    is_area_limited: bool  # the right is registered for less land than there is to water
    is_rate_known: bool
    doses: tuple[Dose, ...] = ()  # of the trial in the profile: longest interval first

    @property
    def full(self) -> int:
        """Seasons in which it watered all of the land."""
        return sum(season.ha >= self.area_ha for season in self.seasons)

    @property
    def is_enough(self) -> bool:
        """True where it watered all of the land in four seasons of five, of ten or more."""
        return self.in_4_of_5_ha is not None and self.in_4_of_5_ha >= self.area_ha
