"""What to do about a parcel next, in one sentence that many parcels may share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from underoak.places.parcels.ranking import ALL_EXCLUDED, MOSTLY_EXCLUDED, NO_DATA, NO_SHAPE, OFF_MAP
from underoak.places.soil.amounts import NO_LIMING_COUNTRY, figure
from underoak.places.wild.native_rules import REFUSED
from underoak.report.text.criterion_words import fix, lost
from underoak.report.text.findings import CriterionWords

DECIDE = {"buy": "you sign", "orchard": "you plant", "restore": "you restore", "region": "anyone decides"}
_NOT_JUDGED = {
    NO_SHAPE: "Draw its outline: the file has none.",
    OFF_MAP: "Widen the region, or take it off the list.",
    NO_DATA: "The maps are blank here: only a test on the ground can tell.",
    ALL_EXCLUDED: "Look elsewhere: nothing of it is left.",
    REFUSED: "Leave wild ground there as it is: the truffle is not native to it.",
    MOSTLY_EXCLUDED: "Look elsewhere, or draw the outline of what is left of it and judge that.",
}
_GOOD = ("S1", "S2")
_DEEDS = (("lime", "lime_t_ha"), ("water", "water_mm"))


def next_step(criteria: Sequence[CriterionWords], purpose: str, row: Mapping[str, Any]) -> str:
    """What to do about one parcel next."""
    if isinstance(row["reason"], str):
        return next(step for reason, step in _NOT_JUDGED.items() if row["reason"].startswith(reason))
    if row["excluded_share"] > 0.5:
        return "See first what is left of it: most is excluded, and the score is that of the rest."
    if row.get("verdict") == "test first":
        if isinstance(row.get("best_test"), str):
            name = next((c.label for c in criteria if c.layer == row["best_test"]), row["best_test"])
            return f"Have {name} tested before {DECIDE[purpose]}: that would most likely turn the answer."
        return f"No test of the soil would settle it: see the ground and local records before {DECIDE[purpose]}."
    if row["class"] in _GOOD and isinstance(row.get("lab"), str):
        return f"The laboratory bears it out: see to water, access and title before {DECIDE[purpose]}."
    if row["class"] in _GOOD:
        return f"Have the soil tested before {DECIDE[purpose]}: pH in water, total and active carbonate, texture."
    if number(row, "lime_t_ha") > NO_LIMING_COUNTRY:
        return f"Look elsewhere first: it would take more than {NO_LIMING_COUNTRY:g} t/ha of lime."
    deeds = " and ".join(word for word, column in _DEEDS if number(row, column) > 0)
    better = row.get("potential_class")
    if deeds and better in _GOOD:
        return f"Find out what {deeds} would cost: that could make it {better}."
    even = f"even with {deeds} it stays {better}; " if deeds and isinstance(better, str) else ""
    for criterion, side in lost(criteria, row):
        can = fix(criterion, side, purpose == "restore")
        if can.startswith(("cannot", "wild")):
            is_what = f"is too {side}" if side else "is the limit"
            return f"Look elsewhere first: {even}{criterion.label} {is_what}, and {can}."
    return f"Look elsewhere first: {even or 'too much is short of what it wants; '}".removesuffix("; ") + "."


def remedies_in_short(row: Mapping[str, Any]) -> str:
    """What a parcel takes, for a narrow column: `lime 12 t/ha, water 45 mm`."""
    lime, water = number(row, "lime_t_ha"), number(row, "water_mm")
    parts = [f"lime {figure(lime)} t/ha" if lime > 0 else "", f"water {figure(water)} mm" if water > 0 else ""]
    return ", ".join(filter(None, parts))


def grouped(steps: Iterable[tuple[str, str]], most: int = 30) -> list[tuple[str, str]]:
    """Sentences with the parcels they are for, in the order they first come; of many parcels only the first `most`.

    >>> grouped([("a", "Look."), ("b", "Dig."), ("c", "Look.")])
    [('Look.', 'a, c'), ('Dig.', 'b')]
    """
    ids: dict[str, list[str]] = {}
    for parcel, step in steps:
        ids.setdefault(step, []).append(parcel)
    return [
        (step, ", ".join(own[:most]) + (f" and {len(own) - most} more" if len(own) > most else ""))
        for step, own in ids.items()
    ]


def number(row: Mapping[str, Any], column: str) -> float:
    """A figure of a row; 0 where there is none."""
    found = row.get(column)
    return float(found) if found is not None and found == found else 0.0
