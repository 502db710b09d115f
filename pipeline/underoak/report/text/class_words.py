"""A class that is below that of its suitability, in words: which criteria hold it, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.codes import CLASS_NAMES, S1, S2, S3, N
from underoak.base.number_words import percent
from underoak.engine.storage.manifest import CriterionWords
from underoak.report.text.criterion_words import column_names, labels, limiting, measure_beside_range, side_of, value_of


def held_words(criteria: Sequence[CriterionWords], row: Mapping[str, Any], is_potential: bool = False) -> str:
    """Return what holds the class of a parcel below that of its suitability; "" where the two agree.

    >>> rain = CriterionWords("water", "summer rain", 1.0, "rain", "", "", True, "")
    >>> held_words([rain], {"class": "S2", "held_by": ("water",)})
    'held to S2 by summer rain'
    """
    before = "potential_" if is_potential else ""
    names = row.get(f"{before}held_by")
    return f"held to {row[f'{before}class']} by {labels(criteria, names)}" if isinstance(names, tuple) else ""


def held_or_limiting(criteria: Sequence[CriterionWords], row: Mapping[str, Any]) -> str:
    """Return what holds the class with its value, else the limiting factors with the best range, for a narrow column.

    >>> from underoak.places.answers.limits import Side
    >>> rain = CriterionWords("water", "summer rain", 1.0, "rain", "", "", True, "", "mm", 145, 220)
    >>> row = {"class": "S2", "held_by": ("water",), "value_water": 91.2, "side_water": Side.LOW}
    >>> held_or_limiting([rain], row)
    'held by water 91 mm, too low'
    """
    names = row.get("held_by")
    if not isinstance(names, tuple):
        return limiting(criteria, row, is_short=True)
    words = f"held by {', '.join(name.replace('_', ' ') for name in names)}"
    if len(names) > 1:
        return words
    (criterion,) = (criterion for criterion in criteria if criterion.name == names[0])
    stem = column_names(criteria)[names[0]]
    value, side = value_of(stem, row), side_of(stem, row)
    figure = f" {measure_beside_range(value, criterion)}" if math.isfinite(value) else ""
    return f"{words}{figure}{f', too {side}' if side else ''}"


def held_and_limiting(criteria: Sequence[CriterionWords], row: Mapping[str, Any]) -> str:
    """Return what holds the class, and the limiting factors with value and best range, for a cell of a table."""
    limits, words = limiting(criteria, row, has_unit_once=True), held_words(criteria, row)
    if words and row["held_by"] == row["limiting"]:
        return f"held to {row['class']} by {limits}"
    return f"{words}; limiting factor: {limits}" if words else limits


def zone_held_words(row: Mapping[str, Any]) -> str:
    """Return on how much of a zone the class is below that of the suitability; "" on less than one percent.

    >>> zone_held_words({"held_share": 0.24}), zone_held_words({"held_share": 0.0})
    ('class below that of the suitability on 24 % of it', '')
    """
    share = row.get("held_share")
    return (
        f"class below that of the suitability on {percent(share)} of it" if share is not None and share >= 0.01 else ""
    )


def held_sentence(criteria: Sequence[CriterionWords], row: Mapping[str, Any], cuts: tuple[float, float, float]) -> str:
    """Return a sentence on what holds the class of a parcel; "" where nothing does. `cuts` are those of S1, S2, S3.

    >>> cold = CriterionWords("cold", "winter cold", 1.0, "t", "", "", True, "", is_essential=True)
    >>> held_sentence([cold], {"class": "S3", "suitability": 0.81, "held_by": ("cold",)}, (0.75, 0.5, 0.25))
    'By its suitability alone it would be S1; it is held to S3 by winter cold, an essential criterion.'
    """
    names = row.get("held_by")
    if not isinstance(names, tuple):
        return ""
    alone = CLASS_NAMES[(S1, S2, S3, N)[sum(float(row["suitability"]) < cut for cut in cuts)]]
    essential = [c.label for c in criteria if c.is_essential and c.name in names]
    if len(essential) == len(names):
        why = ", an essential criterion" if len(essential) == 1 else ", essential criteria"
    elif essential:
        verb = "is" if len(essential) == 1 else "are"
        why = f", of which {', '.join(essential)} {verb} essential"
    else:
        why = ": a class is at most one above that of each criterion"
    return f"By its suitability alone it would be {alone}; it is {held_words(criteria, row)}{why}."
