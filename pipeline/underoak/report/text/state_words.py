"""Reasons why a parcel is not judged, states of zones and origins, in words."""

from __future__ import annotations

from underoak.places.answers.native import Origin, ZoneState
from underoak.places.answers.not_judged import Cause, NotJudged

_CAUSES = {
    Cause.NO_SHAPE: "no shape",
    Cause.OFF_MAP: "outside the map",
    Cause.NO_DATA: "no data",
    Cause.ALL_EXCLUDED: "excluded entirely",
    Cause.MOSTLY_EXCLUDED: "mostly excluded",
    Cause.NOT_NATIVE: "outside the native range",
}
ZONE_STATES = {
    ZoneState.NATIVE: "native",
    ZoneState.EVIDENCE: "needs evidence",
    ZoneState.CUT: "refused: the border of the native range cuts it",
}
ORIGINS = {
    Origin.NATIVE: "native",
    Origin.EVIDENCE: "needs evidence",
    Origin.INTRODUCED: "introduced",
    Origin.UNKNOWN: "origin unknown",
}


def reason_words(reason: NotJudged) -> str:
    """Return why a parcel is not judged.

    >>> reason_words(NotJudged(Cause.MOSTLY_EXCLUDED, ("built", "steep")))
    'mostly excluded by built, steep'
    >>> reason_words(NotJudged(Cause.NO_DATA, layers=("soil_ph", "clay")))
    'no data of soil_ph, clay'
    """
    by = f" by {', '.join(reason.constraints)}" if reason.constraints else ""
    by += f" of {', '.join(reason.layers)}" if reason.layers else ""
    return f"{_CAUSES[reason.cause]}{by}{f': {reason.note}' if reason.note else ''}"
