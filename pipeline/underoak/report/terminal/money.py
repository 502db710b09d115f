"""The break-even of a plan as text."""

from __future__ import annotations

from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.decision.money_words import BREAK_EVEN, PUBLISHED, RANGES_SOURCES, break_even_words
from underoak.report.text.lines import columns, wrapped


def break_even_lines(plan: PlanSpec) -> list[str]:
    """Return the break-even of one hectare; nothing for a plan without `costs`."""
    if plan.orchard_costs is None:
        return []
    words = break_even_words(plan.orchard_costs, plan.prices.currency or "")
    lines = ["", f"{BREAK_EVEN}.", *wrapped(words.intro), *columns(words.head, words.rows)]
    lines += [part for line in words.lines for part in wrapped(line)]
    lines += wrapped(PUBLISHED)
    lines += [part for line in words.ranges for part in wrapped(f"- {line}", "  ")]
    lines += wrapped(RANGES_SOURCES)
    return lines + [part for line in words.warnings for part in wrapped(line)]
