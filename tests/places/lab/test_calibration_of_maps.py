"""Maps against all parcels that were tested."""

from types import SimpleNamespace

import numpy as np
import pytest

from underoak.places.lab.calibration import calibrated, calibration_warnings
from underoak.places.lab.effect import PooledResult


def checked(n, off_by, said, lab_sd=0.15, layer="soil_ph", seed=5):
    rng = np.random.default_rng(seed)
    maps = rng.normal(7.4, 0.3, n)
    labs = maps + rng.normal(0, off_by, n) + rng.normal(0, lab_sd, n)
    return {
        f"p{i}": (PooledResult(layer, m, said, lab, lab_sd, m, 2),)
        for i, (m, lab) in enumerate(zip(maps, labs, strict=True))
    }


def test_a_map_that_is_further_off_than_it_says_is_flagged_with_how_much():
    found = calibrated(checked(40, off_by=0.8, said=0.2))
    assert found["soil_ph"].finding == "too narrow"
    (fault,) = calibration_warnings(found)
    assert fault.code == "W416"
    assert fault.where == "layers.soil_ph"
    assert f"{found['soil_ph'].inside} of 40 tested parcels" in fault.what
    assert found["soil_ph"].inflation == pytest.approx(4.0, rel=0.35)
    assert f"{found['soil_ph'].inflation:.1f} times" in fault.fix


def test_a_map_that_is_right_and_one_with_few_parcels_are_not():
    for by_parcel in (checked(40, 0.3, 0.3), checked(19, 2.0, 0.1), {}):
        assert list(calibration_warnings(calibrated(by_parcel))) == []


def test_layers_are_judged_apart_and_rows_without_an_error_are_left_out():
    both = {
        parcel: (*one, *other)
        for (parcel, one), other in zip(
            checked(30, 0.3, 0.3).items(), checked(30, 9.0, 1.0, layer="clay").values(), strict=True
        )
    }
    both["bare"] = (
        PooledResult("soil_ph", 7.0, None, 9.0, 0.1, 9.0, 1),
        PooledResult("clay", 20.0, 3.0, 90.0, None, 90.0, 1),
    )
    found = calibrated(both)
    assert {layer: coverage.tests for layer, coverage in found.items()} == {"soil_ph": 30, "clay": 30}
    assert [found[layer].finding for layer in ("soil_ph", "clay")] == ["fits", "too narrow"]


def test_a_map_that_says_it_is_never_wrong_is_told_to_have_a_doubt():
    (fault,) = calibration_warnings(calibrated(checked(30, 0.5, 0.0)))
    assert "states none" in fault.fix


def test_the_report_says_it_in_a_sentence():
    from underoak.report.text.answer_words import band_lines

    said = band_lines(SimpleNamespace(calibration=calibrated(checked(40, off_by=0.8, said=0.2))))
    assert len(said) == 1
    assert said[0].startswith("soil_ph: of 40 tested parcels")
    assert "would have to be" in said[0]
    (right,) = band_lines(SimpleNamespace(calibration=calibrated(checked(40, 0.3, 0.3))))
    assert "agrees with 90 %" in right
    assert band_lines(SimpleNamespace(calibration=calibrated(checked(10, 0.3, 0.3)))) == []
