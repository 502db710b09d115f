"""The columns of `deal.csv`."""

from __future__ import annotations

from underoak.places.answers.deal import DealState
from underoak.places.columns.cell_text import MemberText
from underoak.places.columns.column import Column, Kind

DEAL_ROWS = (
    Column("parcel", Kind.TEXT, "as in your file of parcels", is_nullable=False),
    Column("question", Kind.TEXT, "question of the deal: see [deal.md](deal.md)", is_nullable=False),
    Column("state", Kind.TEXT, "`clear`, `blocks` or `unknown`", is_nullable=False, cell=MemberText(DealState)),
    Column("share", Kind.NUMBER, "share of the parcel that the shapes of an overlay cover", "0..1"),
    Column("date", Kind.TEXT, "day of the answer"),
    Column("source", Kind.TEXT, "who says so"),
    Column("note", Kind.TEXT, "your note"),
    Column("stated_by", Kind.TEXT, "`plan`, `row` (of the parcel in your file), `overlay`, or empty: nobody"),
)
