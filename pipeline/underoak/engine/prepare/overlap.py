"""How much of the region a layer covers, and extents in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base import crs as _crs
from underoak.base.errors import Problems
from underoak.base.grid import Bounds, Grid
from underoak.base.number_words import percent
from underoak.layers.derivation.source_layer import clip_to_source
from underoak.layers.stack import Stack, StackedLayer

_CELLS = 128  # along a side of the grid that are tested for lying on a layer
_THIN = 0.10  # share of the region below which a layer's overlap gets a warning


def check_overlap(stack: Stack, layer: StackedLayer, problems: Problems) -> None:
    """Report a layer that does not overlap the region (E220), covers little of it (W221) or lies shifted (W208)."""
    grid, source = stack.grid, layer.source_layer.source
    window = stack.region_window(layer)
    covered = clip_to_source(source, window)
    if covered.is_empty:
        layer_extent, region_extent = (extent_words(each.bounds, each.crs) for each in (source.grid, grid))
        extents = f"the layer covers {layer_extent}, the region {region_extent}"
        what = f"does not overlap the region: {extents}"
        problems.add("E220", what, layer.where, "check both coordinate reference systems and the area")
        return
    shift = _crs.left_out_shift(grid.crs, source.grid.crs, *grid.xy(grid.cols / 2.0, grid.rows / 2.0))
    if shift is not None:
        problems.add("W208", shift.words, layer.where, _crs.DATUM_FIX)
    share = _covered_share(grid, source)
    if share < _THIN:
        what = f"covers only about {percent(share)} of the region"
        problems.add("W221", what, layer.where, "check that the right file is named")


def _covered_share(grid: Grid, source: Any) -> float:
    """Return about which share of the grid lies on a source, by the centres of cells spread over it."""
    rows, cols = (
        np.unique((np.linspace(0.0, 1.0, _CELLS) * (count - 1)).astype(np.int64)) + 0.5 for count in grid.shape
    )
    x, y = grid.xy(*np.meshgrid(cols, rows))
    u, v = source.grid.uv(*_crs.transformer(grid.crs, source.grid.crs).transform(x, y))
    is_covered = (v >= 0.0) & (v <= source.grid.rows)
    if not source.is_periodic:
        is_covered &= (u >= 0.0) & (u <= source.grid.cols)
    return float(is_covered.mean())


def bounds_in_degrees(bounds: Bounds, crs: str) -> Bounds:
    """Return bounds as longitudes and latitudes: west, south, east, north."""
    if _crs.is_geographic(crs):
        return bounds
    in_degrees: Bounds = _crs.transformer(crs, "EPSG:4326").transform_bounds(*bounds, densify_pts=21)
    return in_degrees


def extent_words(bounds: Bounds, crs: str) -> str:
    """Return an extent in degrees, as words."""
    left, bottom, right, top = bounds_in_degrees(bounds, crs)
    if not np.isfinite([left, bottom, right, top]).all():
        return "an extent that has no coordinates in degrees"
    return f"longitude {left:.3f} to {right:.3f}, latitude {bottom:.3f} to {top:.3f}"
