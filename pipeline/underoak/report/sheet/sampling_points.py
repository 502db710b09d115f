"""Where to sample a parcel of a finished run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Grid
from underoak.places.soil.sampling import RANGE_M, SETBACK_M, SPACING_M, Sampling, sample_parcel
from underoak.places.soil.soil_units import SiteValues, read_sites, soil_criteria
from underoak.plan.keys.quantities import quantity_in
from underoak.report.text.explanation import parcel_place

Doubles = npt.NDArray[np.float64]


def sampled(
    folder: Path, manifest: Mapping[str, Any], grid: Grid, parcels: Any, parcel: str, n: int,
    range_m: float | None = None, setback_m: float = SETBACK_M, spacing_m: float = SPACING_M,
) -> Sampling:  # fmt: skip
    """Points on one parcel of a run, one soil apart from the other as the run's memberships tell them.

    `range_m` left out is the plan's `correlation_range`, else 800 m.

    Raises:
        UnderoakError: E604 when the run has no such parcel, E440, E441 as in `places.sample_parcel`, E230 when a raster
            of the run cannot be read.
    """
    place = parcel_place(parcels, parcel)
    plan = manifest["plan"]
    if range_m is None:
        said = (plan.get("uncertainty") or {}).get("correlation_range")
        range_m = (quantity_in(said, "m") if said else 0.0) or RANGE_M
    present = [case for case in manifest["views"] if not case["scenario"]]
    soil = [(case["folder"], soil_criteria(case["criteria"], plan["layers"], case["layers"])) for case in present]

    def ground(x: Doubles, y: Doubles) -> SiteValues:
        found = [read_sites(folder / place, grid, criteria, x, y) for place, criteria in soil]
        is_open = np.logical_or.reduce([case.is_open for case in found])  # to one species at least
        return SiteValues(is_open, np.concatenate([case.memberships for case in found], axis=1))

    shape = parcels.geometry.iloc[place]
    return sample_parcel(parcel, shape, grid.crs, n, range_m, setback_m, spacing_m, ground)
