"""The check of a seller's claims against published figures: where each lies, traps of units, what to ask for.

A claim beyond all figures on file need not be false, and one within need not be true: nobody has counted suited fields.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from underoak.base.errors import Problems
from underoak.decision.money.written_claim import ClaimItem, Per, WrittenClaim, read_claims
from underoak.decision.reference.published_ranges import Item, PublishedFigure, figures_of


class Place(StrEnum):
    """Where a claim lies among the figures on file."""

    BELOW = "below"  # below every one
    WITHIN = "within"
    BEYOND = "beyond"  # above every one
    NOT_COMPARED = "not compared"


class Trap(StrEnum):
    """What a number may hide."""

    PER_TREE = "per tree"  # multiplied by the trees that the seller names
    TREES_UNKNOWN = "per tree, trees unknown"  # multiplied by the trees on file
    GRAMS = "grams"  # a thousandth of it would lie within: grams may be meant
    CONVERTED = "converted"  # from pounds, ounces or acres
    BEARING_ONLY = "bearing only"  # of all hectares planted, or of the trees that bear
    FIRST_IS_NOT_FULL = "first is not full"  # a first truffle is no crop
    RETAIL = "retail"  # within what shops ask, not what farms get
    OTHER_CURRENCY = "other currency"
    OTHER_SPECIES = "other species"  # the prices on file are of black truffle


class Proof(StrEnum):
    """What to ask a seller for."""

    SALES_SLIPS = "sales slips"
    BEARING_TREES = "bearing trees"
    DOG = "dog"
    ROOT_TEST = "root test"
    CERTIFICATES = "certificates"


@dataclass(frozen=True, slots=True)
class CheckedClaim:
    """A claim beside the figures on file."""

    claim: WrittenClaim
    low: float  # in the unit of the figures
    high: float
    unit: str
    figures: tuple[PublishedFigure, ...]  # those that it is compared with
    place: Place
    lower: int  # figures that lie below all of the claim
    higher: int  # figures that lie above all of it
    traps: tuple[Trap, ...]
    per_tree: tuple[float, float] | None = None  # yield of a tree [kg] that the claim comes to; None where not known


_ITEMS = {
    ClaimItem.YIELD: Item.YIELD,
    ClaimItem.FIRST_CROP: Item.FIRST_CROP,
    ClaimItem.TREES: Item.TREES,
    ClaimItem.PRICE: Item.PRICE,
}
_CONVERTED = ("lb", "oz", "ac")  # in a unit as written
PROOFS = {
    ClaimItem.YIELD: (Proof.SALES_SLIPS, Proof.BEARING_TREES, Proof.DOG, Proof.ROOT_TEST),
    ClaimItem.FIRST_CROP: (Proof.CERTIFICATES, Proof.DOG),
    ClaimItem.TREES: (Proof.CERTIFICATES,),
    ClaimItem.PRICE: (Proof.SALES_SLIPS,),
}


def check_claims(words: Sequence[str]) -> tuple[CheckedClaim, ...]:
    """Check the claims in some words, such as `yield=600kg/ha`.

    >>> (checked,) = check_claims(["yield=600kg/ha"])
    >>> checked.place.value, checked.lower, len(checked.figures)
    ('beyond', 7, 7)

    Raises:
        UnderoakError: E385, E386 with every fault.
    """
    problems = Problems()
    claims = read_claims(words, problems)
    problems.stop_if_any()
    trees = next(((each.low, each.high) for each in claims if each.item is ClaimItem.TREES), None)
    return tuple(_check(claim, trees) for claim in claims)


def proofs_for(claims: Sequence[CheckedClaim]) -> tuple[Proof, ...]:
    """Return what to ask the seller for, each once."""
    needed = {proof for each in claims for proof in PROOFS[each.claim.item]}
    return tuple(proof for proof in Proof if proof in needed)


def _check(claim: WrittenClaim, trees: tuple[float, float] | None) -> CheckedClaim:
    figures = figures_of(_ITEMS[claim.item])
    low, high, per_tree = claim.low, claim.high, None
    if claim.item is ClaimItem.YIELD:
        on_file = figures_of(Item.TREES)
        if claim.per is Per.TREE:
            least, most = trees or (min(f.low for f in on_file), max(f.high for f in on_file))
            low, high, per_tree = claim.low * least, claim.high * most, (claim.low, claim.high)
        elif trees is not None:
            per_tree = low / trees[1], high / trees[0]
    if claim.item is ClaimItem.PRICE and claim.currency != "EUR":
        figures = ()
    place = place_of(low, high, figures)
    lower, higher = sum(f.high < low for f in figures), sum(f.low > high for f in figures)
    traps = tuple(_traps(claim, low, high, figures, trees is not None))
    unit = f"{claim.currency}/kg" if claim.item is ClaimItem.PRICE else figures[0].unit
    return CheckedClaim(claim, low, high, unit, figures, place, lower, higher, traps, per_tree)


def place_of(low: float, high: float, figures: Sequence[PublishedFigure]) -> Place:
    """Return where a claim lies; one that reaches out of the figures at both ends lies beyond them."""
    if not figures:
        return Place.NOT_COMPARED
    if high > max(figure.high for figure in figures):
        return Place.BEYOND
    return Place.BELOW if low < min(figure.low for figure in figures) else Place.WITHIN


def _fits_in_grams(kg_ha: float, figures: Sequence[PublishedFigure]) -> bool:
    """Return whether a thousandth of a yield lies among the figures."""
    least = min(figure.low for figure in figures if figure.low > 0.0)
    return least <= kg_ha / 1000.0 <= max(figure.high for figure in figures)


def _traps(
    claim: WrittenClaim, low: float, high: float, figures: Sequence[PublishedFigure], has_trees: bool
) -> Iterator[Trap]:
    if claim.item is ClaimItem.YIELD and claim.per is Per.TREE:
        yield Trap.PER_TREE if has_trees else Trap.TREES_UNKNOWN
    is_beyond = place_of(low, high, figures) is Place.BEYOND
    if claim.item is ClaimItem.YIELD and is_beyond and _fits_in_grams(low, figures):
        yield Trap.GRAMS
    if any(word in claim.unit for word in _CONVERTED):
        yield Trap.CONVERTED
    if claim.item is ClaimItem.YIELD:
        yield Trap.BEARING_ONLY
    if claim.item is ClaimItem.FIRST_CROP:
        yield Trap.FIRST_IS_NOT_FULL
    if claim.item is ClaimItem.PRICE:
        if not figures:
            yield Trap.OTHER_CURRENCY
        elif is_beyond and low <= max(figure.high for figure in figures_of(Item.PRICE_RETAIL)):
            yield Trap.RETAIL
        yield Trap.OTHER_SPECIES
