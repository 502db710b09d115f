"""The rasters of a run: their layouts, cells and overviews."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.codes import CLASS_LABELS, EXCLUDED, MISSING, NOTHING_LIMITS, STATE_LABELS
from underoak.base.compiled import compiled
from underoak.base.palette import CLASS_RGBA
from underoak.engine.judge.reducer import JudgedBlock
from underoak.engine.write.cog import Band, RasterLayout
from underoak.engine.write.finished_rasters import (
    CLASS_TIF,
    LIMITING_TIF,
    MEMBERSHIPS_TIF,
    MISSING_WEIGHT_TIF,
    SUITABILITY_TIF,
)
from underoak.plan.case import SINGLE, Case

UINT16_STEPS, UINT16_MISSING = 60000, 65535
MEMBERSHIP_STEPS = 250
MEMBERSHIP_UNJUDGED = 255  # nodata; a code of its own for excluded cells would read as a membership above 1

Cells = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Output:
    """A raster file: its layout, its cells from results, and its rule for overviews."""

    layout: RasterLayout
    # -> (bands, rows, cols) in the layout's dtype; a module-level function, to be picklable; None if not made by tiles
    cells: Callable[[JudgedBlock], Cells] | None
    averaged: bool  # overviews average values; otherwise they take the most common code


@compiled
def _steps(values: Cells, steps: float, missing: np.int32, out: Cells) -> None:
    for i in range(values.size):
        value = np.float64(values[i])
        step = np.int32(np.floor((value if value == value else 0.0) * steps + 0.5))
        out[i] = step if value == value else missing


@compiled
def _membership_steps(values: Cells, classes: Cells, steps: float, unjudged: np.int32, out: Cells) -> None:
    for band in range(values.shape[0]):
        cells, into = values[band], out[band]
        for i in range(classes.size):
            value = np.float64(cells[i])
            step = np.int32(np.floor((value if value == value else 0.0) * steps + 0.5))
            into[i] = step if (value == value) & (classes[i] != EXCLUDED) else unjudged


def to_steps(values: npt.NDArray[np.float32], steps: int, missing: int, dtype: str) -> Cells:
    """Return values 0..1 as whole steps, rounded half up; NaN becomes `missing`.

    >>> to_steps(np.float32([[0.0, 0.5, 1.0, np.nan]]), 250, 255, "uint8").tolist()
    [[0, 125, 250, 255]]
    """
    out = np.empty(values.shape, dtype)
    _steps(np.ascontiguousarray(values).reshape(-1), float(steps), np.int32(missing), out.reshape(-1))
    return out


def standard_outputs(
    title: str, criteria: list[str], dtype: str, has_missing_weight: bool, case: Case = SINGLE
) -> list[Output]:
    """Return the rasters of one case, suitability first."""
    plain = _outputs(title, criteria, dtype, has_missing_weight)
    return [replace(output, layout=replace(output.layout, name=case.file(output.layout.name))) for output in plain]


def limiting_names(criteria: Sequence[str]) -> dict[int, str]:
    """Return the name of each code of the limiting raster."""
    return dict(enumerate(criteria)) | {NOTHING_LIMITS: "nothing limits"} | STATE_LABELS


def _outputs(title: str, criteria: list[str], dtype: str, has_missing_weight: bool) -> list[Output]:
    common = {"SOFTWARE": "underoak", "TITLE": title}
    names = {f"CRITERION_{i}": name for i, name in enumerate(criteria)}
    codes = {f"CODE_{code}": text for code, text in STATE_LABELS.items()}
    if dtype == "uint16":
        band = Band("suitability", "1", 1.0 / UINT16_STEPS)
        suitability = Output(
            RasterLayout(SUITABILITY_TIF, "uint16", UINT16_MISSING, (band,), common),
            _suitability_steps,
            averaged=True,
        )
    else:
        suitability = Output(
            RasterLayout(SUITABILITY_TIF, "float32", float("nan"), (Band("suitability", "1"),), common),
            _suitability_cells,
            averaged=True,
        )
    class_names = CLASS_LABELS | STATE_LABELS
    limit_names = limiting_names(criteria)
    class_tags = {**common, **{f"CLASS_{code}": text for code, text in CLASS_LABELS.items()}, **codes}
    limits = {**common, **names, **codes, f"CODE_{NOTHING_LIMITS}": "nothing limits"}
    bands = tuple(Band(name, "1", 1.0 / MEMBERSHIP_STEPS) for name in criteria)
    membership_tags = {**common, **names, "NODATA_MEANS": "excluded, or the layer is missing; class.tif says which"}
    limiting_bands = Band("weakest", "1"), Band("most_gainful", "1")
    outputs = [
        suitability,
        Output(
            RasterLayout(CLASS_TIF, "uint8", MISSING, (Band("class", "1"),), class_tags, CLASS_RGBA, class_names),
            _class_cells,
            averaged=False,
        ),
        Output(
            RasterLayout(LIMITING_TIF, "uint8", MISSING, limiting_bands, limits, categories=limit_names),
            _limiting_cells,
            averaged=False,
        ),
        Output(
            RasterLayout(
                MEMBERSHIPS_TIF,
                "uint8",
                MEMBERSHIP_UNJUDGED,
                bands,
                membership_tags,
            ),
            _membership_cells,
            averaged=False,
        ),
    ]
    if has_missing_weight:
        layout = RasterLayout(
            MISSING_WEIGHT_TIF, "float32", float("nan"), (Band("share of weight missing", "1"),), common
        )
        outputs.append(Output(layout, _missing_weight_cells, averaged=True))
    return outputs


def _suitability_steps(judged: JudgedBlock) -> Cells:
    return to_steps(judged.suitability, UINT16_STEPS, UINT16_MISSING, "uint16")[None]


def _suitability_cells(judged: JudgedBlock) -> Cells:
    return judged.suitability[None]


def _class_cells(judged: JudgedBlock) -> Cells:
    return judged.classes[None]


def _limiting_cells(judged: JudgedBlock) -> Cells:
    return np.stack([judged.weakest, judged.gainful])


def _membership_cells(judged: JudgedBlock) -> Cells:
    values = np.ascontiguousarray(judged.memberships).reshape(len(judged.memberships), -1)
    classes = np.ascontiguousarray(judged.classes).reshape(-1)
    out = np.empty(judged.memberships.shape, np.uint8)
    _membership_steps(
        values, classes, float(MEMBERSHIP_STEPS), np.int32(MEMBERSHIP_UNJUDGED), out.reshape(values.shape)
    )
    return out


def _missing_weight_cells(judged: JudgedBlock) -> Cells:
    assert judged.missing_weight is not None
    return judged.missing_weight[None]


@compiled
def _mean(a: float, b: float, c: float, d: float, under: float, nodata: float, is_whole: bool) -> Any:
    """Return the mean of the valid ones of `under` cells; `nodata` if fewer than half are valid."""
    total, count = 0.0, 0.0
    for value in (np.float64(a), np.float64(b), np.float64(c), np.float64(d)):
        is_valid = (value == value) & (value != nodata)
        total += value if is_valid else 0.0
        count += 1.0 if is_valid else 0.0
    mean = total / count
    mean = np.floor(mean + 0.5) if is_whole else mean
    return mean if 2.0 * count >= under else nodata


@compiled
def _halve_mean(cells: Cells, nodata: float, none: Any, is_whole: bool, out: Cells) -> None:
    rows, cols = cells.shape
    for r in range(rows // 2):
        upper, lower, to = cells[2 * r], cells[2 * r + 1], out[r]
        for c in range(cols // 2):
            to[c] = _mean(upper[2 * c], upper[2 * c + 1], lower[2 * c], lower[2 * c + 1], 4.0, nodata, is_whole)
        if cols % 2:
            to[cols // 2] = _mean(upper[cols - 1], none, lower[cols - 1], none, 2.0, nodata, is_whole)
    if rows % 2:
        upper, to = cells[rows - 1], out[rows // 2]
        for c in range(cols // 2):
            to[c] = _mean(upper[2 * c], upper[2 * c + 1], none, none, 2.0, nodata, is_whole)
        if cols % 2:
            to[cols // 2] = _mean(upper[cols - 1], none, none, none, 1.0, nodata, is_whole)


@compiled
def _mode(a: int, b: int, c: int, d: int) -> int:
    """Return the most common of four codes; the lowest if several tie."""
    low, high, left, right = min(a, b), max(a, b), min(c, d), max(c, d)
    first, last = min(low, left), max(high, right)
    second, third = min(max(low, left), min(high, right)), max(max(low, left), min(high, right))
    mode = third if third == last else first
    mode = second if second == third else mode
    return first if first == second else mode


@compiled
def _halve_mode(cells: Cells, out: Cells) -> None:
    rows, cols = cells.shape
    for r in range(rows // 2):
        upper, lower, to = cells[2 * r], cells[2 * r + 1], out[r]
        for c in range(cols // 2):
            to[c] = _mode(upper[2 * c], upper[2 * c + 1], lower[2 * c], lower[2 * c + 1])
        if cols % 2:  # of two, the lower
            to[cols // 2] = min(upper[cols - 1], lower[cols - 1])
    if rows % 2:
        upper, to = cells[rows - 1], out[rows // 2]
        for c in range(cols // 2):
            to[c] = min(upper[2 * c], upper[2 * c + 1])
        if cols % 2:
            to[cols // 2] = upper[cols - 1]


def halve(cells: Cells, output: Output) -> Cells:
    """Return the next overview level of (bands, rows, cols) cells: half the rows and columns, rounded up."""
    bands, rows, cols = cells.shape
    out = np.empty((bands, -(-rows // 2), -(-cols // 2)), cells.dtype)
    nodata = float(output.layout.nodata)
    for band in range(bands):
        plane = np.ascontiguousarray(cells[band])
        if output.averaged:
            none = cells.dtype.type(nodata)
            _halve_mean(plane, nodata, none, output.layout.dtype != "float32", out[band])
        else:
            _halve_mode(plane, out[band])
    return out
