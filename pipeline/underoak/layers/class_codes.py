"""A check that class codes occur in the file: a distance to none or a share of none looks like any other value."""

from __future__ import annotations

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.layers.decoding.value_tally import sample_windows
from underoak.layers.derivation.source_layer import clip_to_source, read_window
from underoak.layers.stack import StackedLayer

MAX_CELLS = 200_000_000  # of more, a sample is read
_SIDE = 1024
_MAX_LISTED = 15


def requested_codes(layer: StackedLayer) -> tuple[float, ...]:
    """Return the class codes that a layer is the distance to, or the share of; none for any other layer."""
    indicator, settings = layer.source_layer.indicator, dict(layer.source_layer.settings)
    if indicator is None:
        return layer.share_of
    values = [settings.get(key) for key, parameter in indicator.parameters.items() if parameter.is_codes]
    codes = [float(code) for value in values if isinstance(value, tuple | list) for code in value]
    return tuple(codes) or layer.share_of


def check_codes(layer: StackedLayer, window: Window, problems: Problems, max_cells: int = MAX_CELLS) -> None:
    """Add W217 for codes that no cell holds: any code of a distance, all codes of a share.

    Args:
        layer: the layer, whose cells are read until every code is found.
        window: the source cells that the region needs of the layer.
        problems: where the warning goes.
        max_cells: of a window with more cells, a sample is read.

    Raises:
        UnderoakError: E230 when the file cannot be read there.
    """
    codes = requested_codes(layer)
    if not codes:
        return
    source = layer.source_layer.source
    cells = clip_to_source(source, layer.source_layer.input_window(window))
    reads_all = cells.rows * cells.cols <= max_cells
    absent, present = set(codes), set[float]()
    for part in cells.tiles(_SIDE) if reads_all else sample_windows(cells, 10, block=source.facts.block):
        values = np.unique(read_window(source, part)[0].values)
        present.update(values[np.isfinite(values)].tolist())
        absent -= present
        if not absent or (layer.share_of and len(absent) < len(codes)):
            return
    if not present:
        return  # the layer has no data here, which another check reports
    verb = "does" if len(absent) == 1 else "do"
    where = "in or near the region" if reads_all else "in a sample of the region"
    code = "class code" if len(absent) == 1 else "class codes"
    what = f"{code} {_code_list(absent)} {verb} not occur {where}; the file has {_code_list(present)}"
    effect = "" if len(absent) < len(codes) else ": so the layer has one value everywhere"
    fix = "look up the codes in the file's legend, or remove those that do not occur"
    problems.add("W217", what + effect, layer.where, fix)


def _code_list(codes: set[float]) -> str:
    listed = ", ".join(f"{code:g}" for code in sorted(codes)[:_MAX_LISTED])
    return listed + (f" and {len(codes) - _MAX_LISTED} more" if len(codes) > _MAX_LISTED else "")
