"""How certain the order of parcels is, in sentences."""

from __future__ import annotations

from underoak.base.errors import count_of
from underoak.places.verdicts.rank_order import Order

_ABOUT_EQUAL = 0.1  # of the share 0.5


def order_lines(order: Order) -> list[str]:
    """Return the sentences on the first two parcels, the first one, and what was ranked."""
    ranks, lead = order.ranks, first_two(order)
    lines = [
        f"{f'{lead}; ' if lead else ''}{order.ids[0]} is first in {_percent(ranks.first[0])} "
        f"(standard error {_percent(order.first_error[0])}) and among the first three "
        f"in {_percent(ranks.top(min(3, len(order.ids)))[0])}. {ranks.draws:,} draws of the weights over "
        f"{ranks.data_draws} of the data: the standard error of a share is at most {order.error:.3f}."
    ]
    if order.left_out:
        lines.append(
            f"Only the best {count_of(len(order.ids), 'parcel')} were ranked against each other, "
            f"{count_of(order.left_out, 'was', 'were')} not."
        )
    return lines


def first_two(order: Order) -> str:
    """Return how the first two parcels compare over the draws, without a full stop; "" where they were not compared."""
    pair = order.first_over_second
    if pair is None:
        return ""
    first, second, share = pair
    if abs(share - 0.5) <= _ABOUT_EQUAL:
        return f"{first} and {second} rank about equally ({first} is ahead in {_percent(share)} of draws)"
    return f"{first} comes before {second} in {_percent(share)} of the draws of weights and data"


def lead_words(order: Order) -> str:
    """Return how certain the first place is, in one short sentence."""
    return f"{first_two(order) or f'{order.ids[0]} is first in {_percent(order.ranks.first[0])}'}."


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %"
