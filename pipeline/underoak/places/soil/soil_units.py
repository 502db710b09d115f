"""Soil units: soils that the maps tell apart within a parcel, from the memberships of a finished run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base import units
from underoak.base.codes import EXCLUDED
from underoak.base.grid import Grid, Window
from underoak.engine.write.finished_rasters import CLASS_TIF, MEMBERSHIPS_TIF, open_finished
from underoak.engine.write.outputs import MEMBERSHIP_STEPS
from underoak.indicators.registry import get
from underoak.plan.keys.layer import LayerSpec

if TYPE_CHECKING:
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
Longs = npt.NDArray[np.int64]

APART = 0.25  # memberships of one soil differ by no more: a class, as the classes are cut unless a plan says otherwise
SMALLEST = 0.1  # least share of the land of a soil unit; common practice, no source
UNKNOWN = -1
# units that are not of the soil: heights, distances, angles, temperatures, rain
_NOT_SOIL = ("m", "km", "ft", "degree", "radian", "degC", "K", "degF", "delta_degC", "mm")


class SiteValues(NamedTuple):
    """The state of places in a run, (places,) unless stated."""

    is_open: npt.NDArray[np.bool_]  # no constraint excludes it
    memberships: Doubles  # of the soil's criteria, NaN where the map has none, (places, criteria)


def soil_criteria(plan: Plan, unit_of: Mapping[str, str]) -> list[int]:
    """Return the criteria of a plan that describe the soil, as indices in its order; `unit_of` gives layers' units."""
    return [
        i
        for i, criterion in enumerate(plan.criteria)
        if is_soil(plan.layers[criterion.layer], unit_of.get(criterion.layer, ""), criterion.is_soil)
    ]


def is_soil(layer: LayerSpec, unit: str, by_profile: bool | None = None) -> bool:
    """Return whether a layer in a unit describes the soil, so that a laboratory or a spade can test it.

    The first of these that is declared decides: the layer's key `is_soil`; the criterion of the species profile
    (`by_profile`); the indicator that the layer is derived by. If none is, the layer comes from a file and the plan
    gives the criterion: it counts as soil unless it is taken over months, or its unit measures a height, a distance,
    an angle, a temperature or rain.

    >>> thickness = LayerSpec.model_validate({"file": "a.tif", "unit": "m"})
    >>> is_soil(thickness, "m"), is_soil(thickness, "m", by_profile=True)
    (False, True)
    >>> top = {"from": {"cm_0_5": "a", "cm_5_15": "b", "cm_15_30": "c"}, "derive": "mean_0_30cm"}
    >>> is_soil(LayerSpec.model_validate(top), "pH")
    True
    """
    if layer.is_soil is not None:
        return layer.is_soil
    if by_profile is not None:
        return by_profile
    if layer.derive is not None:
        return get(layer.derive).is_soil
    if layer.months or layer.season or layer.reduce:
        return False
    return not (unit and units.canonical_name(unit) in _NOT_SOIL)


def read_sites(folder: Path, grid: Grid, criteria: Sequence[int], x: Doubles, y: Doubles) -> SiteValues:
    """What a case's rasters say at places of the grid's CRS; those off the grid are open, and nothing else is known.

    Raises:
        UnderoakError: E230 when a raster of the run cannot be read.
    """
    u, v = grid.uv(x, y)
    col, row = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    inside = (col >= 0) & (col < grid.cols) & (row >= 0) & (row < grid.rows)
    is_open, memberships = np.ones(len(x), np.bool_), np.full((len(x), len(criteria)), np.nan)
    if not inside.any():
        return SiteValues(is_open, memberships)
    top, left = int(row[inside].min()), int(col[inside].min())
    window = Window(top, left, int(row[inside].max()) - top + 1, int(col[inside].max()) - left + 1)
    cells = row[inside] - top, col[inside] - left
    with open_finished(folder, CLASS_TIF) as classes:
        is_open[inside] = classes.stored(window)[cells] != EXCLUDED
    with open_finished(folder, MEMBERSHIPS_TIF) as stored:
        for i, criterion in enumerate(criteria):
            steps = stored.stored(window, criterion)[cells]
            memberships[inside, i] = np.where(steps <= MEMBERSHIP_STEPS, steps / float(MEMBERSHIP_STEPS), np.nan)
    return SiteValues(is_open, memberships)


def soils_of(memberships: Doubles, apart: float = APART, smallest: float = SMALLEST) -> Longs:
    """Which soil each place belongs to, numbered by where they come first; -1 where some membership is not known.

    Places of one soil differ in no membership by more than `apart` (complete linkage); a soil that is smaller than
    `smallest` of the known places goes with the one most like it.

    >>> soils_of(np.array([[1.0], [0.9], [0.2], [np.nan], [0.3]])).tolist()
    [0, 0, 1, -1, 1]
    """
    soils = np.full(len(memberships), UNKNOWN)
    known = ~np.isnan(memberships).any(axis=1)
    if memberships.shape[1] == 0 or not known.any():
        soils[known] = 0
        return soils
    kinds, of_place, count = np.unique(memberships[known], axis=0, return_inverse=True, return_counts=True)
    group = _linked(kinds, apart)
    size = np.bincount(group, count)
    large = np.flatnonzero(size >= max(smallest * known.sum(), 1.0))
    large = large if len(large) else np.array([int(size.argmax())])
    weighted = np.column_stack([np.bincount(group, count * column) for column in kinds.T]) / size[:, None]
    for small in np.setdiff1d(np.arange(len(size)), large):
        group[group == small] = large[np.abs(weighted[large] - weighted[small]).max(axis=1).argmin()]
    soil = group[of_place.reshape(-1)]
    _, first, number = np.unique(soil, return_index=True, return_inverse=True)
    soils[known] = np.argsort(np.argsort(first))[number]
    return soils


def _linked(kinds: Doubles, apart: float) -> Longs:
    from scipy.cluster.hierarchy import fcluster, linkage

    if len(kinds) == 1:
        return np.zeros(1, np.int64)
    tree = linkage(kinds, "complete", "chebyshev")
    return np.asarray(fcluster(tree, apart + 1e-9, "distance"), np.int64) - 1
