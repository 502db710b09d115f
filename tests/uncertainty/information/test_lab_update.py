"""Laboratory results and the doubt of a parcel's mean."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.uncertainty import lab_update


def test_rows_together_or_one_after_the_other_say_the_same():
    together = lab_update(7.3, 0.4, [7.8, 7.6, 8.0], [0.15, 0.3, 0.2])
    after = lab_update(7.3, 0.4, [7.8], 0.15)
    for row, error in ((7.6, 0.3), (8.0, 0.2)):
        after = lab_update(after.mean, after.sd, [row], error)
    assert together.mean == pytest.approx(after.mean, abs=1e-12)
    assert together.sd == pytest.approx(after.sd, abs=1e-12)


lab_rows = st.lists(st.floats(4.0, 9.0), min_size=1, max_size=5)


@given(st.floats(4.0, 9.0), st.floats(0.0, 2.0), lab_rows, st.floats(0.0, 1.0))
def test_the_new_mean_lies_between_map_and_laboratory_and_is_surer(mean, sd, rows, error):
    found = lab_update(mean, sd, rows, error)
    assert min(mean, *rows) - 1e-9 <= found.mean <= max(mean, *rows) + 1e-9
    assert 0.0 <= found.sd <= sd + 1e-12


def test_agrees_with_bayes_on_a_grid():
    x = np.linspace(3.0, 12.0, 90_001)
    density = np.exp(-0.5 * ((x - 7.3) / 0.4) ** 2 - 0.5 * ((x - 7.8) / 0.15) ** 2 - 0.5 * ((x - 7.1) / 0.3) ** 2)
    density /= density.sum()
    mean = (density * x).sum()
    found = lab_update(7.3, 0.4, [7.8, 7.1], [0.15, 0.3])
    assert found.mean == pytest.approx(mean, abs=1e-9)
    assert found.sd == pytest.approx(np.sqrt((density * (x - mean) ** 2).sum()), abs=1e-9)


def test_parcels_side_by_side_and_rows_that_are_not_there():
    rows = [[7.8, np.nan, 7.8], [np.nan, np.nan, 7.6]]
    found = lab_update([7.3, 7.3, 7.3], 0.4, rows, 0.15)
    assert found.mean[0] == lab_update(7.3, 0.4, [7.8], 0.15).mean
    assert (found.mean[1], found.sd[1]) == (7.3, 0.4)
    assert found.mean[2] == pytest.approx(lab_update(7.3, 0.4, [7.8, 7.6], 0.15).mean)


def test_a_result_without_error_settles_and_a_certain_map_stays():
    assert lab_update(7.3, 0.4, [7.8, 7.0], [0.0, 0.2]) == (7.8, 0.0)
    assert lab_update(7.3, 0.4, [7.8, 7.6], 0.0) == (pytest.approx(7.7), 0.0)
    assert lab_update(7.3, 0.0, [7.8], 0.15) == (7.3, 0.0)
    assert lab_update(7.3, 0.0, [7.8], 0.0) == (7.3, 0.0)


def test_a_map_that_knows_nothing_takes_the_laboratory():
    found = lab_update(7.3, 1e9, [7.8], 0.15)
    assert found.mean == pytest.approx(7.8)
    assert found.sd == pytest.approx(0.15)


def test_missing_map_stays_missing():
    assert np.isnan(lab_update(np.nan, 0.4, [7.8], 0.15).mean)
    assert np.isnan(lab_update(7.3, np.nan, [7.8], 0.15).sd)


@pytest.mark.parametrize(("sd", "error"), [(-0.1, 0.1), (0.1, -0.1)])
def test_negative_errors_are_refused(sd, error):
    with pytest.raises(UnderoakError, match="E360"):
        lab_update(7.0, sd, [7.0], error)
