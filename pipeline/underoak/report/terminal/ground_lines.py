"""The calendar of lime and the species that may come instead, of one parcel, as text."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import Any

from underoak.base import crs as _crs
from underoak.base.number_words import score
from underoak.decision.ground.instead import OtherSpecies, other_species
from underoak.decision.ground.lime_calendar import first_ready_autumn, wait_years
from underoak.decision.reference.published_ranges import Item, figures_of
from underoak.engine.storage.manifest import CaseManifest, CriterionWords
from underoak.places.answers.native import NativeState
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.criterion_words import column_names, value_of
from underoak.report.text.decision.published_words import published_words
from underoak.report.text.lines import wrapped
from underoak.report.text.verdicts.next_step import number

_INSTEAD = "What may come instead, judged by its profile on the means of this parcel, as it is:"
_NO_PRICE = (
    "Such a species may take over by itself: in Burgundy summer truffle overran an orchard of black truffle within 30 "
    "years (doi 10.1007/s10457-013-9649-2, abstract or page head read). Its price is not known here: ask for it "
    "before you count on a second-best crop."
)
_NATIVE = {
    NativeState.NATIVE: "native there",
    NativeState.EVIDENCE: "native only if there is evidence",
    NativeState.OUTSIDE: "not native there",
}


def lime_calendar_lines(row: Any, crs: Any, today: datetime.date) -> list[str]:
    """Return how long lime takes, the first autumn to plant in, what it takes each year, and what has been reported.

    Nothing for a parcel that takes no lime.
    """
    if not number(row, "lime_t_ha") > 0.0:
        return []
    place = _place(row, crs)
    autumn = first_ready_autumn(today, place is not None and place[1] < 0.0)
    lines = ["", "When lime is ready, and how much it can be:"]
    lines += wrapped(
        f"Lime worked in from {today:%Y-%m-%d} on takes {wait_years()} years or more: the ground is not ready before "
        f"autumn {autumn}. Ask the laboratory for a buffer test (lime for several target pH, as a curve): it alone "
        "tells the amount."
    )
    for figure in figures_of(Item.LIME, Item.LIME_WAIT, Item.LIME_UPKEEP):
        lines += wrapped(f"- {published_words(figure)}", "  ")
    return lines


def instead_lines(case: CaseManifest, row: Any, crs: Any, plan: PlanSpec) -> list[str]:
    """Return the other species that suit a parcel as it is and are native there; nothing where none is."""
    place = _place(row, crs)
    if place is None or not case.species or case.scenario or plan.purpose == "restore":
        return []
    figures = _figures(case.criteria, row)
    others = other_species(figures, case.species, *place, plan.verdict.judged_at)
    native = [each for each in others if each.native is NativeState.NATIVE]
    if not native:
        return []
    lines = ["", *wrapped(_INSTEAD)]
    for each in native:
        lines += wrapped(f"- {_words(each, plan)}", "  ")
    names = ", ".join(each.species for each in native)
    return [*lines, *wrapped(f"{_NO_PRICE} To rank your parcels for it, add it to the plan: species [{names}].")]


def _words(other: OtherSpecies, plan: PlanSpec) -> str:
    suitability = score(other.suitability, plan.classes.cuts)
    return (
        f"{other.latin} ({other.common}): {other.class_name}, suitability {suitability}, without lime or water, on "
        f"{score(other.judged_weight)} of its profile's weight; {_NATIVE[other.native]}"
    )


def _figures(criteria: Sequence[CriterionWords], row: Any) -> dict[str, str]:
    """Return the parcel's means with their units, by layer; layers of class codes have none."""
    stems, figures = column_names(criteria), {}
    for criterion in criteria:
        value = value_of(stems[criterion.name], row)
        if math.isfinite(value):
            unit = "" if criterion.unit == "1" else f" {criterion.unit}"
            figures[criterion.layer] = f"{value:.6g}{unit}".strip()
    return figures


def _place(row: Any, crs: Any) -> tuple[float, float] | None:
    """Return longitude and latitude of a point of the parcel; None without a shape."""
    shape = row.get("geometry")
    if shape is None or crs is None or shape.is_empty:
        return None
    point = shape.representative_point()
    longitude, latitude = _crs.transformer(crs.to_wkt(), "EPSG:4326").transform(point.x, point.y)
    return float(longitude), float(latitude)
