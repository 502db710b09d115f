"""A comparison of two runs as text for a terminal, and as plain values for machines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from underoak.base import crs as _crs
from underoak.base.codes import CLASS_NAMES, MISSING
from underoak.base.errors import count_of, printable
from underoak.base.grid import Grid
from underoak.base.number_words import hectares as in_words
from underoak.base.number_words import thousands
from underoak.engine.raster_difference import RasterDifference
from underoak.report.comparison.causes import short
from underoak.report.comparison.compare import (
    Comparison,
    FinishedRun,
    InputChange,
    ParcelChange,
    ParcelsChange,
    class_hectares,
)
from underoak.report.comparison.single_changes import UNTESTED, ChangeTests
from underoak.report.comparison.tests_text import moved_by, tests_lines, tests_values

WIDTH = 100
_MOST_ROWS = 10


def comparison_text(comparison: Comparison, tests: ChangeTests = UNTESTED) -> str:
    """Return the comparison for people, with the tests of single changes; no line is wider than 100 columns."""
    explained = [*tests_lines(comparison, tests), *_explained(comparison, tests)]
    parts = [_heads(comparison), [_outputs(comparison)], [*_differences(comparison)], explained]
    if comparison.not_compared:
        parts.append([f"Cells were not compared: {comparison.not_compared}."])
    for folder, case in comparison.cases.items():
        place = f" of {folder}" if folder else ""
        if case.cells is not None:
            parts.append([f"Cells{place}", *_cells(case.cells, comparison.first.grid)])
        else:
            totals = _totals(comparison.first.cases[folder], comparison.second.cases[folder])
            parts.append([f"Areas by class{place}", *totals])
        if case.parcels is not None:
            movers = partial(moved_by, tests, folder) if tests.tests else None
            parts.append([f"Parcels{place}", *_parcels(case.parcels, movers)])
    return "\n\n".join("\n".join(_folded(printable(line)) for line in part) for part in parts if part)


def _folded(line: str) -> str:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(line, WIDTH, subsequent_indent=indent) if len(line) > WIDTH else line


def _heads(comparison: Comparison) -> list[str]:
    lines = []
    for order, run in (("first", comparison.first), ("second", comparison.second)):
        manifest = run.manifest
        lines.append(f"{order:<7} {run.folder}: {manifest.title}, made {manifest.when.started}")
    return lines


def _outputs(comparison: Comparison) -> str:
    outputs = comparison.outputs
    if outputs.are_same:
        return f"Both runs wrote {count_of(len(outputs.same), 'identical file')}."
    kinds = {
        "different": outputs.different,
        "only in the first": outputs.only_first,
        "only in the second": outputs.only_second,
    }
    parts = [f"{what}: {', '.join(names)}" for what, names in kinds.items() if names]
    same = f"{len(outputs.same)} file{' is' if len(outputs.same) == 1 else 's are'} identical"
    return f"{same}; {'; '.join(parts)}."


def _differences(comparison: Comparison) -> Iterator[str]:
    for change in comparison.plan:
        yield f"  plan      {change.words}{'' if change.touches != 'words' else ' (changes no cell)'}"
    for input_change in comparison.inputs:
        yield f"  input     {short(input_change.of)}: {_sums(input_change)}"
    if comparison.software:
        yield "  software  " + ", ".join(f"{name} {a} -> {b}" for name, (a, b) in comparison.software.items())
    if comparison.first.grid != comparison.second.grid:
        yield f"  grid      {_grid(comparison.first.grid)} -> {_grid(comparison.second.grid)}"


def _sums(change: InputChange) -> str:
    if not change.first:
        return "only the second run reads it"
    if not change.second:
        return "only the first run reads it"
    one, other = (", ".join(digest[:12] for digest in digests[:3]) for digests in (change.first, change.second))
    return f"different content, SHA-256 {one}... -> {other}..."


def _grid(grid: Grid) -> str:
    left, _, _, top = grid.bounds
    return f"{grid.rows} x {grid.cols} cells of {grid.cell_m:g} m from {left:.10g}, {top:.10g} in {grid.crs}"


def _explained(comparison: Comparison, tests: ChangeTests) -> Iterator[str]:
    if comparison.outputs.are_same or tests.tests:
        return
    causes = comparison.causes
    if len(causes) == 1:
        yield f"Explained by: {causes[0]}. No other difference could have caused it."
    elif causes:
        yield "Each of these, or several together, can be the reason:"
        yield from (f"  {cause}" for cause in causes)
        if tests.reason:
            yield f"They were not tested by themselves: {tests.reason}."
        yield "To find out, run again with only one of them changed at a time."
    else:
        yield (
            "Nothing in the records explains it: plan, inputs and software are the same. Possible reasons are another "
            "type of processor, changed software of the same version, or a damaged file."
        )


def _cells(difference: RasterDifference, grid: Grid) -> Iterator[str]:
    if not difference.judged:
        yield f"  no cell of {thousands(difference.cells)} was judged in both runs"
    else:
        share = difference.changed / difference.judged
        yield (
            f"  suitability changed by more than {_plain(difference.tolerance)} on {_share(share)} of "
            f"the {count_of(difference.judged, 'cell')} judged in both"
        )
    if difference.changed:
        yield (
            f"  where it changed: {_small(difference.mean)} on average, 99 % of them by {_small(difference.p99)} or "
            f"less, at most {_small(difference.most)}"
        )
        way = "rose" if difference.shift > 0 else "fell"
        yield f"  over all of them it {way} by {_small(abs(difference.shift))} on average"
        assert difference.most_at is not None
        assert difference.most_from_to is not None
        before, after = difference.most_from_to
        yield f"  most at {_place(grid, *difference.most_at)}: {before:.4f} -> {after:.4f}"
    moved = {name: count for name, count in difference.memberships.items() if count}
    if moved:
        shares = ", ".join(f"{name} on {_share(count / difference.judged)}" for name, count in _descending(moved))
        yield f"  membership changed, in steps of 1/250: {shares}"
    elif difference.changed:
        yield "  membership changed nowhere, in steps of 1/250"
    if any(before != after for before, after in difference.moves):
        yield ""
        yield from _table(difference.moves)
    else:
        yield "  no cell changed its class"
    if difference.blocks:
        yield ""
        yield "  most changed blocks of 512 cells     cells changed   sum of change   middle"
        for block in difference.blocks:
            row, col = block.window.row, block.window.col
            middle = _place(grid, row + block.window.rows // 2, col + block.window.cols // 2, short=True)
            corner = f"rows from {row}, columns from {col}"
            yield f"    {corner:<34} {thousands(block.cells):>13} {_sum(block.amount):>15}   {middle}"


def _descending(counts: Mapping[str, int]) -> list[tuple[str, int]]:
    return sorted(counts.items(), key=lambda item: -item[1])


def _table(moves: Mapping[tuple[int, int], float]) -> Iterator[str]:
    """Return the areas that went from class to class [ha], without those missing in both runs."""
    codes = [code for code in CLASS_NAMES if any(code in pair for pair in moves if pair != (MISSING, MISSING))]
    yield "  ha, from (down) to (across)" + "".join(f"{CLASS_NAMES[code]:>11}" for code in codes)
    for before in codes:
        cells = [
            "" if (before, after) == (MISSING, MISSING) else _area(moves.get((before, after), 0.0)) for after in codes
        ]
        yield f"  {CLASS_NAMES[before]:<27}" + "".join(f"{cell:>11}" for cell in cells)


def _area(hectares: float) -> str:
    if hectares == 0:
        return "·"
    if hectares < 0.1:
        return in_words(hectares)
    return f"{hectares:,.2f}".replace(",", " ") if hectares < 10 else f"{hectares:,.0f}".replace(",", " ")


def _with_unit(hectares: float) -> str:
    return _area(hectares) if 0.0 < hectares < 0.1 else f"{_area(hectares)} ha"


def _totals(first: FinishedRun, second: FinishedRun) -> Iterator[str]:
    one, other = class_hectares(first), class_hectares(second)
    for code, name in CLASS_NAMES.items():
        if code in one or code in other:
            yield f"  {name:<10}{_with_unit(one.get(code, 0.0)):>17} -> {_with_unit(other.get(code, 0.0)):>17}"


def _parcels(parcels: ParcelsChange, movers: Callable[[ParcelChange], str] | None = None) -> Iterator[str]:
    if parcels.is_empty:
        yield f"  all {parcels.both} are identical"
        return
    up = sum(change.moved > 0 for change in parcels.changed)
    down = sum(change.moved < 0 for change in parcels.changed)
    yield f"  {parcels.both} in both runs, {len(parcels.changed)} of them changed: {up} rose in rank, {down} fell"
    for what, ids in (
        ("judged now, not before", parcels.now_judged),
        ("no longer judged", parcels.no_longer_judged),
        ("only in the first run", parcels.only_first),
        ("only in the second run", parcels.only_second),
    ):
        if ids:
            yield f"  {what}: {_listed(ids)}"
    if parcels.changed:
        columns = "".join(
            f", {name}"
            for name, pairs in (
                ("verdict", [change.verdicts for change in parcels.changed]),
                ("answer", [change.answers for change in parcels.changed]),
            )
            if any(before != after for before, after in pairs)
        )
        moved_by = "" if movers is None else "; moved by change"
        yield f"  {'parcel':<24} {'rank':>15} {'suitability':>18}  class{columns}{moved_by}"
        for change in parcels.changed[:_MOST_ROWS]:
            yield _parcel(change) + ("" if movers is None else f"; {movers(change)}")
        n_more = len(parcels.changed) - _MOST_ROWS
        if n_more > 0:
            yield f"  ... and {n_more} more (--json lists all)"


def _parcel(change: ParcelChange) -> str:
    ranks, scores = (
        " -> ".join("–" if value is None else form(value) for value in pair)
        for pair, form in ((change.rank, str), (change.suitability, lambda v: f"{v:.4f}"))
    )
    before, after = change.classes
    kinds = f"{before or '–'}" if before == after else f"{before or '–'} -> {after or '–'}"
    for before, after in (change.verdicts, change.answers):
        kinds += "" if before == after else f", {before or '–'} -> {after or '–'}"
    name = change.id if len(change.id) <= 24 else change.id[:23] + "…"
    return f"  {name:<24} {ranks:>15} {scores:>18}  {kinds}"


def _listed(ids: Sequence[str]) -> str:
    n_more = len(ids) - _MOST_ROWS
    return ", ".join(ids[:_MOST_ROWS]) + (f" and {n_more} more" if n_more > 0 else "")


def _lonlat(grid: Grid, x: float, y: float) -> tuple[float, float]:
    longitude, latitude = _crs.transformer(grid.crs, "EPSG:4326").transform(x, y)
    return float(longitude), float(latitude)


def _place(grid: Grid, row: int, col: int, short: bool = False) -> str:
    """Return the middle of a cell, in the CRS of the grid and in degrees."""
    x, y = grid.xy(col + 0.5, row + 0.5)
    longitude, latitude = _lonlat(grid, x, y)
    if short:
        return f"{longitude:.4f}, {latitude:.4f}"
    return f"x {x:.1f}, y {y:.1f} (longitude {longitude:.5f}, latitude {latitude:.5f})"


def _share(share: float) -> str:
    """Return a share in percent with two significant digits.

    >>> _share(0.0031), _share(0.412), _share(0.0), _share(1.0)
    ('0.31 %', '41 %', '0 %', '100 %')
    """
    if share in (0.0, 1.0):
        return f"{share:.0%}".replace("%", " %")
    percent = share * 100
    digits = max(0, 1 - math.floor(math.log10(percent)))
    return f"{min(percent, 100 - 10**-digits):.{digits}f} %" if share > 0.5 else f"{percent:.{digits}f} %"


def _plain(value: float) -> str:
    return f"{value:.7f}".rstrip("0")


def _sum(value: float) -> str:
    return f"{value:,.0f}".replace(",", " ") if value >= 100 else f"{value:.3f}"


def _small(value: float) -> str:
    return f"{value:.2g}" if value < 0.001 else f"{value:.4f}"


def comparison_values(comparison: Comparison, tests: ChangeTests = UNTESTED) -> dict[str, Any]:
    """Return the comparison and the tests of single changes as plain values for JSON, with null for NaN."""
    single = comparison.reasons[0] if len(comparison.reasons) == 1 else tests.explanation
    outputs = comparison.outputs
    return {
        "format": 1,
        "first": _run(comparison.first),
        "second": _run(comparison.second),
        "same": outputs.are_same,
        "outputs": {"same": outputs.same, "different": outputs.different, "only_first": outputs.only_first,
                    "only_second": outputs.only_second},
        "plan": [{"key": c.key, "words": c.words, "touches": c.touches} for c in comparison.plan],
        "inputs": [{"of": i.of, "first": i.first, "second": i.second, "touches": i.touches} for i in comparison.inputs],
        "software": {name: {"first": a, "second": b} for name, (a, b) in comparison.software.items()},
        "same_grid": comparison.first.grid == comparison.second.grid,
        "not_compared": comparison.not_compared or None,
        "explained_by": None if single is None else single.words,
        "candidates": comparison.causes,
        "tests": tests_values(comparison, tests),
        "views": {
            folder or ".": {
                "first_hectares": _hectares(comparison.first.cases[folder]),
                "second_hectares": _hectares(comparison.second.cases[folder]),
                "cells": None if case.cells is None else _raster(case.cells, comparison.first.grid),
                "parcels": None if case.parcels is None else _parcel_values(case.parcels),
            }
            for folder, case in comparison.cases.items()
        },
    }  # fmt: skip


def _parcel_values(parcels: ParcelsChange) -> dict[str, Any]:
    changed = [
        {"id": c.id, "rank": c.rank, "suitability": c.suitability, "class": c.classes, "verdict": c.verdicts,
         "answer": c.answers}
        for c in parcels.changed
    ]  # fmt: skip
    return {"both": parcels.both, "only_first": parcels.only_first, "only_second": parcels.only_second,
            "now_judged": parcels.now_judged, "no_longer_judged": parcels.no_longer_judged,
            "changed": changed}  # fmt: skip


def _hectares(run: FinishedRun) -> dict[str, float]:
    return {CLASS_NAMES.get(code, str(code)): area for code, area in class_hectares(run).items()}


def _run(run: FinishedRun) -> dict[str, Any]:
    manifest = run.manifest
    return {"folder": str(run.folder), "title": manifest.title, "plan_sha256": manifest.plan_sha256,
            "started": manifest.when.started}  # fmt: skip


def _raster(difference: RasterDifference, grid: Grid) -> dict[str, Any]:
    most = None
    if difference.most_at is not None and difference.most_from_to is not None:
        most = {**_at(grid, *difference.most_at), "difference": difference.most, "first": difference.most_from_to[0],
                "second": difference.most_from_to[1]}  # fmt: skip
    return {
        "cells": difference.cells,
        "judged_in_both": difference.judged,
        "changed": difference.changed,
        "tolerance": difference.tolerance,
        "mean": _number(difference.mean),
        "shift": _number(difference.shift),
        "p99": _number(difference.p99),
        "most": most,
        "class_hectares": [
            {"first": CLASS_NAMES.get(a, str(a)), "second": CLASS_NAMES.get(b, str(b)), "hectares": area}
            for (a, b), area in difference.moves.items()
        ],
        "membership_cells_changed": dict(difference.memberships),
        "blocks": [
            {"row": b.window.row, "col": b.window.col, "rows": b.window.rows, "cols": b.window.cols, "changed": b.cells,
             "amount": b.amount, "middle": _at(grid, b.window.row + b.window.rows // 2,
                                               b.window.col + b.window.cols // 2)}
            for b in difference.blocks
        ],
    }  # fmt: skip


def _at(grid: Grid, row: int, col: int) -> dict[str, Any]:
    x, y = grid.xy(col + 0.5, row + 0.5)
    longitude, latitude = _lonlat(grid, x, y)
    return {"row": row, "col": col, "x": x, "y": y, "longitude": longitude, "latitude": latitude}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
