"""Truffles, trees and their pairs, in words."""

from __future__ import annotations

from collections.abc import Sequence

from underoak.places.answers.pairs import PairName


def latin(name: str) -> str:
    """Return the name of a species or a tree as people write it.

    >>> latin("tuber_magnatum")
    'Tuber magnatum'
    """
    return name.replace("_", " ").capitalize()


def pair_words(pairs: Sequence[PairName]) -> str:
    """Return hosts or pairs in words; "no pair" for none.

    >>> pair_words([PairName("populus_alba", "tuber_magnatum"), PairName("pinus_nigra", "tuber_borchii")])
    'Tuber magnatum with Populus alba, Tuber borchii with Pinus nigra'
    """
    if not pairs:
        return "no pair"
    return ", ".join(" with ".join(latin(name) for name in (pair.species, pair.host) if name) for pair in pairs)
