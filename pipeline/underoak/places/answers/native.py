"""Where a truffle or a tree is native."""

from __future__ import annotations

from enum import StrEnum


class NativeState(StrEnum):
    """The state of a place in the native range of a species."""

    NATIVE = "native"
    EVIDENCE = "needs evidence"
    OUTSIDE = "outside"


class ZoneState(StrEnum):
    """The state of a zone to restore; one that the border of the native range cuts is refused."""

    NATIVE = "native"
    EVIDENCE = "needs evidence"
    CUT = "refused: the border of the native range cuts it"


class Origin(StrEnum):
    """Where a truffle or a tree comes from, seen from one parcel."""

    NATIVE = "native"
    EVIDENCE = "needs evidence"
    INTRODUCED = "introduced"
    UNKNOWN = "origin unknown"
