"""The deal of a parcel in words, beside the verdict on its ground."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from underoak.base.number_words import NO_VALUE, beside, percent
from underoak.decision.deal.ledger import Age, DealEntry, Ledger, StatedBy
from underoak.decision.reference.questions import questions_of
from underoak.places.answers.deal import Answer, Block, DealState, answer_of
from underoak.places.answers.verdict import Purpose, Verdict
from underoak.places.columns.cell_text import ANSWERS
from underoak.plan.keys.decision.deal import STALE_AFTER, DealSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.verdict import VerdictSpec

_MOST_NAMED = 3  # questions in one line
DEFERS = "This list is not complete and no law. Local codes, the offices and licensed people decide."
LEGEND = "answer: ground and deal together; not yet: the ground is good, and the deal is not known. "


def answer_in(row: Mapping[str, Any]) -> Answer | None:
    """Return the answer of a row of the table of parcels; None without one."""
    answer, verdict = row.get("answer"), row.get("verdict")
    if isinstance(answer, Answer):
        return answer
    return answer_of(verdict, None) if isinstance(verdict, Verdict) else None


def answer_words(answer: Answer, purpose: str) -> str:
    """Return an answer in the words of a plan's purpose.

    >>> answer_words(Answer.YES, "orchard"), answer_words(Answer.NOT_YET, "buy")
    ('plant', 'not yet')
    """
    return ANSWERS[Purpose(purpose)][answer]


def has_deal(row: Mapping[str, Any]) -> bool:
    """Return whether the deal of a row was asked for."""
    return isinstance(row.get("deal"), DealState)


def deal_in_short(row: Mapping[str, Any]) -> str:
    """Return the deal of a row for a narrow column: `blocks`, `unknown` or `clear`; a dash where it is not asked.

    >>> deal_in_short({"deal": DealState.UNKNOWN}), deal_in_short({})
    ('unknown', '–')
    """
    deal = row.get("deal")
    return deal.value if isinstance(deal, DealState) else NO_VALUE


def ground_and_deal(row: Mapping[str, Any], limits: VerdictSpec, spec: DealSpec | None) -> str:
    """Return verdict and deal of a row in two sentences; "" where its deal is not asked.

    >>> blocks = (Block("protected_ground", 0.4),)
    >>> row = {"verdict": Verdict.YES, "p_s2": 0.97, "deal": DealState.BLOCKS, "deal_blocks": blocks}
    >>> print(ground_and_deal(row | {"deal_unknown": ("title", "access")}, VerdictSpec(), None))
    Ground: yes (P 0.97). Deal: 1 blocks (protected ground, 40 % of it), 2 unknown (title, access).
    """
    if not has_deal(row):
        return ""
    verdict, p = row.get("verdict"), row.get("p_s2")
    ground = verdict.value if isinstance(verdict, Verdict) else "no verdict"
    chance = "" if p is None or p != p else f" (P {beside(float(p), (limits.no_at, limits.yes_at))})"
    return f"Ground: {ground}{chance}. Deal: {deal_words(row, spec)}."


def deal_words(row: Mapping[str, Any], spec: DealSpec | None) -> str:
    """Return the deal of a row: how many questions end it, and how many are not answered, with the first of them."""
    questions = questions_of(spec)
    blocks, unknown = row.get("deal_blocks"), row.get("deal_unknown")
    parts = []
    if isinstance(blocks, tuple):
        named = [f"{questions[block.question].about}{_covered(block)}" for block in blocks]
        parts.append(f"{len(blocks)} block{'s' if len(blocks) == 1 else ''} ({'; '.join(named)})")
    if isinstance(unknown, tuple):
        named = [questions[name].about for name in unknown]
        parts.append(f"{len(unknown)} unknown{f' ({_first_of(named)})' if len(named) < len(questions) else ''}")
    return ", ".join(parts) or f"clear, all {len(questions)} questions"


def blocked_words(row: Mapping[str, Any]) -> str:
    """Return what ends the deal of a row, by the names of the plan, for a narrow column; "" if nothing does.

    >>> blocked_words({"deal_blocks": (Block("protected_ground"), Block("lease"))})
    'deal: protected ground, lease'
    """
    blocks = row.get("deal_blocks")
    names = [each.question.replace("_", " ") for each in blocks] if isinstance(blocks, tuple) else []
    return f"deal: {', '.join(names)}" if names else ""


def _covered(block: Block) -> str:
    return "" if block.share is None else f", {percent(block.share)} of it"


def _first_of(names: Sequence[str]) -> str:
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def entry_words(entry: DealEntry, today: datetime.date, stale_after: int) -> str:
    """Return what an entry says, with its source and its age.

    >>> entry = DealEntry(DealState.CLEAR, "2024-05-01", "letter of the office", "", StatedBy.ROW)
    >>> entry_words(entry, datetime.date(2026, 1, 1), 12)
    'clear (letter of the office, 2024-05-01; older than 12 months: ask again)'
    """
    share = "" if entry.share is None else f", {percent(entry.share)} of it covered"
    facts = ", ".join(filter(None, (entry.source, entry.date)))
    remarks = [facts] if facts else []
    if entry.stated_by is not StatedBy.NOBODY and entry.state is not DealState.UNKNOWN:
        remarks += age_words(entry.age(today, stale_after), stale_after)
    remarks += [entry.note] if entry.note else []
    more = f" ({'; '.join(remarks)})" if remarks else ""
    return f"{entry.state.value}{share}{more}"


def age_words(age: Age, stale_after: int) -> list[str]:
    """Return what the age of an entry means; nothing for a fresh one."""
    match age:
        case Age.STALE:
            return [f"older than {stale_after} months: ask again"]
        case Age.FUTURE:
            return ["its date is still to come: correct it"]
        case Age.UNDATED:
            return ["no date: nobody knows how old it is"]
    return []


def deal_lines(
    row: Mapping[str, Any], entries: Mapping[str, DealEntry], plan: PlanSpec, today: datetime.date
) -> list[str]:
    """Return one line for each question of a parcel: what ends the deal first, then what is open; none if not asked."""
    if not has_deal(row):
        return []
    questions, stale_after = questions_of(plan.deal), STALE_AFTER if plan.deal is None else plan.deal.stale_after
    order = (DealState.BLOCKS, DealState.UNKNOWN, DealState.CLEAR)
    lines = []
    for name in sorted(entries, key=lambda name: order.index(entries[name].state)):  # stable: in the order of asking
        entry, question = entries[name], questions[name]
        ask = f". Ask: {question.ask}" if entry.state is DealState.UNKNOWN else ""
        lines.append(f"- {question.about}: {entry_words(entry, today, stale_after)}{ask}")
    return ["The deal:", *lines, DEFERS]


def stale_words(ledger: Ledger | None, ids: Iterable[str], today: datetime.date) -> str:
    """Return how many answers on the deal are old or have no date; "" if none is."""
    if ledger is None or not (ledger.for_all or ledger.by_parcel):
        return ""
    entries = [entry for name in ids for entry in ledger.entries(name).values() if entry.state is not DealState.UNKNOWN]
    ages = [entry.age(today, ledger.stale_after) for entry in entries]
    old, undated, future = (ages.count(age) for age in (Age.STALE, Age.UNDATED, Age.FUTURE))
    parts = [f"{old} older than {ledger.stale_after} months"] if old else []
    parts += [f"{undated} without a date"] if undated else []
    parts += [f"{future} with a date still to come"] if future else []
    return (
        f"Of {len(entries)} answers on the deal: {', '.join(parts)}. Ask again before you rely on them."
        if parts
        else ""
    )
