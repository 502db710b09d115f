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


@dataclass(frozen=True, slots=True)
class VerdictReason:
    """The figures behind a verdict."""

    p_s2: float  # share of the draws with class S2 or better
    draws: int
    yes_at: float | None = None  # the limit that decided for yes; with `no_at`: neither limit was reached
    no_at: float | None = None
    best_test: str | None = None  # the layer whose test is most likely to change the verdict; None: no test would
    flip_chance: float | None = None  # of that test
