"""Inputs that rule each other out are counted and located."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.base.errors import Problems
from underoak.indicators import get
from underoak.layers.derivation import contradictions
from underoak.layers.derivation.contradictions import count_contradictions, report_contradictions
from underoak.layers.derivation.source_layer import ExtraInput, SourceLayer

from layer_builders import opened, write_tif

RNG = np.random.default_rng(17)
SHAPE = (90, 120)


@pytest.fixture
def texture(tmp_path):
    """Fractions that add up to 100 save in some cells; return the layer, and these cells."""
    sand = RNG.integers(10, 60, SHAPE)
    clay = RNG.integers(5, 30, SHAPE)
    silt = 100 - sand - clay
    cells = np.sort(RNG.choice(sand.size, int(RNG.integers(2, 40)), replace=False))
    silt.ravel()[cells] += 6
    silt[-1, -1] = -1  # missing: no contradiction
    sources = []
    for name, values in (("sand", sand), ("silt", silt), ("clay", clay)):
        write_tif(tmp_path / f"{name}.tif", values.astype(np.int16), nodata=-1)
        source, problems = opened(tmp_path, f"{name}.tif", unit="percent")
        assert not problems.faults
        sources.append(source)
    settings = (("tolerance", 5.0),)
    extra = tuple(ExtraInput(source) for source in sources[1:])
    layer = SourceLayer(sources[0], indicator=get("texture_class"), extra_inputs=extra, settings=settings)
    return layer, cells[cells < sand.size - 1]


def test_fractions_that_do_not_add_up_are_counted_and_located(texture):
    layer, cells = texture
    counts = count_contradictions(layer, layer.grid.window)
    assert counts is not None
    assert (counts.off.cells, counts.cells) == (cells.size, SHAPE[0] * SHAPE[1] - 1)
    problems = Problems()
    report_contradictions(layer, counts, "soil (sand.tif)", problems)
    (warning,) = problems.warnings
    assert warning.code == "W222"
    row, col = divmod(int(cells[0]), SHAPE[1])
    start = (
        f"sand, silt and clay do not add up to 100 % in {cells.size} of 10 799 cells, which count as missing; first in"
    )
    assert warning.what.startswith(f"{start} row {row + 1}, column {col + 1},")


def test_they_are_exactly_the_cells_that_become_missing(texture):
    layer, cells = texture
    window = layer.grid.window
    values = layer.derive(
        layer.source.read(window).values, window, window, *(e.source.read(window).values for e in layer.extra_inputs)
    )
    assert np.count_nonzero(np.isnan(values)) == cells.size + 1


def test_of_very_large_layers_a_sample_is_counted_and_said_to_be_one(texture, monkeypatch):
    layer, _ = texture
    monkeypatch.setattr(contradictions, "MAX_CELLS", 100)
    counts = count_contradictions(layer, layer.grid.window)
    assert counts is not None
    assert counts.is_sample
    exact = count_contradictions(layer, layer.grid.window, every_cell=True)
    assert exact is not None
    assert not exact.is_sample


def test_other_layers_have_no_such_rule(texture):
    layer, _ = texture
    assert count_contradictions(SourceLayer(layer.source), layer.grid.window) is None
