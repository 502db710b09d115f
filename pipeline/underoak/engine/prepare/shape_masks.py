"""The constraints of shapes, made ready in bounded memory: a few shapes are widened at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.engine.judge.recipe import ShapeMask
from underoak.layers.formats.vector import read_features
from underoak.layers.shapes.cell_mask import BITS, CellMask
from underoak.layers.shapes.coverage import Edges, merge_edges, polygon_edges
from underoak.plan.keys.constraints import ShapesConstraint
from underoak.plan.plan import Plan

AT_ONCE = 10_000  # shapes that are widened at a time
_CORNERS = 100_000  # of these shapes together
EDGE_BYTES = 41  # one edge in memory: four coordinates, its side, its share of a box
MOST_EDGES = 1_000_000  # of one constraint; beyond them, and where a mask of the region's cells takes less, cells count
_QUARTER = 16  # straight pieces for a quarter of a circle


def shape_masks(plan: Plan, grid: Grid, problems: Problems) -> tuple[ShapeMask, ...]:
    """Return the masks of a plan's constraints of shapes; faults go to `problems`."""
    masks = []
    for spec in plan.constraints:
        if isinstance(spec, ShapesConstraint):
            where = f"constraints.{spec.name}"
            try:
                features = read_features(plan.base / spec.file, spec.features, grid.crs, where=where, problems=problems)
                shapes = features.geometry.to_numpy()
                del features  # its other fields
                masks.append(shape_mask(spec, shapes, grid))
            except UnderoakError as error:
                problems.extend(replace(f, where=f.where or where) for f in error.faults)
    return tuple(masks)


def shape_mask(
    spec: ShapesConstraint, shapes: Any, grid: Grid, at_once: int = AT_ONCE, most_edges: int = MOST_EDGES
) -> ShapeMask:
    """Return the mask of the shapes near the region.

    They are widened `at_once` at a time. Edges of up to `most_edges` are kept; of more, the cells that they exclude,
    where these take less memory.
    """
    grow = spec.grow_m / _crs.unit_m(grid.crs)
    left, bottom, right, top = grid.bounds
    near = shapely.box(left - grow - 1, bottom - grow - 1, right + grow + 1, top + grow + 1)
    corners = shapely.get_num_coordinates(shapes)
    nearby = shapes[shapely.intersects(shapes, near)]
    most_edges = max(most_edges, grid.rows * grid.cols // BITS // EDGE_BYTES)
    parts: list[Edges] = []
    n_edges, burned = 0, None
    for batch in _batches(nearby, at_once):
        if grow > 0:
            batch = shapely.get_parts(shapely.buffer(batch, grow, quad_segs=_QUARTER))
        parts.append(polygon_edges(batch, grid))
        n_edges += parts[-1].count_of_edges
        if n_edges > most_edges:
            burned = burned or CellMask.empty(grid.rows, grid.cols)
            for edges in parts:
                burned.burn(edges, spec.touch)
            parts, n_edges = [], 0
    edges = merge_edges(parts) if parts else polygon_edges([], grid)
    return ShapeMask(
        spec.name, edges, spec.exclude, spec.touch, burned,
        corners_read=int(corners.sum()), most_widened=int(corners.max(initial=0)) if grow > 0 else 0,
    )  # fmt: skip


def _batches(shapes: Any, at_once: int) -> Iterator[Any]:
    """Yield the shapes, so many or so many corners at a time; once if there are none."""
    count = np.cumsum(shapely.get_num_coordinates(shapes))
    first = 0
    while first < len(shapes) or first == 0:
        before = int(count[first - 1]) if first else 0
        end = min(int(np.searchsorted(count, before + _CORNERS, side="right")), first + at_once)
        end = max(end, first + 1)
        yield shapes[first:end]
        first = end
