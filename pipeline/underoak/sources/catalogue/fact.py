"""A field of the catalogue: a value, how it is known, and from where."""

from __future__ import annotations

from typing import Generic, Literal, Self, TypeVar

from pydantic import model_validator

from underoak.plan.keys.quantities import Text
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

T = TypeVar("T")
Known = Literal["seen", "derived", "unverified", "conflict"]
UNSURE: tuple[Known, ...] = ("unverified", "conflict")


class Fact(Spec, Generic[T]):
    """A value with how it is known: `seen` in print, `derived` from what was seen, `unverified`, or in `conflict`."""

    value: T
    """The value."""
    known: Known
    """How it is known."""
    evidence: Text | None = None
    """Key of the evidence in the same file."""
    note: Text | None = None
    """What a reader must know about it; for a conflict, what contradicts what."""

    @property
    def is_unsure(self) -> bool:
        """True if the file's header must confirm the value."""
        return self.known in UNSURE

    @model_validator(mode="after")
    def _check_evidence(self) -> Self:
        if self.known == "seen" and self.evidence is None:
            raise refusal("E304", "is `seen`, and names no `evidence`", "name its key under `evidence`")
        if self.known == "conflict" and self.note is None:
            raise refusal("E304", "is in `conflict`, and no `note` says with what", "add a `note`")
        return self
