"""Names of pairs of truffle and tree, and their origins."""

from __future__ import annotations

from dataclasses import dataclass

from underoak.places.answers.native import Origin


@dataclass(frozen=True, slots=True)
class PairName:
    """A host tree, with its truffle where a table holds several species."""

    host: str
    species: str = ""


@dataclass(frozen=True, slots=True)
class OriginOf:
    """Truffles or trees of one origin."""

    names: tuple[str, ...]
    origin: Origin
