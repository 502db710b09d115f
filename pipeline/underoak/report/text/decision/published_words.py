"""Published figures in sentences: the figure, whose it is, its year, source, grade and trust."""

from __future__ import annotations

from collections.abc import Sequence

from underoak.base.errors import count_of
from underoak.decision.reference.published_ranges import Item, Kind, PublishedFigure, SeenAs, Trust

ITEMS = {
    Item.YIELD: "yield",
    Item.YIELD_TREE: "yield of a tree",
    Item.FIRST_CROP: "first truffle after",
    Item.PRICE: "price at the farm",
    Item.PRICE_RETAIL: "retail price",
    Item.TREES: "trees",
    Item.TREE_PRICE: "price of a plant",
    Item.SET_UP: "set-up without land",
    Item.WIRE: "electric wire",
    Item.IRRIGATION: "irrigation",
    Item.LIME: "lime",
    Item.LIME_WAIT: "wait after liming",
    Item.LIME_UPKEEP: "lime each year",
    Item.HOURS: "work",
    Item.FRESH: "sold fresh",
    Item.LOSS: "loss",
}
_KINDS = {Kind.OBSERVED: "", Kind.HEARSAY: "hearsay", Kind.SELLER: "a seller's figure"}
_SEEN = {
    SeenAs.READ: "passage read",
    SeenAs.CALC: "worked out from a passage that was read",
    SeenAs.CITED: "cited, not seen again",
    SeenAs.MEMORY: "from memory",
    SeenAs.JUDGEMENT: "judgement",
}
_TRUST = {
    Trust.GOOD: "trust good",
    Trust.FAIR: "trust fair",
    Trust.LOW: "trust low",
    Trust.WIDE: "differs widely by place",
}


def span_words(low: float, high: float) -> str:
    """Return the two ends of a figure, or the one number.

    >>> span_words(5000, 8000), span_words(25, 25), span_words(0.2, 1)
    ('5 000 to 8 000', '25', '0.2 to 1')
    """
    return exact(low) if low == high else f"{exact(low)} to {exact(high)}"


def exact(value: float) -> str:
    """Return a number as it was given, in groups of three digits.

    >>> exact(15000.0), exact(0.04), exact(1234.5)
    ('15 000', '0.04', '1 234.5')
    """
    return f"{value:,.10g}".replace(",", " ")


def published_words(figure: PublishedFigure) -> str:
    """Return a published figure with whose it is, year, source, grade and trust."""
    year = "year not stated" if figure.year == "not stated" else figure.year
    origin = [_KINDS[figure.kind], year, figure.source, _SEEN[figure.grade], _TRUST[figure.trust]]
    unit = "%" if figure.unit == "percent" else figure.unit
    span = span_words(figure.low, figure.high)
    return f"{ITEMS[figure.item]} {span} {unit}: {figure.text} ({'; '.join(filter(None, origin))})"


def range_words(figures: Sequence[PublishedFigure]) -> list[str]:
    """Return a line for each item and unit: the range of its figures, how many they are, how far to trust them."""
    groups: dict[tuple[Item, str], list[PublishedFigure]] = {}
    for each in figures:
        groups.setdefault((each.item, each.unit), []).append(each)
    return [_range(item, unit, group) for (item, unit), group in groups.items()]


def _range(item: Item, unit: str, group: Sequence[PublishedFigure]) -> str:
    span = span_words(min(each.low for each in group), max(each.high for each in group))
    trust = ", ".join(dict.fromkeys(_TRUST[each.trust] for each in group))
    return f"{ITEMS[item]} {span} {'%' if unit == 'percent' else unit} ({count_of(len(group), 'figure')}; {trust})"
