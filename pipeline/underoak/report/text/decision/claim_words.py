"""The check of a seller's claims in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from underoak.base.number_words import figure
from underoak.decision.money.claim import CheckedClaim, Place, Proof, Trap
from underoak.decision.money.written_claim import ClaimItem, Per
from underoak.decision.reference.published_ranges import Item, figures_of
from underoak.report.text.decision.published_words import span_words

_NAMES = {
    ClaimItem.YIELD: "Yield",
    ClaimItem.FIRST_CROP: "First truffle",
    ClaimItem.TREES: "Trees",
    ClaimItem.PRICE: "Price",
}
PROOFS = {
    Proof.SALES_SLIPS: "the sales slips of three years, with weights, grades and buyers",
    Proof.BEARING_TREES: "a map of the trees that have borne, with years: how many of how many",
    Proof.DOG: "a visit in season with a dog of your own choice, on trees of your choice",
    Proof.ROOT_TEST: "a root test by a laboratory, on trees that you pick",
    Proof.CERTIFICATES: "the plant certificates and the invoice: which species, which nursery, which year",
}
CAUTION = (
    "A claim within the figures is not true for that, and one beyond them not false: nobody has counted suited fields, "
    "and most figures are hearsay or sellers'. Screening, not advice: let someone licensed read the books and the "
    "contract."
)


def claim_sentences(checked: CheckedClaim) -> Iterator[str]:
    """Yield what is to be said of one claim: where it lies, then what the number may hide."""
    claim = checked.claim
    yield f"{_NAMES[claim.item]}, {claim.text.partition('=')[2]}: {_place(checked)}"
    for trap in checked.traps:
        if sentence := _trap(trap, checked):
            yield sentence
    if checked.per_tree is not None and claim.per is Per.HECTARE:
        spans = " and ".join(span_words(f.low, f.high) for f in figures_of(Item.YIELD_TREE))
        yield (
            f"With the trees that are claimed it is {_span(*checked.per_tree)} kg a tree and year; sellers have named "
            f"{spans}."
        )


def _span(low: float, high: float) -> str:
    return figure(low) if figure(low) == figure(high) else f"{figure(low)} to {figure(high)}"


def _place(checked: CheckedClaim) -> str:
    count, figures = len(checked.figures), checked.figures
    if checked.place is Place.NOT_COMPARED:
        return "not compared."
    unit = "" if checked.unit in checked.claim.text else f"{_span(checked.low, checked.high)} {checked.unit}, "
    if checked.place is Place.BEYOND:
        most = max(f.high for f in figures)
        largest = f"the largest of which is {figure(most)} {checked.unit}"
        return f"{unit}beyond every figure on file, {largest} ({_order(checked)})."
    if checked.place is Place.BELOW:
        least = min(f.low for f in figures)
        sooner = "sooner than" if checked.claim.item is ClaimItem.FIRST_CROP else "below"
        return f"{unit}{sooner} every figure on file, the least of which is {figure(least)} {checked.unit}."
    return f"{unit}within the {count} figures on file ({_order(checked)})."


def _order(checked: CheckedClaim) -> str:
    count = len(checked.figures)
    lower, higher = ("sooner", "later") if checked.claim.item is ClaimItem.FIRST_CROP else ("lower", "higher")
    text = f"{checked.lower} of {count} {'is' if checked.lower == 1 else 'are'} {lower}"
    return text if checked.higher == 0 else f"{text}, {checked.higher} {higher}"


def _trap(trap: Trap, checked: CheckedClaim) -> str:
    low, high = checked.low, checked.high
    match trap:
        case Trap.PER_TREE:
            return f"It is per tree: times the trees that are claimed it is {_span(low, high)} kg/ha a year."
        case Trap.TREES_UNKNOWN:
            trees = figures_of(Item.TREES)
            span = f"{figure(min(f.low for f in trees))} to {figure(max(f.high for f in trees))}"
            return (
                f"It is per tree, and no number of trees is claimed: at {span} trees/ha it is {_span(low, high)} kg/ha."
            )
        case Trap.GRAMS:
            return (
                f"If grams are meant where kilograms are written, it is {_span(low / 1000, high / 1000)} kg/ha: ask "
                "for the unit in writing."
            )
        case Trap.CONVERTED:
            return f"Converted to {_span(low, high)} {checked.unit}; figures on file are per hectare and kilogram."
        case Trap.BEARING_ONLY:
            return "Ask of what land: of all hectares planted, or only of trees that bear, and in which years."
        case Trap.FIRST_IS_NOT_FULL:
            return "A first truffle is no crop: ask for the year from which the crop covers its costs."
        case Trap.RETAIL:
            spans = " and ".join(span_words(f.low, f.high) for f in figures_of(Item.PRICE_RETAIL))
            return f"Shops and markets have asked {spans} EUR/kg: a farm does not get that."
        case Trap.OTHER_CURRENCY:
            return "The prices on file are in EUR. Convert it yourself, with the rate of a day that you name."
        case Trap.OTHER_SPECIES:
            return "The prices on file are of black truffle: other species and grades bring other prices."
