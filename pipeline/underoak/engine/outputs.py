"""The rasters of a run: what each stores, and how results become its cells."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from underoak.engine.cog import Band, Layout
from underoak.engine.reducer import Judged

CLASS_NAMES = {1: "S1 highly suitable", 2: "S2 moderately suitable", 3: "S3 marginally suitable", 4: "N not suitable"}
STATE_NAMES = {250: "excluded by a constraint", 255: "missing: not judged"}
# Four steps of the cividis colour map (Nunez, Anderton & Renslow 2018), bright for the best; excluded grey.
CLASS_COLOURS = {
    1: (254, 232, 56, 255),
    2: (188, 175, 111, 255),
    3: (124, 123, 120, 255),
    4: (0, 42, 102, 255),
    250: (214, 214, 214, 255),
    255: (255, 255, 255, 0),
}
UINT16_STEPS = 60000
MEMBERSHIP_STEPS = 250

Cells = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Output:
    """One raster file: its layout, its cells from results, and how four cells become one in an overview."""

    layout: Layout
    cells: Callable[[Judged], Cells]  # -> (bands, rows, cols) in the layout's dtype
    averaged: bool  # overviews average values; otherwise they take the most common code
    variant: int = 0  # whose results


@njit(cache=True, nogil=True)
def _steps(values, steps, missing, out):  # type: ignore[no-untyped-def]
    flat, into = values.ravel(), out.ravel()
    for i in range(flat.size):
        value = flat[i]
        into[i] = missing if value != value else np.uint16(np.floor(value * steps + 0.5))


def to_steps(values: npt.NDArray[np.float32], steps: int, missing: int, dtype: str) -> Cells:
    """Values 0..1 as whole steps, half up; NaN becomes `missing`.

    >>> to_steps(np.float32([[0.0, 0.5, 1.0, np.nan]]), 250, 255, "uint8").tolist()
    [[0, 125, 250, 255]]
    """
    out = np.empty(values.shape, dtype)
    _steps(np.ascontiguousarray(values), float(steps), missing, out)
    return out


def standard_outputs(
    title: str, criteria: list[str], dtype: str, has_missing_weight: bool, folder: str = "", variant: int = 0
) -> list[Output]:
    """The rasters of one variant, first the suitability; `folder` is where they lie inside the run folder."""
    plain = _outputs(title, criteria, dtype, has_missing_weight)
    start = f"{folder}/" if folder else ""
    return [replace(o, layout=replace(o.layout, name=start + o.layout.name), variant=variant) for o in plain]


def _outputs(title: str, criteria: list[str], dtype: str, has_missing_weight: bool) -> list[Output]:
    common = {"SOFTWARE": "underoak", "TITLE": title}
    names = {f"CRITERION_{i}": name for i, name in enumerate(criteria)}
    codes = {f"CODE_{code}": text for code, text in STATE_NAMES.items()}
    if dtype == "uint16":
        band = Band("suitability", "1", 1.0 / UINT16_STEPS)
        suitability = Output(
            Layout("suitability.tif", "uint16", 65535, (band,), common),
            lambda judged: to_steps(judged.suitability, UINT16_STEPS, 65535, "uint16")[None],
            averaged=True,
        )
    else:
        suitability = Output(
            Layout("suitability.tif", "float32", float("nan"), (Band("suitability", "1"),), common),
            lambda judged: judged.suitability[None],
            averaged=True,
        )
    class_tags = {**common, **{f"CLASS_{code}": text for code, text in CLASS_NAMES.items()}, **codes}
    limits = {**common, **names, **codes, "CODE_253": "nothing limits"}
    bands = tuple(Band(name, "1", 1.0 / MEMBERSHIP_STEPS) for name in criteria)
    outputs = [
        suitability,
        Output(
            Layout("class.tif", "uint8", 255, (Band("class"),), class_tags, CLASS_COLOURS),
            lambda judged: judged.classes[None],
            averaged=False,
        ),
        Output(
            Layout("limiting.tif", "uint8", 255, (Band("weakest"), Band("most_gainful")), limits),
            lambda judged: np.stack([judged.weakest, judged.gainful]),
            averaged=False,
        ),
        Output(
            Layout("memberships.tif", "uint8", 255, bands, {**common, **names, "CODE_254": STATE_NAMES[250]}),
            _membership_cells,
            averaged=False,
        ),
    ]
    if has_missing_weight:
        layout = Layout("missing_weight.tif", "float32", float("nan"), (Band("share of weight missing", "1"),), common)
        outputs.append(Output(layout, _missing_weight_cells, averaged=True))
    return outputs


def _membership_cells(judged: Judged) -> Cells:
    cells = to_steps(judged.memberships, MEMBERSHIP_STEPS, 255, "uint8")
    cells[:, judged.classes == 250] = 254
    return cells


def _missing_weight_cells(judged: Judged) -> Cells:
    assert judged.missing_weight is not None
    return judged.missing_weight[None]


@njit(cache=True, nogil=True)
def _halve_mean(cells, nodata, whole, out):  # type: ignore[no-untyped-def]
    rows, cols = cells.shape
    for r in range(out.shape[0]):
        for c in range(out.shape[1]):
            total, count = 0.0, 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    value = np.float64(cells[i, j])
                    if value == value and value != nodata:
                        total += value
                        count += 1
            # an overview cell shows a value when at least half of what lies under it has one
            if 2 * count < min(2, rows - 2 * r) * min(2, cols - 2 * c):
                out[r, c] = nodata
            else:
                out[r, c] = math.floor(total / count + 0.5) if whole else total / count


@njit(cache=True, nogil=True)
def _halve_mode(cells, out):  # type: ignore[no-untyped-def]
    rows, cols = cells.shape
    for r in range(out.shape[0]):
        for c in range(out.shape[1]):
            best, most = cells[2 * r, 2 * c], 0
            for i in range(2 * r, min(2 * r + 2, rows)):
                for j in range(2 * c, min(2 * c + 2, cols)):
                    count = 0
                    for k in range(2 * r, min(2 * r + 2, rows)):
                        for m in range(2 * c, min(2 * c + 2, cols)):
                            count += cells[k, m] == cells[i, j]
                    if count > most or (count == most and cells[i, j] < best):
                        best, most = cells[i, j], count
            out[r, c] = best


def halve(cells: Cells, output: Output) -> Cells:
    """One overview level up: (bands, rows, cols) -> half the rows and columns, ragged edges rounded up."""
    bands, rows, cols = cells.shape
    out = np.empty((bands, -(-rows // 2), -(-cols // 2)), cells.dtype)
    for band in range(bands):
        plane = np.ascontiguousarray(cells[band])
        if output.averaged:
            _halve_mean(plane, output.layout.nodata, output.layout.dtype != "float32", out[band])
        else:
            _halve_mode(plane, out[band])
    return out
