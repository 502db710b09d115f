"""How results become stored cells, and cells overviews."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.grid import Window
from underoak.engine.judge.reducer import JudgedBlock
from underoak.engine.write.outputs import halve, standard_outputs, to_steps

OUTPUTS = {o.layout.name: o for o in standard_outputs("t", ["a", "b"], "float32", True)}


def judged(suitability, classes) -> JudgedBlock:
    suitability, classes = np.float32(suitability), np.uint8(classes)
    memberships = np.stack([suitability, 1 - suitability])
    return JudgedBlock(Window(0, 0, *classes.shape), memberships, suitability, classes, classes, classes, suitability)


def test_what_is_excluded_or_missing_is_no_membership():
    cells = OUTPUTS["memberships.tif"].cells(judged([[0.5, 0.0, np.nan]], [[2, 250, 255]]))
    assert cells.tolist() == [[[125, 255, 255]], [[125, 255, 255]]]


@given(st.lists(st.floats(0, 1, width=32), min_size=1))
def test_quantised_suitability_is_within_half_a_step(values):
    stored = to_steps(np.float32([values]), 60000, 65535, "uint16")
    assert np.abs(stored / 60000 - np.float32([values])).max() <= 0.5 / 60000 + 1e-7


def test_overview_values_are_means_of_the_valid_cells_and_need_half_of_them():
    output = OUTPUTS["suitability.tif"]
    cells = np.float32([[[0.2, 0.4, np.nan, np.nan, 0.8], [0.6, 0.8, np.nan, 0.5, 0.6]]])
    assert halve(cells, output)[0] == pytest.approx(np.float32([[0.5, np.nan, 0.7]]), nan_ok=True)


def test_overview_classes_are_the_most_common_and_the_lower_on_a_tie():
    cells = np.uint8([[[1, 1, 3, 4, 250], [1, 4, 4, 3, 2], [255, 255, 2, 1, 3]]])
    assert halve(cells, OUTPUTS["class.tif"])[0].tolist() == [[1, 3, 2], [255, 1, 3]]


def test_whole_number_overviews_round_half_up():
    output = standard_outputs("t", ["a"], "uint16", False)[0]
    assert halve(np.uint16([[[1, 2], [65535, 65535]]]), output).tolist() == [[[2]]]
