"""What lies near a parcel, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.decision.neighbour_words import NEIGHBOURS, NO_SCORE, kind_words, neighbour_words
from underoak.report.text.lines import section, wrapped


def neighbour_lines(plan: PlanSpec, row: Mapping[str, Any]) -> list[str]:
    """Return what lies near one parcel; nothing for a plan without `neighbours`."""
    sentences = neighbour_words(plan, row)
    return (
        [*section(f"{NEIGHBOURS}.", sentences), *wrapped(" ".join([*kind_words(plan), NO_SCORE]))] if sentences else []
    )
