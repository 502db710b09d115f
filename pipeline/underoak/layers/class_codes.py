"""Are the class codes that a plan asks for in the file? Distances to none and shares of none look like any value."""

from __future__ import annotations

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.layers.decoding.plausibility import sample_windows
from underoak.layers.resampling.source_layer import clip_to_source, read_window
from underoak.layers.stack import StackedLayer

MOST_READ = 200_000_000  # cells: of more, a sample is looked at
_SIDE = 1024
_MOST_LISTED = 15


def requested_codes(layer: StackedLayer) -> tuple[float, ...]:
    """The class codes that a layer is the distance to, or the share of; none for any other layer."""
    indicator, settings = layer.source_layer.indicator, dict(layer.source_layer.settings)
    named = [key for key, parameter in indicator.parameters.items() if parameter.is_codes] if indicator else []
    asked = [code for key in named for code in settings.get(key) or ()]  # type: ignore[union-attr]
    return tuple(map(float, asked)) or layer.share_of


def check_codes(layer: StackedLayer, window: Window, problems: Problems) -> None:
    """Add W217 for codes that no cell holds: any code of a distance, all codes of a share.

    `window` are the cells that the region asks of the layer; they are read until every code is found.

    Raises:
        UnderoakError: E230 when the file cannot be read there.
    """
    asked = requested_codes(layer)
    if not asked:
        return
    source, held = (
        layer.source_layer.source,
        clip_to_source(layer.source_layer.source, layer.source_layer.input_window(window)),
    )
    is_whole = held.rows * held.cols <= MOST_READ
    missing, seen = set(asked), set[float]()
    for part in held.tiles(_SIDE) if is_whole else sample_windows(held, n=10):
        found = np.unique(read_window(source, part)[0].values)
        seen.update(found[np.isfinite(found)].tolist())
        missing -= seen
        if not missing or (layer.share_of and len(missing) < len(asked)):
            return
    if not seen:
        return  # nothing but missing ground, which is told elsewhere
    gone, there = sorted(missing), sorted(seen)
    listed = _listed(there[:_MOST_LISTED]) + (
        f" and {len(there) - _MOST_LISTED} more" if len(there) > _MOST_LISTED else ""
    )
    where = f"{layer.name} ({source.facts.path})"
    cells = "cell of the region and around it" if is_whole else "sampled cell"
    what = f"no {cells} holds code{'s' if len(gone) > 1 else ''} {_listed(gone)}; the file has {listed}"
    effect = "" if len(gone) < len(asked) else ": so the layer has one value everywhere"
    problems.add("W217", what + effect, where, "look into the file's legend, or leave out what is not there")


def _listed(codes: list[float]) -> str:
    return ", ".join(f"{code:g}" for code in codes)
