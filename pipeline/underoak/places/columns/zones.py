"""The columns of `zones.gpkg`."""

from __future__ import annotations

from underoak.places.answers.native import ZoneState
from underoak.places.columns.cell_text import MemberText, NamesText
from underoak.places.columns.column import Column, Kind, When

ZONES = (
    Column("id", Kind.TEXT, "row and column of its first cell", is_nullable=False),
    Column("rank", Kind.INTEGER, "1 is the best, by `good_ha`"),
    Column("good_ha", Kind.NUMBER, "suitability summed over its area: hectares of suitability 1 it equals", "ha"),
    Column("area_ha", Kind.NUMBER, "true area", "ha", is_nullable=False),
    Column("cells", Kind.INTEGER, "cells of the analysis grid", is_nullable=False),
    Column("suitability", Kind.NUMBER, "mean over its area", "0..1"),
    *(
        Column(f"share_{name.lower()}", Kind.NUMBER, f"share of its area of class {name}", "0..1")
        for name in ("S1", "S2", "S3")
    ),
    Column(
        "s2_share_drawn",
        Kind.NUMBER,
        "share of it that is S2 or better by suitability, mean over all draws. This is no probability of the zone, so "
        "it has no verdict; name it as a parcel to get one",
        "0..1",
        when=When.DRAWS,
    ),
    Column("held_share", Kind.NUMBER, "share of its area whose class is below that of its suitability", "0..1"),
    Column("limiting", Kind.TEXT, "the limiting factor on most of it; several when they tie", cell=NamesText()),
    Column("limiting_share", Kind.NUMBER, "share of its area that it limits", "0..1"),
    Column(
        "native_range",
        Kind.TEXT,
        "`native`, `needs evidence`, or refused because the border of the native range cuts it",
        is_nullable=False,
        when=When.RESTORE,
        cell=MemberText(ZoneState),
    ),
)
