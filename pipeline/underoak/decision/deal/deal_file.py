"""The file `deal.csv` of a run: one row for each parcel and question."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from underoak.base.errors import Fault, UnderoakError
from underoak.decision.deal.ledger import DealEntry, Ledger, StatedBy
from underoak.places.answers.deal import DealState
from underoak.places.columns.deal import DEAL_ROWS

NAME = "deal.csv"


def write_deal(folder: Path, ledger: Ledger, ids: Sequence[str]) -> Path:
    """Write the entries of all parcels, in the order of the parcels and of the questions."""
    path = folder / NAME
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([column.name for column in DEAL_ROWS])
        for parcel in ids:
            for question, entry in ledger.entries(parcel).items():
                share = "" if entry.share is None else f"{entry.share:.4f}"
                row = (parcel, question, entry.state, share, entry.date, entry.source, entry.note, entry.stated_by)
                writer.writerow(row)
    return path


def read_deal(folder: Path, parcel: str, questions: Sequence[str]) -> dict[str, DealEntry]:
    """Return the entries of a parcel of a finished run, by question; all unknown in a run without the file.

    Raises:
        UnderoakError: E603 when the file cannot be read.
    """
    entries = dict.fromkeys(questions, DealEntry())
    path = folder / NAME
    if not path.exists():
        return entries
    try:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                if row["parcel"] == parcel:
                    entries[row["question"]] = DealEntry(
                        DealState(row["state"]), row["date"], row["source"], row["note"], StatedBy(row["stated_by"]),
                        float(row["share"]) if row["share"] else None,
                    )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UnderoakError(Fault("E603", "cannot be read", str(path), "run the plan again")) from error
    return entries
