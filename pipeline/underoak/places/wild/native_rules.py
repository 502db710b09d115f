"""The rules of the native range: wild ground outside it is refused, crops outside it get a warning."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from underoak.base.errors import Problems
from underoak.engine.judge.recipe import ShapeMask
from underoak.engine.prepare.prepare import Prepared
from underoak.layers.formats.vector import read_features
from underoak.layers.shapes.coverage import polygon_edges
from underoak.places.answers.native import NativeState, ZoneState
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.columns.column import arrange
from underoak.places.columns.zones import ZONES
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.sums import ParcelSumsReducer
from underoak.places.wild.native_range import LocalRange, NativeRange, native_range
from underoak.places.wild.zone_parts import zone_of_part
from underoak.plan.case import Case
from underoak.plan.plan import Plan

if TYPE_CHECKING:
    import geopandas as gpd

CONSTRAINT = "outside_native_range"
_NOT_NATIVE = NotJudged(Cause.NOT_NATIVE)
_CROPS = ("buy", "orchard")
_NOTHING = 1e-9  # share of an area


def exclude_non_native(plan: Plan, prepared: Prepared, strict: bool = False) -> Prepared:
    """Return the prepared plan without land that its species may not be brought to, and with warnings.

    To restore, land outside the range is excluded for each species before anything is judged; a region that lies
    outside altogether is a fault (E338), one that reaches beyond or needs evidence gets a warning (W432, W433). To buy
    or for an orchard, growing a species where it is not native gets a warning (W431). Nothing overrides a refusal.

    Raises:
        UnderoakError: E338, and every warning when strict.
    """
    if plan.purpose not in ("restore", *_CROPS):
        return prepared
    problems = Problems(warnings=list(prepared.warnings))
    region = region_shape(plan, prepared)
    masks: dict[Case, tuple[ShapeMask, ...]] = {}
    for ready in prepared.cases:
        if not ready.case.species:
            continue
        local = range_of(ready.plan, prepared)
        shares = local.shares(region)
        if plan.purpose == "restore":
            _warn_restoring(ready.plan, shares, problems)
            edges = polygon_edges(np.array([local.allowed], object), prepared.grid)
            masks[ready.case] = (ShapeMask(CONSTRAINT, edges, "outside", "centre"),)
        elif shares[NativeState.NATIVE] < 1.0 - _NOTHING:
            _warn_growing(ready.plan, shares, problems)
    problems.stop_if_any(strict)
    recipes = tuple(replace(each, shapes=masks.get(each.case, each.shapes)) for each in prepared.recipe.cases)
    recipe = replace(prepared.recipe, cases=recipes)
    return replace(prepared, recipe=recipe, warnings=tuple(problems.warnings))


def range_of(plan: Plan, prepared: Prepared) -> LocalRange:
    """Return the native range of a plan's species around its grid, narrowed as the plan says."""
    assert plan.species is not None
    full_range: NativeRange = native_range(plan.species)
    if plan.spec.native is not None:
        given = plan.spec.native
        shapes = read_features(plan.base / given.file, given.features, "EPSG:4326", problems=Problems(), where="native")
        full_range = full_range.narrowed(shapely.union_all(shapes.geometry.to_numpy()))
    return full_range.on(prepared.grid)


def region_shape(plan: Plan, prepared: Prepared) -> Any:
    """Return the region that is judged, in the grid's CRS."""
    spec = plan.region
    if spec.area is None:
        return shapely.box(*prepared.grid.bounds)
    # the file was read before, and its warnings given
    outline = read_features(plan.base / spec.area, spec.features, spec.crs, problems=Problems(), where="region.area")
    return shapely.union_all(outline.geometry.to_numpy())


def _warn_restoring(plan: Plan, shares: dict[NativeState, float], problems: Problems) -> None:
    assert plan.profile is not None
    name, words = plan.profile.latin, plan.profile.native.words
    if shares[NativeState.OUTSIDE] > 1.0 - _NOTHING:
        what = (
            f"the whole region lies outside the native range of {name} ({words}), so it cannot be judged for "
            "restoration"
        )
        problems.add(
            "E338", what, "region", "restore a truffle that is native there; to grow it as a crop, use another purpose"
        )
        return
    if shares[NativeState.OUTSIDE] > _NOTHING:
        outside = _share(shares[NativeState.OUTSIDE])
        what = f"{outside} of the region lies outside the native range of {name}: refused, and not judged"
        problems.add("W432", what, "region", "zones that the border cuts are refused")
    if shares[NativeState.EVIDENCE] > _NOTHING:
        what = f"on {_share(shares[NativeState.EVIDENCE])} of the region {name} needs evidence that it is native"
        problems.add(
            "W433", what, "region", "first find a dated wild record nearby, or search with a dog or by soil DNA"
        )


def _warn_growing(plan: Plan, shares: dict[NativeState, float], problems: Problems) -> None:
    assert plan.profile is not None
    where = (
        "here"
        if shares[NativeState.NATIVE] < _NOTHING
        else f"on {_share(1.0 - shares[NativeState.NATIVE])} of the region"
    )
    what = f"{plan.profile.latin} is not known to be native {where} ({plan.profile.native.words})"
    problems.add("W431", what, "region", "keep it away from wild truffle ground, and plant certified trees only")


def _share(share: float) -> str:
    return "all" if share > 1.0 - _NOTHING else "less than 1 %" if share < 0.01 else f"{share * 100:.0f} %"


def drop_non_native(reducer: ParcelSumsReducer, plan: Plan, parcels: Parcels, prepared: Prepared) -> ParcelSumsReducer:
    """Return the reducer of parcels; to restore, those outside the range, wholly or in part, are refused."""
    if plan.purpose != "restore":
        return reducer
    local = range_of(plan, prepared)
    is_outside = [shape is not None and local.state(shape) is NativeState.OUTSIDE for shape in parcels.shapes]
    refused = zip(reducer.refused, is_outside, strict=True)
    return replace(reducer, refused=tuple(before or (_NOT_NATIVE if outside else None) for before, outside in refused))


def mark_cut_zones(zones: gpd.GeoDataFrame, local: LocalRange) -> gpd.GeoDataFrame:
    """Return zones with a column `native_range`; those that the border cuts come last, without rank and figures.

    Land outside was not judged, so no zone lies there altogether. A zone that was cut into parts is refused as a whole:
    where the border meets one of its parts, all are refused.
    """
    import pandas as pd

    states = [local.state(shape) for shape in zones.geometry]
    origins = [zone_of_part(id) for id in zones["id"]]
    met = {origin for origin, state in zip(origins, states, strict=True) if state is NativeState.OUTSIDE}
    states = [NativeState.OUTSIDE if origin in met else state for origin, state in zip(origins, states, strict=True)]
    refused = np.array([state is NativeState.OUTSIDE for state in states], bool)
    marked = zones.copy()
    marked["native_range"] = pd.Series(
        [ZoneState.CUT if state is NativeState.OUTSIDE else ZoneState(state.value) for state in states],
        index=marked.index, dtype=object,
    )  # fmt: skip
    ranks = np.cumsum(~refused)
    marked["rank"] = pd.array(
        [None if is_refused else int(rank) for is_refused, rank in zip(refused, ranks, strict=True)], dtype="Int64"
    )
    for name in marked.columns.drop(["id", "rank", "area_ha", "cells", "native_range", "geometry"]):
        marked[name] = marked[name].where(~refused, None if marked[name].dtype == object else np.nan)
    order = np.argsort(refused, kind="stable")
    return arrange(marked.iloc[order].reset_index(drop=True), ZONES)
