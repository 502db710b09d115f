"""The columns of `ranks.csv` and `wins.csv`."""

from __future__ import annotations

from underoak.places.columns.column import Column, Kind

RANKS = (
    Column("id", Kind.TEXT, "as in your file of parcels", is_nullable=False),
    Column("rank_<n>", Kind.NUMBER, "share of draws with that rank, 1 to 10", "0..1", is_nullable=False, group="rank"),
    Column("first_error", Kind.NUMBER, "standard error of `rank_1`, from the number of draws", "0..1"),
    Column(
        "confidence",
        Kind.NUMBER,
        "share of draws with rank 1 under its central weights alone; linear rule only",
        "0..1",
    ),
    Column("central_<criterion>", Kind.NUMBER, "mean weight in the draws in which it has rank 1", "0..1", group="c"),
)

WINS = (
    Column("id", Kind.TEXT, "as in your file of parcels", is_nullable=False),
    Column(
        "before_<id>", Kind.NUMBER, "share of draws in which it ranks before that parcel, ties half", "0..1", group="b"
    ),
)
