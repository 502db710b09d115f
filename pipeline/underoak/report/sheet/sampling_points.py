"""The soil points of a parcel of a finished run."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError, printable
from underoak.engine.storage.manifest import CaseManifest, Manifest
from underoak.places.answers.verdict import Purpose
from underoak.places.soil.sampling import LARGEST_BAG_HA, RANGE_M, SETBACK_M, SPACING_M, Sampling, sample_parcel
from underoak.places.soil.soil_units import SiteValues, read_sites
from underoak.plan.profiles.profile import load_profile

Doubles = npt.NDArray[np.float64]
_POINT_HA = 1.0  # of land for one point; common practice, no source
_FEWEST, _MOST = 3, 12


def usual_points(area_ha: float) -> int:
    """Return the usual number of soil points: one for each hectare, 3 to 12, and one for each bag at least.

    >>> usual_points(0.4), usual_points(7.2), usual_points(30.0), usual_points(80.0)
    (3, 8, 12, 20)
    """
    return max(min(max(math.ceil(area_ha / _POINT_HA), _FEWEST), _MOST), math.ceil(area_ha / LARGEST_BAG_HA))


def sampled(
    folder: Path, manifest: Manifest, table: Any, place: int, n: int | None = None, range_m: float | None = None,
    setback_m: float = SETBACK_M, spacing_m: float = SPACING_M, kind: str = "parcel",
) -> Sampling:  # fmt: skip
    """Return the soil points of the parcel or zone (`kind`) in a row of its table.

    Soil units differ by the run's memberships. Without `n` there are `usual_points`, or as many as fit. Without
    `range_m` it is the plan's `correlation_range`, else 800 m.

    Raises:
        UnderoakError: E421 when it lies outside the region, E440, E441 as in `places.sample_parcel`, E230 when a raster
            of the run cannot be read.
    """
    check_in_region(manifest, table, place, kind)
    if n is not None:
        return _sampled(folder, manifest, table, place, n, range_m, setback_m, spacing_m, kind)
    for count in range(usual_points(float(table["area_ha"].iloc[place])), 0, -1):
        try:
            return _sampled(folder, manifest, table, place, count, range_m, setback_m, spacing_m, kind)
        except UnderoakError as error:
            if error.faults[0].code != "E441" or count == 1:
                raise
    raise AssertionError("unreachable: the last try returns")


def check_in_region(manifest: Manifest, table: Any, place: int, kind: str) -> None:
    """Refuse a parcel or zone that does not meet the region.

    Raises:
        UnderoakError: E421.
    """
    import shapely

    shape, id = table.geometry.iloc[place], printable(str(table["id"].iloc[place]))
    if shape is None or shape.is_empty or shapely.intersects(shape, shapely.box(*manifest.grid.bounds)):
        return
    what, fix = "lies outside the region, so no map tells of it", "widen the region, or take it off the list"
    raise UnderoakError(Fault("E421", what, f'{kind} "{id}"', fix))


def _sampled(
    folder: Path, manifest: Manifest, table: Any, place: int, n: int, range_m: float | None, setback_m: float,
    spacing_m: float, kind: str,
) -> Sampling:  # fmt: skip
    plan, grid = manifest.spec, manifest.grid
    if range_m is None:
        range_m = (plan.uncertainty.range_m if plan.uncertainty is not None else 0.0) or RANGE_M
    present = [case for case in manifest.cases if not case.scenario]
    soil = [(case.folder, [i for i, criterion in enumerate(case.criteria) if criterion.is_soil]) for case in present]

    def sites_at(x: Doubles, y: Doubles) -> SiteValues:
        sites = [read_sites(folder / case, grid, criteria, x, y) for case, criteria in soil]
        is_open = np.logical_or.reduce([case_sites.is_open for case_sites in sites])  # for one species at least
        return SiteValues(is_open, np.concatenate([case_sites.memberships for case_sites in sites], axis=1))

    shape, id = table.geometry.iloc[place], str(table["id"].iloc[place])
    sampling = sample_parcel(id, shape, grid.crs, n, range_m, setback_m, spacing_m, sites_at, kind)
    may_lime = plan.purpose != Purpose.RESTORE.value and any(map(_may_lime, present))
    return replace(sampling, is_limed=may_lime)


def _may_lime(case: CaseManifest) -> bool:
    """Return whether land of a case may be limed: by the plan, by the profile, or where no truffle is named."""
    is_limed = any(criterion.by == "lime" for criterion in case.criteria)
    return is_limed or not case.species or load_profile(case.species).practice.lime is not None
