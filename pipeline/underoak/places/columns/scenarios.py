"""The columns of `futures.csv`."""

from __future__ import annotations

from underoak.places.columns.cell_text import NamesText
from underoak.places.columns.column import Column, Kind

SCENARIOS = (
    Column("id", Kind.TEXT, "as in your file of parcels", is_nullable=False),
    Column("rank", Kind.INTEGER, "rank in the present"),
    Column("suitability", Kind.NUMBER, "suitability in the present", "0..1"),
    Column(
        "share_of_futures",
        Kind.NUMBER,
        "share of the scenarios in which the parcel is good enough: how many models agree, no probability",
        "0..1",
    ),
    Column("least", Kind.NUMBER, "least suitability over the scenarios", "0..1"),
    Column("median", Kind.NUMBER, "median suitability over the scenarios", "0..1"),
    Column("greatest", Kind.NUMBER, "greatest suitability over the scenarios", "0..1"),
    Column("worst_future", Kind.TEXT, "the scenario with the least suitability"),
    Column("regret", Kind.NUMBER, "the most by which the best parcel of a scenario is better", "0..1"),
    Column(
        "worst_driver",
        Kind.TEXT,
        "the criterion whose change alone costs most suitability on average; several when they tie",
        cell=NamesText(),
    ),
    Column("worst_change", Kind.NUMBER, "how much that change costs", "0..1"),
    Column("novel_share", Kind.NUMBER, "share of its land outside the present range of the region", "0..1"),
    Column("novel_drivers", Kind.TEXT, "the layers that leave that range, the largest share first", cell=NamesText()),
)
