"""The verdict of a parcel, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Purpose(StrEnum):
    """What a plan is to decide."""

    BUY = "buy"
    ORCHARD = "orchard"
    RESTORE = "restore"
    REGION = "region"


class Verdict(StrEnum):
    """The answer for one parcel."""

    YES = "yes"
    NO = "no"
    TEST_FIRST = "test first"
    OPEN = "open"


class DecidedBy(StrEnum):
    """The rule that decided a verdict, in the order in which the rules are applied."""

    TOO_SMALL = "too small"  # no
    UNLIKELY = "unlikely"  # no: P(S2 or better) is at most `no_at`
    LOOK_FIRST = "look first"  # test first: the profile's criteria with a layer have too little weight
    TEST = "test"  # test first: a test is likely enough to change the verdict
    LIKELY = "likely"  # yes: P(S2 or better) is at least `yes_at`
    DOUBT_OFF = "doubt switched off"  # open: it would be a yes, had the errors of all layers been drawn
    BETWEEN = "between"  # test first: neither limit is reached, and a test may settle it
    UNSETTLED = "unsettled"  # open: neither limit is reached, and nothing that can be tested would settle it


class TooSmall(StrEnum):
    """Why a parcel counts as too small."""

    AREA = "too little usable land"
    TREES = "no tree fits"


@dataclass(frozen=True, slots=True)
class SoilTestFigures:
    """A test of one layer's mean over one parcel."""

    layer: str
    flip_chance: float  # that it changes the verdict
    worth: float  # expected gain of suitability
    flip_error: float = 0.0  # standard errors of these, from the number of draws
    worth_error: float = 0.0

    @property
    def is_worth_known(self) -> bool:
        """Return whether the worth is more than twice its standard error, so that it can be told from 0."""
        return self.worth > 2.0 * self.worth_error


@dataclass(frozen=True, slots=True)
class VerdictReason:
    """The figures behind a verdict. Limits are the plan's; those that the rule did not use are None."""

    decided_by: DecidedBy
    p_s2: float  # share of the draws with class S2 or better
    draws: int
    yes_at: float | None = None
    no_at: float | None = None
    too_small: TooSmall | None = None
    usable_ha: float | None = None
    usable_area_ha: float | None = None  # the least that it takes
    judged_weight: float | None = None
    judged_at: float | None = None
    add: tuple[str, ...] = ()  # layers of the heaviest criteria without one, as many as it takes to reach `judged_at`
    test: str | None = None  # the layer whose test has the greatest flip chance; None: no test would change the verdict
    flip_chance: float | None = None  # of that test
    test_first_at: float | None = None
    unknown: tuple[str, ...] = ()  # layers that a lab could test and whose error is not known
