"""What explanations of a finished run need beside its tables: the day, the entries of the deal, the user's rules."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field

from underoak.decision.deal.ledger import DealEntry
from underoak.plan.keys.decision.rules import RuleSpec


@dataclass(frozen=True, slots=True)
class DecisionFacts:
    """What is known beside the ground of one parcel, on one day."""

    today: datetime.date
    deal: Mapping[str, DealEntry] = field(default_factory=dict)  # by question
    rules: tuple[RuleSpec, ...] = ()  # of the user's own
