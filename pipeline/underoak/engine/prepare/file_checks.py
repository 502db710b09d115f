"""The opening and sampling of layer files, as the reader process does it."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.engine.prepare.case_faults import LayerFaults
from underoak.engine.prepare.input_blocks import check_blocks
from underoak.engine.prepare.value_ranges import ValueRange, tallied_range
from underoak.engine.storage.read_note import Noted
from underoak.layers.catalogue import open_layers
from underoak.layers.class_codes import check_codes
from underoak.layers.decoding.plausibility import LayerNames, check_values
from underoak.layers.decoding.value_tally import ValueTally, count_values
from underoak.layers.derivation.contradictions import MAX_CELLS, count_contradictions, report_contradictions
from underoak.layers.derivation.source_layer import clip_to_source
from underoak.layers.derivation.whole_file import WholeFileSource
from underoak.layers.files import Trust
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.quantile_layers import Quantiles, check_crossing, open_quantiles
from underoak.layers.shapes.distance import ShapeDistance
from underoak.layers.stack import Stack, StackedLayer
from underoak.plan.case import Case
from underoak.plan.keys.layer import LayerSpec

_NOTED = re.compile(r"rows (\d+)\+(\d+), columns (\d+)\+(\d+)")


OpenedLayers = tuple[tuple[StackedLayer, ...], dict[str, Quantiles]]


@dataclass(frozen=True, slots=True)
class LayersRequest:
    """A request to open the layers of one case; `judged` are those of criteria and constraints."""

    specs: Mapping[str, LayerSpec]
    judged: frozenset[str]


def open_files(
    requests: Mapping[Case, LayersRequest], base: Path, trust: Trust, is_south: bool, grid: Grid | None
) -> tuple[dict[Case, Problems], dict[Case, OpenedLayers]]:
    """Return faults and warnings of each case, and its layers with their quantiles."""
    problems, opened = {}, {}
    for case, request in requests.items():
        problems[case] = case_problems = Problems()
        layers = open_layers(request.specs, base, trust, is_south, case_problems, request.judged, grid)
        opened[case] = layers, open_quantiles(request.specs, layers, base, trust, case_problems)
    return problems, opened


def sample_files(
    stack: Stack, quantiles: Sequence[tuple[str, Quantiles, str]], deep: bool
) -> tuple[list[LayerFaults], dict[str, ValueRange]]:
    """Check a sample of the values of all layers, and return faults and warnings, and the ranges of the values.

    Args:
        stack: the layers.
        quantiles: a layer's name in its plan, its quantiles, and its name in the stack.
        deep: check every cell, and verify every stored block.
    """
    faults: list[LayerFaults] = []
    if deep:
        faults += check_blocks(stack)
    with gdal_settings():  # once, and not for every read
        of_values, ranges = check_layer_values(stack, deep)
        faults += of_values
        faults += _check_quantiles(stack, quantiles, deep)
        faults += check_contradictions(stack, deep)
        for layer in stack.layers:
            problems = Problems()
            with _errors_to(problems):
                check_codes(layer, stack.region_window(layer), problems)
            faults.append(LayerFaults.of([layer.name], problems))
    return [each for each in faults if each.faults], ranges


def reread(stack: Stack, noted: Sequence[Noted]) -> None:
    """Read again the cells that a run was reading when it died, from the layers that still read them.

    Raises:
        UnderoakError: E230.
    """
    sources = [source for _, source in _sources(stack)]
    for what, where in noted:
        match = _NOTED.fullmatch(what)
        for source in sources:
            if match and source.request.where == where:
                row, rows, col, cols = map(int, match.groups())
                source.read(Window(row, col, rows, cols).clip(*source.grid.shape))


@contextlib.contextmanager
def _errors_to(problems: Problems) -> Iterator[None]:
    try:
        yield
    except UnderoakError as error:
        problems.add_error(error)


@dataclass
class _Checked:
    """A source that was counted, and the layers of the stack that have it."""

    source: Any
    tally: ValueTally
    layers: list[str]
    problems: Problems


def check_layer_values(
    stack: Stack, every_cell: bool, names: Collection[str] | None = None
) -> tuple[list[LayerFaults], dict[str, ValueRange]]:
    """Count the values of all layers of a stack, or of the named ones. Return what is wrong, and the ranges.

    What several layers of one file have in common is reported once.
    """
    reports, by_file = [], dict[Hashable, list[_Checked]]()
    ranges: dict[str, ValueRange] = {}
    for layer, source in _sources(stack):
        if names is not None and layer.name not in names:
            continue
        request = source.request
        file = source.facts.path, request.variable, request.band, request.unit, request.scale, request.nodata
        same = next((each for each in by_file.get(file, ()) if each.source == source), None)
        if same is not None:
            same.layers.append(layer.name)
            _add_range(layer, same.tally, ranges)
            continue
        problems = Problems()
        with _errors_to(problems):
            tally = count_values(source, source_window(stack, layer, source), every_cell)
            check_values(tally, source, LayerNames.of([request]), problems)
            by_file.setdefault(file, []).append(_Checked(source, tally, [layer.name], problems))
            _add_range(layer, tally, ranges)
            continue
        reports.append(LayerFaults.of([layer.name], problems))  # the file cannot be read
    for several in by_file.values():
        by_codes = dict[tuple[str, ...], list[_Checked]]()
        for each in several:
            codes = [fault.code for fault in (*each.problems.faults, *each.problems.warnings)]
            by_codes.setdefault(tuple(codes), []).append(each)
        for alike in by_codes.values():
            problems = alike[0].problems
            if len(alike) > 1:
                problems = Problems()
                joined = LayerNames.of([each.source.request for each in alike])
                check_values(alike[0].tally, alike[0].source, joined, problems)
            reports.append(LayerFaults.of((name for each in alike for name in each.layers), problems))
    return reports, ranges


def _add_range(layer: StackedLayer, tally: ValueTally, ranges: dict[str, ValueRange]) -> None:
    value_range = tallied_range(layer, tally)
    if value_range is not None:
        ranges[layer.name] = value_range


def check_contradictions(stack: Stack, every_cell: bool, is_sampled_only: bool = False) -> list[LayerFaults]:
    """Return what is wrong with layers whose inputs rule each other out; `is_sampled_only`: with large ones."""
    reports = []
    for layer in stack.layers:
        problems, window = Problems(), stack.region_window(layer)
        if is_sampled_only and window.rows * window.cols <= MAX_CELLS:
            continue
        with _errors_to(problems):
            counts = count_contradictions(layer.source_layer, window, every_cell)
            if counts is not None:
                report_contradictions(layer.source_layer, counts, layer.where, problems)
        reports.append(LayerFaults.of([layer.name], problems))
    return reports


def source_window(stack: Stack, layer: StackedLayer, source: Any) -> Window:
    """Return the cells of a source that the region needs of a layer, inside the source's grid."""
    window = clip_to_source(source, stack.region_window(layer))
    if source.is_periodic:  # the same columns, numbered from the source's first; cut where they wrap around
        window = replace(window, col=window.col % source.grid.cols).clip(*source.grid.shape)
    return window


def _check_quantiles(stack: Stack, quantiles: Sequence[tuple[str, Quantiles, str]], deep: bool) -> list[LayerFaults]:
    by_name = {layer.name: layer for layer in stack.layers}
    reports, checked = [], set()
    for name, each, stacked in quantiles:
        if stacked not in checked:
            checked.add(stacked)
            problems = Problems()
            with _errors_to(problems):
                check_crossing(name, each, stack.region_window(by_name[stacked]), deep, problems)
            reports.append(LayerFaults.of([stacked], problems))
    return reports


def _sources(stack: Stack) -> Iterator[tuple[StackedLayer, Any]]:
    """Yield each layer with each raster that it comes from."""
    for layer in stack.layers:
        for source in layer.source_layer.sources:
            if isinstance(source, WholeFileSource):
                yield layer, source.source
            elif not isinstance(source, ShapeDistance):
                yield layer, source
