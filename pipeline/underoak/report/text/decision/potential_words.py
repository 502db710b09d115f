"""The potential of a parcel by remedy in words, and what is bought."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.number_words import score
from underoak.decision.ground.potential import Lift, PotentialSplit, Standing, split_of
from underoak.plan.keys.plan_keys import PlanSpec

NOT_COUNTED = "not counted: no source of water is named"
_WELL = "You buy the well, not the field: only water lifts the class"
_LIFTS = {
    Lift.NOTHING: "",
    Lift.LIME: "Lime alone lifts the class.",
    Lift.WATER: f"{_WELL}.",
    Lift.EITHER: "Lime alone lifts the class, and so does water.",
    Lift.TOGETHER: "Only lime and water together lift the class.",
}
_NO_SOURCE = "The plan names no source of water for it (water_supply), so what water would do is not counted."


def split_rows(split: PotentialSplit, cuts: Sequence[float]) -> list[tuple[str, ...]]:
    """Return the rows of a table: remedy, class, suitability, P(S2 or better), and whether it counts."""
    has_p = split.now.p is not None
    rows = [("as it is", split.now, False)]
    rows += [("lime alone", split.with_lime, False)] if split.with_lime is not None else []
    rows += [("water alone", split.with_water, True)] if split.with_water is not None else []
    if split.with_lime is not None and split.with_water is not None:
        rows.append(("lime and water", split.with_both, True))
    cells = []
    for name, standing, needs_water in rows:
        note = NOT_COUNTED if needs_water and not split.is_water_named else ""
        p = ("–" if standing.p is None else score(standing.p),) if has_p else ()
        cells.append((name, standing.class_name, score(standing.suitability, cuts), *p, note))
    return cells


def split_head(split: PotentialSplit) -> tuple[str, ...]:
    """Return the head of that table."""
    return ("remedy", "class", "suitability", *(("P(S2+)",) if split.now.p is not None else ()), "note")


def lift_words(split: PotentialSplit) -> str:
    """Return what lifts the class, and that water without a source is not counted; "" if nothing is to be said."""
    words = _LIFTS[split.lift]
    if split.has_uncounted and split.lift is Lift.WATER:
        return f"{_WELL}, and the plan names no source of it (water_supply)."
    return " ".join(filter(None, (words, _NO_SOURCE if split.has_uncounted else "")))


def counted_words(row: Mapping[str, Any], plan: PlanSpec) -> str:
    """Return class and suitability after the remedies that count: `S1 0.97`; "" where they raise nothing."""
    split = split_of(row, plan)
    is_raised = split.counted.suitability - split.now.suitability > 0.005
    return standing_words(split.counted, plan.classes.cuts) if is_raised else ""


def standing_words(standing: Standing, cuts: Sequence[float]) -> str:
    """Return class and suitability.

    >>> standing_words(Standing("S2", 0.613, None), ())
    'S2 0.61'
    """
    return f"{standing.class_name} {score(standing.suitability, cuts)}"


def uncounted_words(rows: Sequence[Mapping[str, Any]], plan: PlanSpec) -> str:
    """Return how many parcels only water would lift that does not count; "" where there is none."""
    splits = [split_of(row, plan) for row in rows if isinstance(row["class"], str)]
    if not any(split.has_uncounted for split in splits):
        return ""
    count = sum(split.lift is Lift.WATER and split.has_uncounted for split in splits)
    if not count:
        return "Potential counts water only where the plan names a source of it (water_supply)."
    parcels = f"{count} parcel{'s' if count > 1 else ''}"
    return (
        f"Potential counts water only where the plan names a source of it (water_supply); {parcels} would be of a "
        "better class with it: there you buy the well, not the field."
    )
