"""Settings of indicators: read from what a plan writes, with units, choices, codes and defaults."""

from __future__ import annotations

import pytest

from underoak.base.errors import UnderoakError
from underoak.indicators import get
from underoak.indicators.declaration import Parameter


def refused(call):
    with pytest.raises(UnderoakError) as caught:
        call()
    return [(fault.code, fault.where) for fault in caught.value.faults], caught.value.faults[0]


def test_settings_come_in_the_declared_unit_with_defaults_for_the_rest():
    assert get("topographic_position").settings({"radius": "0.3 km"}) == {"radius": 300.0, "inner": 0.0}
    assert get("heat_load").settings({}) == {"equation": "2"}
    assert get("heat_load").settings({"equation": 1}) == {"equation": "1"}
    assert get("distance").settings({"codes": [20, 10, 20], "within": "1 km"}) == {"codes": (10, 20), "within": 1000.0}
    assert get("distance").settings({"codes": 10, "within": "30 m"})["codes"] == (10,)


def test_all_faults_of_the_settings_are_told_at_once():
    codes, first = refused(lambda: get("topographic_position").settings({"radus": "300 m", "inner": "20 m"}))
    assert codes == [("E353", "radus"), ("E353", "radius")]
    assert '"radius"' in first.fix


@pytest.mark.parametrize(
    ("indicator", "written", "code"),
    [
        ("topographic_position", {"radius": 300}, "E342"),
        ("topographic_position", {"radius": "300 degC"}, "E341"),
        ("topographic_position", {"radius": "300 foos"}, "E340"),
        ("topographic_position", {"radius": "0 m"}, "E353"),
        ("topographic_position", {"radius": "300 m", "inner": "300 m"}, "E353"),
        ("heat_load", {"equation": 3}, "E353"),
        ("heat_load", {"equation": True}, "E353"),
        ("distance", {"codes": [], "within": "30 m"}, "E353"),
        ("distance", {"codes": ["oak"], "within": "30 m"}, "E353"),
        ("distance", {"codes": [True], "within": "30 m"}, "E353"),
        ("slope", {"radius": "30 m"}, "E353"),
    ],
)
def test_a_setting_that_cannot_be_is_refused(indicator, written, code):
    codes, _ = refused(lambda: get(indicator).settings(written))
    assert [each for each, _ in codes] == [code]


def test_a_plain_number_needs_no_unit_and_takes_no_word():
    share = Parameter("a share", low=0.0, high=1.0)
    assert share.settle(0.5) == 0.5
    for wrong in ("0.5", True, 2.0, float("nan"), None):
        with pytest.raises(UnderoakError):
            share.settle(wrong)


def test_shapes_have_no_codes():
    assert get("distance").settings({"within": "30 m"}, of_shapes=True) == {"within": 30.0}
    codes, _ = refused(lambda: get("distance").settings({"within": "30 m", "codes": [1]}, of_shapes=True))
    assert codes == [("E353", "codes")]
