"""The ledger of a deal: the state of each question for each parcel, with date, source and note."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from underoak.places.answers.deal import Block, DealState, answer_of
from underoak.places.answers.verdict import Verdict
from underoak.plan.keys.decision.deal import STALE_AFTER

if TYPE_CHECKING:
    import pandas as pd


class StatedBy(StrEnum):
    """Where the state of a question comes from."""

    NOBODY = ""
    PLAN = "plan"
    ROW = "row"  # of the parcel in the plan's file
    OVERLAY = "overlay"


class Age(StrEnum):
    """The age of an entry on a day."""

    FRESH = "fresh"
    STALE = "stale"
    FUTURE = "future"  # dated after the day
    UNDATED = "undated"


@dataclass(frozen=True, slots=True)
class DealEntry:
    """What is known on one question for one parcel."""

    state: DealState = DealState.UNKNOWN
    date: str = ""  # 2026-01-31
    source: str = ""
    note: str = ""
    stated_by: StatedBy = StatedBy.NOBODY
    share: float | None = None  # of the parcel that the shapes of an overlay cover

    def age(self, today: datetime.date, stale_after: int) -> Age:
        """Return whether the entry is older than so many months on a day.

        >>> entry = DealEntry(DealState.CLEAR, "2025-03-31")
        >>> [entry.age(datetime.date(2026, 3, day), 12).value for day in (31, 30)]
        ['stale', 'fresh']
        """
        if not self.date:
            return Age.UNDATED
        date = datetime.date.fromisoformat(self.date)
        if date > today:
            return Age.FUTURE
        months = (today.year - date.year) * 12 + today.month - date.month - (today.day < date.day)
        return Age.STALE if months >= stale_after else Age.FRESH


UNKNOWN = DealEntry()


@dataclass(frozen=True, slots=True)
class Ledger:
    """The entries of all parcels. A question without an entry is unknown."""

    questions: tuple[str, ...]
    for_all: Mapping[str, DealEntry] = field(default_factory=dict)  # by question
    by_parcel: Mapping[tuple[str, str], DealEntry] = field(default_factory=dict)  # by parcel and question
    stale_after: int = STALE_AFTER  # months

    def entry(self, parcel: str, question: str) -> DealEntry:
        """Return the entry of a parcel: its own, else that for all parcels."""
        return self.by_parcel.get((parcel, question)) or self.for_all.get(question, UNKNOWN)

    def entries(self, parcel: str) -> dict[str, DealEntry]:
        """Return the entries of a parcel, by question."""
        return {question: self.entry(parcel, question) for question in self.questions}

    def state(self, parcel: str) -> DealState:
        """Return the state of a parcel: blocked by one question, else unknown by one, else clear."""
        states = {self.entry(parcel, question).state for question in self.questions}
        return next(state for state in (DealState.BLOCKS, DealState.UNKNOWN, DealState.CLEAR) if state in states)


def with_deal(table: pd.DataFrame, ledger: Ledger | None) -> pd.DataFrame:
    """Return the table of parcels with the columns `deal`, `deal_blocks`, `deal_unknown` and `answer`.

    Without a ledger the deal is not asked for, and the answer is the verdict on the ground.
    """
    import pandas as pd

    has_verdicts, n = "verdict" in table, len(table)
    if ledger is None and not has_verdicts:
        return table
    verdicts: list[Verdict | None] = [None] * n
    if has_verdicts:
        verdicts = [each if isinstance(each, Verdict) else None for each in table["verdict"]]
    columns: dict[str, list[object]] = {"deal": [], "deal_blocks": [], "deal_unknown": [], "answer": []}
    with_entries = set() if ledger is None else {parcel for parcel, _ in ledger.by_parcel}
    shared = _summary(ledger, "")  # of the many that have none of their own
    for parcel, verdict in zip(map(str, table["id"]), verdicts, strict=True):
        deal, blocks, unknown = _summary(ledger, parcel) if parcel in with_entries else shared
        for name, value in zip(columns, (deal, blocks or None, unknown or None, answer_of(verdict, deal)), strict=True):
            columns[name].append(value)
    return table.assign(**{name: pd.Series(values, table.index, dtype=object) for name, values in columns.items()})


def _summary(ledger: Ledger | None, parcel: str) -> tuple[DealState | None, tuple[Block, ...], tuple[str, ...]]:
    """Return the state of a parcel, the questions that block, and those that are not answered."""
    if ledger is None:
        return None, (), ()
    entries = ledger.entries(parcel)
    blocks = tuple(Block(name, entry.share) for name, entry in entries.items() if entry.state is DealState.BLOCKS)
    unknown = tuple(name for name, entry in entries.items() if entry.state is DealState.UNKNOWN)
    return ledger.state(parcel), blocks, unknown
