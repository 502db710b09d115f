"""Reaches that cannot be, and latitudes an indicator does not hold at, are told before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from underoak.base.errors import Problems
from underoak.base.grid import Grid
from underoak.engine.prepare.indicator_limits import check_range
from underoak.indicators import get
from underoak.layers.derivation.source_layer import SourceLayer
from underoak.layers.source import SourceFacts
from underoak.layers.stack import Stack, StackedLayer

FACTS = SourceFacts("memory", "GeoTIFF", "float32", "m", "m", "as it is")


@dataclass(frozen=True)
class Bare:
    """A source that is never read."""

    grid: Grid
    is_periodic: bool = False
    months: tuple[int, ...] = ()
    facts: SourceFacts = FACTS


def told(target, source, indicator, **written):
    indicator = get(indicator)
    native = SourceLayer(Bare(source), indicator=indicator, settings=tuple(indicator.settings(written).items()))
    layer, problems = StackedLayer("x", native, "bilinear"), Problems()
    check_range(Stack(target, (layer,)), layer, problems)
    return [*problems.faults, *problems.warnings]


SPAIN = Grid.north_up("EPSG:25831", 417_000.0, 4_600_000.0, 30.0, 400, 450)
DEM = Grid("EPSG:4326", (1 / 3600, 0, 1.9, 0, -1 / 3600, 41.7), 1500, 1500)


@pytest.mark.parametrize(("radius", "codes"), [("30 m", ["E355"]), ("31 m", []), ("40 km", []), ("60 km", ["E355"])])
def test_a_reach_of_less_than_a_cell_or_of_too_many_is_refused(radius, codes):
    # a cell is 23.2 m by 30.85 m there, and 2000 of them are 46 km
    assert [fault.code for fault in told(SPAIN, DEM, "topographic_position", radius=radius)] == codes


def north(latitude):
    return Grid.north_up("EPSG:3857", 0.0, latitude, 1000.0, 50, 50)


def test_beyond_its_latitudes_an_indicator_is_refused_and_partly_beyond_warned_of():
    world = Grid("EPSG:4326", (0.01, 0, -10.0, 0, -0.01, 75.0), 14_000, 3000)
    assert told(SPAIN, DEM, "heat_load") == []
    (fault,) = told(north(9_000_000.0), world, "heat_load")  # 62.4 N
    assert fault.code == "E356"
    assert "62" in fault.what
    (warning,) = told(north(8_420_000.0), world, "direct_radiation")  # 60.1 N down to 59.8
    assert warning.code == "W356"
    (fault,) = told(north(-8_600_000.0), world, "heat_load")
    assert fault.code == "E356"
    assert told(north(9_000_000.0), world, "slope") == []
