"""What a rule of the user's own gives for a parcel."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RuleState(StrEnum):
    """Whether the conditions of a rule hold."""

    MET = "met"
    NOT_MET = "not met"
    UNKNOWN = "not known"  # none fails, and the figure of one is missing


@dataclass(frozen=True, slots=True)
class RuleOutcome:
    """A rule, applied to a parcel."""

    rule: str
    state: RuleState
    amount: float | None = None  # in the currency of the plan's prices; None where there is none, or it is not met
