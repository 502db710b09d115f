"""The soil points of a parcel of a finished run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.engine.storage.manifest import Manifest
from underoak.places.soil.sampling import RANGE_M, SETBACK_M, SPACING_M, Sampling, sample_parcel
from underoak.places.soil.soil_units import SiteValues, read_sites
from underoak.report.terminal.explanation import parcel_place

Doubles = npt.NDArray[np.float64]


def sampled(
    folder: Path, manifest: Manifest, parcels: Any, parcel: str, n: int,
    range_m: float | None = None, setback_m: float = SETBACK_M, spacing_m: float = SPACING_M,
) -> Sampling:  # fmt: skip
    """Return the soil points of one parcel; soil units differ by the run's memberships.

    Without `range_m` it is the plan's `correlation_range`, else 800 m.

    Raises:
        UnderoakError: E604 when the run has no such parcel, E440, E441 as in `places.sample_parcel`, E230 when a raster
            of the run cannot be read.
    """
    place = parcel_place(parcels, parcel)
    plan, grid = manifest.spec, manifest.grid
    if range_m is None:
        range_m = (plan.uncertainty.range_m if plan.uncertainty is not None else 0.0) or RANGE_M
    present = [case for case in manifest.cases if not case.scenario]
    soil = [(case.folder, [i for i, criterion in enumerate(case.criteria) if criterion.is_soil]) for case in present]

    def sites_at(x: Doubles, y: Doubles) -> SiteValues:
        sites = [read_sites(folder / place, grid, criteria, x, y) for place, criteria in soil]
        is_open = np.logical_or.reduce([case_sites.is_open for case_sites in sites])  # for one species at least
        return SiteValues(is_open, np.concatenate([case_sites.memberships for case_sites in sites], axis=1))

    shape = parcels.geometry.iloc[place]
    return sample_parcel(parcel, shape, grid.crs, n, range_m, setback_m, spacing_m, sites_at)
