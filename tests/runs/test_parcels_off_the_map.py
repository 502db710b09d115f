"""Parcels that lie outside the region, or have their coordinates swapped, are told before anything is judged."""

import pytest
import shapely

import underoak as uo
from underoak.base.crs import transformer
from underoak.base.errors import UnderoakError
from underoak.runs.check import check

from noise import LEFT, TOP, small_country, write_shapes


@pytest.fixture
def land(tmp_path):
    return small_country(tmp_path), tmp_path


def with_parcels(land, shapes, crs="EPSG:25831"):
    plan, folder = land
    write_shapes(folder / "some.gpkg", shapes, crs, name=[f"p{n}" for n in range(len(shapes))])
    return uo.load_plan({**plan, "parcels": {"file": "some.gpkg", "id": "name"}}, base=folder)


def at(x, y):
    return shapely.box(LEFT + x, TOP - y, LEFT + x + 60, TOP - y + 60)


def test_none_in_the_region_is_a_fault_with_both_extents(land):
    with pytest.raises(UnderoakError) as caught:
        check(with_parcels(land, [at(90_000, 500), at(95_000, 700)]))
    (fault,) = caught.value.faults
    assert (fault.code, caught.value.exit_code) == ("E421", 5)
    assert "they lie in longitude 3." in fault.what
    assert "the region in longitude 2." in fault.what
    assert "swapped" not in fault.fix


def test_swapped_coordinates_are_proposed(land):
    longitude, latitude = transformer("EPSG:25831", "EPSG:4326").transform(LEFT + 900, TOP - 900)
    swapped = shapely.Point(latitude, longitude).buffer(0.0005)
    with pytest.raises(UnderoakError) as caught:
        check(with_parcels(land, [swapped], "EPSG:4326"))
    assert [fault.code for fault in caught.value.faults] == ["E421"]
    assert "look swapped" in caught.value.faults[0].fix


def test_some_outside_are_counted(land):
    lines = check(with_parcels(land, [at(500, 500), at(90_000, 500), at(900, 900)]))
    (warning,) = [line for line in lines if line.startswith("W422")]
    assert "1 of 3 parcels lie outside the region" in warning


def test_all_inside_say_nothing(land):
    assert not [line for line in check(with_parcels(land, [at(500, 500)])) if "W422" in line]


def test_where_no_parcel_is_judged_the_next_step_says_what_to_do_about_them(land):
    beside = shapely.box(LEFT - 5000, TOP - 60, LEFT + 5, TOP)  # it meets the region by a strip of 5 m
    run = uo.run(with_parcels(land, [beside]), out=land[1] / "out")
    assert run.parcels["rank"].isna().all()
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "Widen the region, or take it off the list." in page
    assert "Have the best land tested" not in page
