"""Class codes that a file does not have are told: the distance to nothing is a number like any other."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.indicators import get
from underoak.layers.class_codes import check_codes
from underoak.layers.derivation.source_layer import SourceLayer
from underoak.layers.stack import StackedLayer

from layer_builders import opened, write_tif

SHAPE = (300, 1500)
REGION = Window(100, 100, 100, 1300)


@pytest.fixture(scope="module")
def cover(tmp_path_factory):
    """Codes 10 and 20; a single cell of 30 far from the sampled ones, and one of 40 outside the region."""
    folder = tmp_path_factory.mktemp("cover")
    cells = np.full(SHAPE, 10, np.uint8)
    cells[:, 700:] = 20
    cells[150, 1301] = 30
    cells[10, 10] = 40
    write_tif(folder / "cover.tif", cells, nodata=0)
    source, problems = opened(folder, "cover.tif", kind="classes")
    assert not problems.faults
    return source


def distance_to(source, codes, within=90.0):
    settings = (("codes", tuple(codes)), ("within", within))
    return StackedLayer("wood", SourceLayer(source, indicator=get("distance"), settings=settings), "mean")


def share_of(source, codes):
    return StackedLayer("wood", SourceLayer(source), "share", tuple(map(float, codes)))


def warnings(layer, **options):
    problems = Problems()
    check_codes(layer, REGION, problems, **options)
    assert not problems.faults
    return [str(fault) for fault in problems.warnings]


def test_a_code_that_one_cell_holds_is_there(cover):
    assert warnings(distance_to(cover, [10, 20, 30])) == []


def test_a_code_that_no_cell_holds_is_told_with_those_that_there_are(cover):
    (line,) = warnings(distance_to(cover, [10, 31]))
    assert line.startswith("W217 wood (")
    assert "class code 31 does not occur in or near the region; the file has 10, 20, 30. Fix: " in line


def test_codes_none_of_which_is_there_leave_one_value_everywhere(cover):
    (line,) = warnings(distance_to(cover, [31, 32]))
    assert "class codes 31, 32 do not occur in or near the region; the file has 10, 20, 30" in line
    assert ": so the layer has one value everywhere" in line


def test_what_lies_within_reach_of_the_region_counts(cover):
    assert warnings(distance_to(cover, [40], within=2800.0)) == []  # 90 cells up and to the left, of 30 m
    assert len(warnings(distance_to(cover, [40], within=2400.0))) == 1


def test_of_a_share_only_all_codes_together_are_told(cover):
    assert warnings(share_of(cover, [10, 31])) == []
    assert len(warnings(share_of(cover, [31, 32]))) == 1


def test_a_file_too_large_to_read_is_sampled_and_the_warning_says_so(cover):
    (line,) = warnings(distance_to(cover, [31]), max_cells=1000)
    assert "class code 31 does not occur in a sample of the region" in line


def test_layers_without_codes_are_not_read(cover):
    class Unread:
        def __getattr__(self, name):
            raise AssertionError(f"{name} is looked at")

    check_codes(StackedLayer("ph", SourceLayer(Unread()), "bilinear"), REGION, Problems())
