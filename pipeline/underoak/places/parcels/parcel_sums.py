"""What is summed over the land of each parcel, and all else about parcels is worked out from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from underoak.places.answers.not_judged import NotJudged

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ParcelSums:
    """Sums over the land of each parcel, (parcels,) unless stated; areas in cells of the analysis grid."""

    ids: tuple[str, ...]
    refused: tuple[NotJudged | None, ...]  # no shape, or not native: not judged whatever the sums are
    area_ha: Doubles
    area: Doubles  # of the parcel
    covered: Doubles  # its part inside the grid
    judged: Doubles
    excluded: Doubles
    beyond: Doubles  # inside the grid, outside the region
    suitability: Doubles  # sum over judged land
    shared: Doubles  # covered by other parcels too, at least
    classes: Doubles  # judged land by class, (parcels, 4)
    membership: Doubles  # sum of each criterion's memberships over judged land, (parcels, criteria)
    known: Doubles  # judged land where the criterion has one, (parcels, criteria)
    weakest: Doubles  # judged land by limiting criterion, the last column where nothing limits
    gainful: Doubles
    value: Doubles  # sum of each criterion's values where it has a membership; (parcels, 0) when not requested
    below: Doubles  # membership that is lost below the best range
    above: Doubles  # and above it
    excluded_by: Doubles  # excluded land by constraint, (parcels, constraints); several may apply to one cell
    missing_by: Doubles = field(default_factory=lambda: np.empty((0, 0)))  # missing land by criterion that lacks data
    layers: tuple[str, ...] = ()  # of the criteria; empty if they are not to be named
