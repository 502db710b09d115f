"""Why a parcel is not judged."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Cause(StrEnum):
    """A reason why a parcel is not judged."""

    NO_SHAPE = "no shape"
    OFF_MAP = "outside the map"
    NO_DATA = "no data"
    ALL_EXCLUDED = "excluded entirely"
    MOSTLY_EXCLUDED = "mostly excluded"
    NOT_NATIVE = "outside the native range"


@dataclass(frozen=True, slots=True)
class NotJudged:
    """The cause, with the constraints that exclude the parcel, its layers without data, or a note.

    The note is what the reader of its file says of its shape.
    """

    cause: Cause
    constraints: tuple[str, ...] = ()
    note: str = ""
    layers: tuple[str, ...] = ()
