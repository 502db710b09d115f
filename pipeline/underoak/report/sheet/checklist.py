"""A checklist to print: what to check before signing, in order, and the questions of the deal with room for answers."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping

from underoak.decision.deal.ledger import DealEntry
from underoak.decision.reference.questions import questions_of
from underoak.places.answers.deal import DealState
from underoak.plan.keys.decision.deal import STALE_AFTER
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.answer_words import CAUTIONS
from underoak.report.text.decision.check_words import HEAD, check_lines, parcel_check_lines
from underoak.report.text.decision.deal_words import DEFERS, entry_words
from underoak.report.text.lines import wrapped

_RESULT = "clear / blocks    date ____________    who says so ________________________________"
_DONE = "result ____________________________    date ____________    paid ____________"


def checklist(
    title: str, plan: PlanSpec, today: datetime.date, name: str = "", deal: Mapping[str, DealEntry] | None = None,
    row: Mapping[str, object] | None = None,
) -> str:  # fmt: skip
    """Return the checklist of a plan, or of one parcel (`name`) with its entries and its row of the table."""
    heading = f"Checklist: {title}"
    lines = [
        heading,
        "=" * len(heading),
        f"{name or 'Every parcel: copy it for each'}. Printed {today.isoformat()}.",
        "",
    ]
    lines += _checks(plan, today, deal, row)
    lines += ["The deal: what beside the ground must be settled", ""]
    stale_after = STALE_AFTER if plan.deal is None else plan.deal.stale_after
    for key, question in questions_of(plan.deal).items():
        entry = DealEntry() if deal is None else deal.get(key, DealEntry())
        mark = " " if entry.state is DealState.UNKNOWN else "x"
        state = "" if deal is None else f": {entry_words(entry, today, stale_after)}"
        lines += wrapped(f"[{mark}] {question.about}{state}", "    ")
        if entry.state is DealState.UNKNOWN:
            lines += [f"    {line}" for line in wrapped(f"What for: {question.why}. Ask: {question.ask}.")]
            lines += [f"    {_RESULT}", ""]
    return "\n".join([*lines, "", *wrapped(DEFERS), *wrapped(CAUTIONS[0])])


def _checks(
    plan: PlanSpec, today: datetime.date, deal: Mapping[str, DealEntry] | None, row: Mapping[str, object] | None
) -> Iterator[str]:
    """Yield the checks of the plan in order, each with room for its result; nothing where it names none."""
    if not plan.checks:
        return
    if deal is None or row is None:
        lines = check_lines(plan.checks, plan, today)
    else:
        lines = parcel_check_lines(row, deal, plan, today)
    for line in lines:
        if line[:1].isdigit() and ". " in line[:4]:
            yield from wrapped(f"[ ] {line}", "    ")
            yield f"    {_DONE}"
        else:
            yield from wrapped(line)
        if line == HEAD:
            yield ""
    yield ""
