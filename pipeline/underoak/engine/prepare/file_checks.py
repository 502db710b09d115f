"""The opening and sampling of layer files, as the reader process does it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.engine.prepare.input_blocks import stored_parts
from underoak.layers.catalogue import open_layers
from underoak.layers.class_codes import check_codes
from underoak.layers.decoding.plausibility import check_sample, read_sample
from underoak.layers.derivation.source_layer import clip_to_source
from underoak.layers.derivation.whole_file import WholeFileSource
from underoak.layers.files import Trust
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.integrity.verify import verify_blocks
from underoak.layers.quantile_layers import Quantiles, check_crossing, open_quantiles
from underoak.layers.shapes.distance import ShapeDistance
from underoak.layers.stack import Stack, StackedLayer
from underoak.plan.case import Case
from underoak.plan.keys.layer import LayerSpec

_SAMPLES, _DEEP_SAMPLES = 5, 10  # blocks along a side of the region
_READ_CELLS = 1024  # along a side


OpenedLayers = tuple[tuple[StackedLayer, ...], dict[str, Quantiles]]


@dataclass(frozen=True, slots=True)
class LayersRequest:
    """A request to open the layers of one case; `judged` are those of criteria and constraints."""

    specs: Mapping[str, LayerSpec]
    judged: frozenset[str]


def open_files(
    requests: Mapping[Case, LayersRequest], base: Path, trust: Trust, is_south: bool, grid: Grid | None
) -> tuple[list[Fault], dict[Case, OpenedLayers]]:
    """Return faults and warnings, and the layers of each case with their quantiles."""
    problems, opened = Problems(), {}
    for case, request in requests.items():
        layers = open_layers(request.specs, base, trust, is_south, problems, request.judged, grid)
        opened[case] = layers, open_quantiles(request.specs, layers, base, trust, problems)
    return [*problems.faults, *problems.warnings], opened


def sample_files(stack: Stack, quantiles: Sequence[tuple[str, Quantiles, str]], deep: bool) -> list[Fault]:
    """Check a sample of the values of all layers, and return faults and warnings.

    Args:
        stack: the layers.
        quantiles: a layer's name in its plan, its quantiles, and its name in the stack.
        deep: also read every cell, and verify every stored block.
    """
    problems = Problems()
    if deep:
        problems.extend(verify_blocks(list(stored_parts(stack)), {}).faults)
    with gdal_settings():  # once, and not for every read
        _check_values(stack, problems, deep)
        _check_quantiles(stack, quantiles, problems, deep)
        for layer in stack.layers:
            try:
                check_codes(layer, stack.region_window(layer), problems)
            except UnderoakError as error:
                problems.add_error(error)
    return [*problems.faults, *problems.warnings]


def _check_values(stack: Stack, problems: Problems, deep: bool) -> None:
    checked = []
    for layer, source in _sources(stack):
        if source in checked:
            continue
        checked.append(source)
        window = clip_to_source(source, stack.region_window(layer))
        if source.is_periodic:  # the same columns, numbered from the source's first; cut where they wrap around
            window = replace(window, col=window.col % source.grid.cols).clip(*source.grid.shape)
        try:
            if deep:
                _read_all(source, window)
            check_sample(read_sample(source, window, n=_DEEP_SAMPLES if deep else _SAMPLES), source, problems)
        except UnderoakError as error:
            problems.add_error(error)


def _check_quantiles(
    stack: Stack, quantiles: Sequence[tuple[str, Quantiles, str]], problems: Problems, deep: bool
) -> None:
    by_name = {layer.name: layer for layer in stack.layers}
    checked = set()
    for name, each, stacked in quantiles:
        if stacked not in checked:
            checked.add(stacked)
            try:
                check_crossing(name, each, stack.region_window(by_name[stacked]), deep, problems)
            except UnderoakError as error:
                problems.add_error(error)


def _sources(stack: Stack) -> Iterator[tuple[StackedLayer, Any]]:
    """Yield each layer with each raster that it comes from."""
    for layer in stack.layers:
        for source in layer.source_layer.sources:
            if isinstance(source, WholeFileSource):
                yield layer, source.source
            elif not isinstance(source, ShapeDistance):
                yield layer, source


def _read_all(source: Any, window: Window) -> None:
    """Read every cell once, so that a truncated file is found before the run starts."""
    for part in window.tiles(_READ_CELLS):
        source.read(part)
