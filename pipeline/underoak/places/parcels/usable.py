"""The usable land of parcels: what is judged and not excluded, and whether it is enough to plant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base.number_words import TIE
from underoak.places.answers.verdict import TooSmall

if TYPE_CHECKING:
    from underoak.places.parcels.parcel_sums import ParcelSums

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class UsableLand:
    """The usable land of every parcel, (parcels,)."""

    ha: Doubles  # true area; NaN without a shape
    trees: Doubles | None  # that fit on it; None where rows are not planted, as on wild ground
    too_small: Sequence[TooSmall | None]


def usable_shares(sums: ParcelSums) -> Doubles:
    """Return the share of each parcel that is judged and not excluded, by exact shares of cells, (parcels,).

    NaN without an area.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = sums.judged / sums.area
    is_all = np.abs(shares - 1.0) <= 1e-9  # the sum over cells may end a rounding step away
    exact: Doubles = np.where(is_all, 1.0, np.minimum(shares, 1.0))
    return exact


def usable_land(sums: ParcelSums, least_ha: float, trees: Doubles | None = None) -> UsableLand:
    """Return the usable land of every parcel; too small below `least_ha`, or where no tree fits."""
    ha = sums.area_ha * usable_shares(sums)
    too_small: list[TooSmall | None] = [None] * len(ha)
    for parcel in np.flatnonzero(ha < least_ha - TIE).tolist():
        too_small[parcel] = TooSmall.AREA
    for parcel in [] if trees is None else np.flatnonzero(trees == 0.0).tolist():
        too_small[parcel] = too_small[parcel] or TooSmall.TREES
    return UsableLand(ha, trees, tuple(too_small))
