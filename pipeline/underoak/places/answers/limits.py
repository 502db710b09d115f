"""Which criterion limits a parcel, on which side of its best range, and whether that can be changed."""

from __future__ import annotations

from enum import StrEnum


class NoLimit(StrEnum):
    """Stands among names of criteria where no criterion limits."""

    NOTHING = "nothing limits"


class Side(StrEnum):
    """The side of the best range on which more membership is lost."""

    LOW = "low"
    HIGH = "high"


class Change(StrEnum):
    """What can be done about a criterion that loses membership."""

    LIME = "lime"
    WATER = "water"
    DRAINAGE = "drainage"
    NONE = "none"
    WILD = "wild"  # a remedy exists, and wild ground gets none

    @property
    def is_possible(self) -> bool:
        """True when a remedy can raise the membership."""
        return self not in (Change.NONE, Change.WILD)


def change_of(remedy: str, side: Side | None, is_wild: bool) -> Change:
    """Return what can be done about a criterion, given its remedy ("" for none) and the side on which it loses.

    >>> change_of("lime", Side.LOW, False), change_of("lime", Side.HIGH, False).is_possible
    (<Change.LIME: 'lime'>, False)
    """
    if is_wild:
        return Change.WILD if remedy else Change.NONE
    match remedy, side:
        case "lime", Side.LOW | None:
            return Change.LIME
        case "irrigation", Side.LOW | None:
            return Change.WATER
        case "drainage", Side.HIGH | None:
            return Change.DRAINAGE
        case _:
            return Change.NONE
