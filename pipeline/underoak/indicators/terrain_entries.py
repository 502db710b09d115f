"""Declarations of terrain indicators."""

from __future__ import annotations

from underoak.indicators import terrain
from underoak.indicators.declaration import Indicator, Input

_HORN = "Horn 1981, from memory"
_PRACTICE = "common practice, no source"


def _horn(id: str, unit: str, low: float, high: float, source: str, text: str) -> Indicator:
    return Indicator(
        id=id, title=id, inputs={"elevation": Input("m")}, unit=unit, low=low, high=high, source=source, text=text,
        compute=getattr(terrain, id), halo=1, needs_cell_size=True,
    )  # fmt: skip


ENTRIES = (
    _horn("slope", "degree", 0.0, 90.0, _HORN, "Steepness of the ground, in true metres."),
    _horn("aspect", "degree", 0.0, 360.0, _HORN, "Downhill bearing, clockwise from true north."),
    _horn("northness", "", -1.0, 1.0, _PRACTICE, "Cosine of the aspect; 0 where flat."),
    _horn("eastness", "", -1.0, 1.0, _PRACTICE, "Sine of the aspect; 0 where flat."),
)
