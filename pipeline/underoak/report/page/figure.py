"""The maps as pictures: suitability over the relief, or classes; excluded cells, parcels and their ranks."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.arrays import FloatArray
from underoak.base.codes import CLASS_LABELS, EXCLUDED
from underoak.base.grid import Bounds, Grid
from underoak.base.palette import CLASS_RGB, INK, PAPER, SOFT, STRIPES, SUITABILITY_MAP, hex_colour
from underoak.engine import allocator
from underoak.engine.write.finished_rasters import CLASS_TIF, SUITABILITY_TIF, open_finished
from underoak.indicators.cell_size import to_lonlat
from underoak.layers.derivation.source_layer import SourceLayer
from underoak.layers.source import Source
from underoak.layers.stack import Stack, StackedLayer
from underoak.report.page.page import subtitle
from underoak.report.text.findings import Findings

_PIXELS, _STRIPE = 1200, 12  # picture pixels along the longer side at least; distance between stripes
_DPI = 144
_ROWS = 64  # rows of cells that are coloured at a time


@dataclass(frozen=True)
class MapPicture:
    """The content of the map; arrays are (rows, cols), of the analysis grid or a coarser overview of it."""

    suitability: FloatArray
    classes: npt.NDArray[np.uint8]
    bounds: Bounds
    metres: float  # true metres in one unit of the bounds, across the map's middle
    title: str
    subtitle: str
    relief: FloatArray | None = None  # elevation [m]
    parcels: Sequence[tuple[Any, str]] = ()  # shape, label ("" for none)
    north: float = 0.0  # where true north lies in the map's middle, clockwise from up [degree]
    is_by_class: bool = False  # classes in flat colours, instead of suitability over the relief

    @cached_property
    def level(self) -> float:
        """The mean elevation, used where elevation is missing [m]."""
        relief = self.relief
        return 0.0 if relief is None or np.isnan(relief).all() else float(np.nanmean(relief))


def hillshade(elevation: FloatArray, cell: float, azimuth: float = 315.0, altitude: float = 45.0) -> FloatArray:
    """Return the brightness 0..1 of lit relief, (rows, cols); cell [m], light from `azimuth` at `altitude` [degree].

    The cosine law for a plane facing a distant light; common practice, no source.

    >>> round(float(hillshade(np.zeros((3, 3), np.float32), 30.0)[1, 1]), 3)
    0.707
    """
    down, across = np.gradient(elevation.astype(np.float64), cell)
    slope = np.arctan(np.hypot(across, down))
    facing = np.arctan2(-across, down)  # downhill bearing, clockwise from north
    up = math.radians(altitude)
    light = np.sin(up) * np.cos(slope) + np.cos(up) * np.sin(slope) * np.cos(math.radians(azimuth) - facing)
    return np.asarray(np.clip(light, 0.0, 1.0), np.float32)


def draw_map(picture: MapPicture, width: float = 9.0) -> bytes:
    """Return the map as PNG bytes; with the same software, the same input gives the same bytes."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    with plt.rc_context({"font.family": "DejaVu Sans", "font.size": 9, "hatch.linewidth": 0.6, "axes.linewidth": 0.6}):
        left, bottom, right, top = picture.bounds
        ratio = (top - bottom) / (right - left)
        figure = plt.figure(figsize=(width, min(max(width * 0.94 * ratio, 3.2), 14.0) + 1.75), facecolor=PAPER)
        axes = figure.add_axes((0.03, 1.15 / figure.get_figheight(), 0.94, 1 - 1.75 / figure.get_figheight()))
        axes.set(xlim=(left, right), ylim=(bottom, top), xticks=[], yticks=[], aspect="equal")
        axes.apply_aspect()
        _draw_cells(axes, picture, np.multiply(axes.get_position().size, figure.get_size_inches() * _DPI))
        _draw_parcels(axes, picture)
        _draw_scale_bar(axes, picture)
        _draw_north(axes, picture)
        axes.set(xlim=(left, right), ylim=(bottom, top))
        figure.text(0.03, 1 - 0.30 / figure.get_figheight(), picture.title, fontsize=13, weight="bold", color=INK)
        figure.text(0.03, 1 - 0.52 / figure.get_figheight(), picture.subtitle, color=SOFT)
        _draw_legend(figure, picture)
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": "underoak"})
        plt.close(figure)
    return out.getvalue()


def _draw_cells(axes: Any, picture: MapPicture, pixels: npt.NDArray[np.float64]) -> None:
    """Draw the cells at the resolution of the axes: matplotlib copies each pixel several times."""
    left, bottom, right, top = picture.bounds
    excluded = picture.classes == EXCLUDED
    cells = np.empty((*excluded.shape, 4), np.uint8)
    for row in range(0, len(cells), _ROWS):
        cells[row : row + _ROWS] = _cell_colours(picture, slice(row, min(row + _ROWS, len(cells))))
    # stripes have a finer grid, so that a single cell shows some; a pixel takes the colour under its middle
    finer = max(1, math.ceil(_PIXELS / max(excluded.shape)))
    across, down = (max(round(float(n)), 1) for n in pixels)
    rows, cols = (
        (2 * np.arange(n) + 1) * size * finer // (2 * n) for n, size in zip((down, across), excluded.shape, strict=True)
    )
    striped = np.add.outer(rows, cols) % _STRIPE < _STRIPE // 4
    places = np.ix_(rows // finer, cols // finer)
    drawn = cells[places]
    drawn[striped & excluded[places], :3] = STRIPES
    axes.imshow(drawn, extent=(left, right, bottom, top), interpolation="nearest", zorder=1)


def _cell_colours(picture: MapPicture, rows: slice) -> npt.NDArray[np.uint8]:
    """Return the colours of some rows of cells, (rows, cols, red green blue alpha), all opaque."""
    from matplotlib import colormaps

    if picture.is_by_class:
        return _class_colours()[picture.classes[rows]]
    suitability, excluded = picture.suitability[rows], picture.classes[rows] == EXCLUDED
    colours = colormaps[SUITABILITY_MAP](np.nan_to_num(suitability))[..., :3]
    if picture.relief is not None:
        light = _brightness(picture, rows) / math.sin(math.radians(45.0))
        colours = np.clip(colours * (0.45 + 0.55 * light[..., None]), 0.0, 1.0)
    colours[excluded] = np.array(CLASS_RGB[EXCLUDED]) / 255  # unlit, so that it never looks like missing land
    colours[np.isnan(suitability) & ~excluded] = 1.0  # as the paper; opaque cells take less memory to draw
    return np.round(np.dstack([colours, np.ones(excluded.shape)]) * 255).astype(np.uint8)


def _class_colours() -> npt.NDArray[np.uint8]:
    """Return the colour of each code of the class raster, (256, red green blue alpha); those without one are white."""
    colours = np.full((256, 4), 255, np.uint8)
    for code, rgb in CLASS_RGB.items():
        colours[code, :3] = rgb
    return colours


def _brightness(picture: MapPicture, rows: slice) -> FloatArray:
    """Return the brightness of some rows of the relief; missing elevation counts as the mean."""
    assert picture.relief is not None
    left, _, right, _ = picture.bounds
    first, last = max(rows.start - 1, 0), min(rows.stop + 1, len(picture.relief))  # a slope needs its neighbours
    relief = picture.relief[first:last]
    filled = np.where(np.isnan(relief), picture.level, relief).astype(np.float32)
    light = hillshade(filled, (right - left) * picture.metres / relief.shape[1])
    return light[rows.start - first : rows.stop - first]


def _draw_parcels(axes: Any, picture: MapPicture) -> None:
    from matplotlib import patheffects
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    if not picture.parcels:
        return
    halo = [patheffects.withStroke(linewidth=2.2, foreground=PAPER)]
    rings = [
        ring
        for shape, _ in picture.parcels
        for part in getattr(shape, "geoms", [shape])
        for ring in (part.exterior, *part.interiors)
    ]
    outlines = Outline.make_compound_path(*(Outline(np.asarray(ring.coords)[:, :2]) for ring in rings))
    # one path for all, so that no outline lies under the halo of another
    axes.add_patch(PathPatch(outlines, fill=False, edgecolor=INK, linewidth=0.9, zorder=4, path_effects=halo))
    left, bottom, right, top = picture.bounds
    for shape, label in picture.parcels:
        point = shape.representative_point() if label else None
        if point is not None and left <= point.x <= right and bottom <= point.y <= top:
            axes.text(
                point.x, point.y, label, ha="center", va="center", fontsize=7.5, weight="bold", color=INK, zorder=5,
                path_effects=halo,
            )  # fmt: skip


def _draw_scale_bar(axes: Any, picture: MapPicture) -> None:
    left, bottom, right, top = picture.bounds
    most_m = (right - left) * picture.metres / 5
    step = 10 ** math.floor(math.log10(most_m))
    length = max(n * step for n in (1, 2, 5) if n * step <= most_m)
    width = length / picture.metres
    x, y, high = left + (right - left) * 0.03, bottom + (top - bottom) * 0.035, (top - bottom) * 0.008
    from matplotlib import patheffects

    halo = [patheffects.withStroke(linewidth=3, foreground=PAPER)]
    axes.fill([x, x + width, x + width, x], [y, y, y + high, y + high], color=INK, zorder=6, path_effects=halo)
    text = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    axes.text(x + width / 2, y + high * 1.8, text, ha="center", va="bottom", zorder=6, color=INK, path_effects=halo)


def _draw_north(axes: Any, picture: MapPicture) -> None:
    """Draw an arrow to true north in the upper right corner."""
    from matplotlib import patheffects

    left, bottom, right, top = picture.bounds
    size, turn = 0.028 * max(right - left, top - bottom), math.radians(picture.north)
    x, y = right - 1.6 * size, top - 2.0 * size
    dx, dy = size * math.sin(turn), size * math.cos(turn)
    halo = [patheffects.withStroke(linewidth=3, foreground=PAPER)]
    arrow = {"arrowstyle": "-|>", "color": INK, "linewidth": 1.4, "path_effects": halo, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (x + dx, y + dy), (x - dx, y - dy), arrowprops=arrow, zorder=6)
    axes.text(
        x + 1.5 * dx, y + 1.5 * dy, "N", ha="center", va="center", fontsize=9, weight="bold", color=INK, zorder=6,
        path_effects=halo,
    )  # fmt: skip


def _draw_colour_bar(figure: Any, high: float) -> None:
    """Draw the bar of scores; `high` is the height of the figure [inch]."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    bar = figure.add_axes((0.03, 0.62 / high, 0.56, 0.17 / high))
    figure.colorbar(ScalarMappable(Normalize(0, 1), SUITABILITY_MAP), cax=bar, orientation="horizontal")
    ticks = [n / 5 for n in range(6)]  # of the score: no class follows from it alone, so no cut stands here
    bar.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    bar.set_xlabel("suitability: the score, from 0 to 1", color=INK)


def _draw_legend(figure: Any, picture: MapPicture) -> None:
    from matplotlib.patches import Patch

    high = figure.get_figheight()
    if picture.is_by_class:
        classes = [
            Patch(facecolor=hex_colour(CLASS_RGB[code]), edgecolor=SOFT, linewidth=0.6, label=name)
            for code, name in CLASS_LABELS.items()
        ]
        box = (0.02, 0.42 / high, 0.58, 0.5 / high)
        figure.legend(handles=classes, loc="center left", bbox_to_anchor=box, frameon=False, fontsize=8.5, ncols=2)
    else:
        _draw_colour_bar(figure, high)
    handles = [
        Patch(
            facecolor=hex_colour(CLASS_RGB[EXCLUDED]),
            edgecolor=hex_colour(STRIPES),
            hatch="//////",
            linewidth=0.4,
            label="excluded",
        ),
        Patch(facecolor=PAPER, edgecolor=SOFT, linewidth=0.6, label="missing: not judged"),
    ]
    if picture.parcels:
        handles.append(Patch(facecolor="none", edgecolor=INK, linewidth=0.9, label="parcel, with its rank"))
    place = (0.62, 0.42 / high, 0.36, 0.5 / high)
    figure.legend(handles=handles, loc="center left", bbox_to_anchor=place, frameon=False, fontsize=8.5)


_WIDEST = 1400  # cells of the picture, either way
_RELIEF_CELLS = 9_000_000  # larger regions are drawn without relief, so that their terrain is not read again


def _picture_grid(grid: Grid) -> Grid:
    """Return the grid of the picture's cells."""
    factor = max(1, math.ceil(max(grid.shape) / _WIDEST))
    rows, cols = -(-grid.rows // factor), -(-grid.cols // factor)
    a, _, left, _, e, top = grid.transform
    return Grid(grid.crs, (a * grid.cols / cols, 0.0, left, 0.0, e * grid.rows / rows, top), rows, cols)


def true_scale(grid: Grid) -> tuple[float, float]:
    """Return true metres in one unit of the grid's CRS from west to east, and true north's bearing from up [degree].

    Both hold in the middle of the grid. A metre of a web map is shorter than a true metre away from the equator.

    >>> metres, north = true_scale(Grid.north_up("EPSG:3857", 0.0, 8_400_000.0, 30.0, 10, 10))
    >>> round(metres, 3), abs(round(north, 3))  # at 60 degrees north
    (0.501, 0.0)
    """
    left, bottom, right, top = grid.bounds
    x, y, half = (left + right) / 2.0, (bottom + top) / 2.0, (right - left) / 100.0
    aside, along = half * np.array([-1.0, 1.0, 0.0, 0.0]), half * np.array([0.0, 0.0, -1.0, 1.0])
    lon, lat = to_lonlat(grid.crs, x + aside, y + along)
    geod = _crs.geod(grid.crs)
    _, _, across = geod.inv(lon[0], lat[0], lon[1], lat[1])
    bearing, _, _ = geod.inv(lon[2], lat[2], lon[3], lat[3])
    if not (math.isfinite(across) and math.isfinite(bearing)):
        return _crs.unit_m(grid.crs), 0.0
    return float(across) / (2.0 * half), -float(bearing)


def relief_of(grid: Grid, source: Source | None) -> FloatArray | None:
    """Return elevation in the picture's cells [m]; None without a source, or if the region is too large."""
    if source is None or grid.rows * grid.cols > _RELIEF_CELLS:
        return None
    coarse = _picture_grid(grid)
    layer = StackedLayer("relief", SourceLayer(source), "bilinear")
    return Stack(coarse, (layer,)).read(coarse.window).values["relief"]


def map_png(
    findings: Findings, folder: Path, relief: FloatArray | None, parcels: Any, is_by_class: bool = False
) -> bytes:
    """Return the map of a run as PNG bytes, from the rasters in `folder`; the best parcels show their rank.

    It shows suitability over the relief, or with `is_by_class` the classes in flat colours.
    """
    allocator.release_freed()  # of tables and zones: drawing needs memory too
    grid = findings.grid
    shape = _picture_grid(grid).shape
    with open_finished(folder, SUITABILITY_TIF) as raster:
        suitability = raster.overview(shape).astype(np.float32)
    with open_finished(folder, CLASS_TIF) as raster:
        classes = raster.stored_overview(shape)
    plan, (metres, north) = findings.plan, true_scale(grid)
    picture = MapPicture(
        suitability, classes, grid.bounds, metres, plan.title, subtitle(findings), relief,
        _labelled_shapes(findings, parcels), north, is_by_class,
    )  # fmt: skip
    return draw_map(picture)


def _labelled_shapes(findings: Findings, parcels: Any) -> list[tuple[Any, str]]:
    """Return the shapes in the grid's CRS with their ranks; of many parcels only the best have one."""
    if parcels is None or not findings.has_parcels or len(findings.ranked) > 2000:
        return []
    import geopandas as gpd

    shapes = gpd.GeoSeries(list(parcels.shapes), crs=parcels.crs).to_crs(findings.grid.crs)
    shape_of = dict(zip(parcels.ids, shapes, strict=True))
    most = 60 if len(findings.ranked) <= 60 else 20
    labelled = []
    for n, row in enumerate(findings.ranked.itertuples()):
        shape = shape_of[row.id]
        if shape is None or shape.is_empty:
            continue
        is_ranked = isinstance(findings.ranked["class"].iloc[n], str)
        labelled.append((shape, str(row.rank) if is_ranked and n < most else ""))
    return labelled
