"""Holds a plan's ground against the native range of its species: wild ground is refused outside, crops get a notice."""

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
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.sums import ParcelSumsReducer
from underoak.places.wild.native_range import EVIDENCE, NATIVE, OUTSIDE, LocalRange, NativeRange, native_range
from underoak.plan.plan import Plan

if TYPE_CHECKING:
    import geopandas as gpd

CONSTRAINT = "outside_native_range"
REFUSED = "outside the native range"
CUT = "refused: the border of the native range cuts it"
_CROPS = ("buy", "orchard")
_NOTHING = 1e-9  # share of an area


def exclude_non_native(plan: Plan, prepared: Prepared, strict: bool = False) -> Prepared:
    """The plan made ready, less ground that its species may not be brought to; with what there is to tell of that.

    To restore, ground outside the range is excluded for each species before anything is judged; a region that lies
    outside altogether is a fault (E338), one that reaches beyond or needs evidence is told (W432, W433). To buy or for
    an orchard, growing a species where it is not native is told (W431). There is no way round a refusal.

    Raises:
        UnderoakError: E338, and every warning when strict.
    """
    if plan.purpose not in ("restore", *_CROPS):
        return prepared
    problems = Problems(warnings=list(prepared.warnings))
    region = region_shape(plan, prepared)
    cases = list(prepared.recipe.cases)
    for at, case in enumerate(plan.cases):
        if not case.species:
            continue
        local = range_of(case.plan, prepared)
        shares = local.shares(region)
        if plan.purpose == "restore":
            _tell_restoring(case.plan, shares, problems)
            outside = ShapeMask(
                CONSTRAINT, polygon_edges(np.array([local.ground], object), prepared.grid), "outside", "centre"
            )
            cases[at] = replace(cases[at], shapes=(outside,))
        elif shares[NATIVE] < 1.0 - _NOTHING:
            _tell_growing(case.plan, shares, problems)
    problems.stop_if_any(strict)
    recipe = replace(prepared.recipe, cases=tuple(cases))
    return replace(prepared, recipe=recipe, warnings=tuple(problems.warnings))


def range_of(plan: Plan, prepared: Prepared) -> LocalRange:
    """The native range of a plan's species around its grid, narrowed as the plan says."""
    assert plan.species is not None
    found: NativeRange = native_range(plan.species)
    if plan.spec.native is not None:
        given = plan.spec.native
        shapes = read_features(plan.base / given.file, given.features, "EPSG:4326", problems=Problems(), where="native")
        found = found.narrowed(shapely.union_all(shapes.geometry.to_numpy()))
    return found.on(prepared.grid)


def region_shape(plan: Plan, prepared: Prepared) -> Any:
    """The region that is judged, in the grid's CRS."""
    spec = plan.region
    if spec.area is None:
        return shapely.box(*prepared.grid.bounds)
    # read once before, so what there is to tell of it has been told
    outline = read_features(plan.base / spec.area, spec.features, spec.crs, problems=Problems(), where="region.area")
    return shapely.union_all(outline.geometry.to_numpy())


def _tell_restoring(plan: Plan, shares: dict[str, float], problems: Problems) -> None:
    assert plan.profile is not None
    name, words = plan.profile.latin, plan.profile.native.words
    if shares[OUTSIDE] > 1.0 - _NOTHING:
        what = f"the whole region lies outside the native range of {name} ({words}), and wild ground there is refused"
        problems.add(
            "E338", what, "region", "restore a truffle that is native there; to grow it as a crop is another plan"
        )
        return
    if shares[OUTSIDE] > _NOTHING:
        what = (
            f"{_share(shares[OUTSIDE])} of the region lies outside the native range of {name}: refused, and not judged"
        )
        problems.add("W432", what, "region", "zones that the border cuts are refused whole")
    if shares[EVIDENCE] > _NOTHING:
        what = f"on {_share(shares[EVIDENCE])} of the region {name} needs evidence that it is native"
        problems.add(
            "W433", what, "region", "find a dated wild record near by, or search with a dog or by soil DNA, first"
        )


def _tell_growing(plan: Plan, shares: dict[str, float], problems: Problems) -> None:
    assert plan.profile is not None
    where = "here" if shares[NATIVE] < _NOTHING else f"on {_share(1.0 - shares[NATIVE])} of the region"
    what = f"{plan.profile.latin} is not known to be native {where} ({plan.profile.native.words})"
    problems.add("W431", what, "region", "keep it away from wild truffle ground, and plant certified trees only")


def _share(share: float) -> str:
    return "all" if share > 1.0 - _NOTHING else "less than 1 %" if share < 0.01 else f"{share * 100:.0f} %"


def drop_non_native(tally: ParcelSumsReducer, plan: Plan, parcels: Parcels, prepared: Prepared) -> ParcelSumsReducer:
    """The tally of parcels, to restore without those that lie outside the range, wholly or in part."""
    if plan.purpose != "restore":
        return tally
    local = range_of(plan, prepared)
    reasons = [REFUSED if shape is not None and local.state(shape) == OUTSIDE else "" for shape in parcels.shapes]
    return replace(tally, shapeless=tuple(own or why for own, why in zip(tally.shapeless, reasons, strict=True)))


def mark_cut_zones(zones: gpd.GeoDataFrame, local: LocalRange) -> gpd.GeoDataFrame:
    """Zones with a column `native_range`; those that the border cuts come last, without rank and without figures.

    Ground outside was not judged, so no zone lies there altogether.
    """
    import pandas as pd

    states = [local.state(shape) for shape in zones.geometry]
    refused = np.array([state == OUTSIDE for state in states], bool)
    made = zones.copy()
    made["native_range"] = [CUT if state == OUTSIDE else state for state in states]
    ranks = np.cumsum(~refused)
    made["rank"] = pd.array(
        [None if out else int(rank) for out, rank in zip(refused, ranks, strict=True)], dtype="Int64"
    )
    kept = ("id", "rank", "area_ha", "cells", "native_range", "geometry")
    for name in made.columns.drop(list(kept)):
        made[name] = made[name].where(~refused, None if made[name].dtype == object else np.nan)
    order = np.argsort(refused, kind="stable")
    return made.iloc[order].reset_index(drop=True)
