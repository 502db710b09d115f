"""Points of a parcel: inside its edges, nested, one soil apart from the other; soils that the maps tell apart."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import underoak as uo
from underoak.places import sample_parcel
from underoak.places.soil.soil_units import SiteValues, soils_of

UTM = "EPSG:25831"
X, Y = 500_000.0, 4_600_000.0  # on the central meridian: a metre of the map is 1.0004 of the ground
TWO_HA = shapely.box(X, Y, X + 200, Y + 100)


def off_edges(made, shape):
    points = shapely.points(made.x, made.y)
    assert shapely.contains(shape, points).all()
    return shapely.distance(points, shape.boundary).min()


def split_at(border):
    """West of the border one soil, east of it another."""
    return lambda x, y: SiteValues(np.ones(len(x), bool), np.where(x < border, 0.9, 0.2)[:, None])


def test_one_point_on_two_hectares_lies_near_the_centre():
    made = sample_parcel("a", TWO_HA, UTM, 1)
    assert math.hypot(made.x[0] - (X + 100), made.y[0] - (Y + 50)) <= 10


@pytest.mark.parametrize("n", [1, 3, 8, 20])
def test_every_point_keeps_the_setback(n):
    assert off_edges(sample_parcel("a", TWO_HA, UTM, n), TWO_HA) >= 10 / 1.0004 - 0.1


def test_the_first_k_of_n_are_those_of_k():
    many = sample_parcel("a", TWO_HA, UTM, 8)
    for k in (1, 2, 5):
        few = sample_parcel("a", TWO_HA, UTM, k)
        assert few.x.tolist() == many.x[:k].tolist()
        assert few.y.tolist() == many.y[:k].tolist()
        assert few.left.tolist() == many.left[:k].tolist()


def test_two_soils_get_one_point_in_each_half_and_a_bag_each():
    made = sample_parcel("a", TWO_HA, UTM, 2, ground=split_at(X + 100))
    assert sorted(made.x < X + 100) == [False, True]
    assert [bag.points for bag in made.bags] == [(1,), (2,)]
    assert [bag.cores for bag in made.bags] == [20, 20]
    assert [bag.area_ha for bag in made.bags] == pytest.approx([1.0, 1.0], abs=0.06)


def test_a_bag_has_twenty_cores_or_more_however_many_points_share_it():
    for n in (1, 3, 7, 19, 23):
        (bag,) = sample_parcel("a", TWO_HA, UTM, n, spacing_m=5.0).bags
        assert bag.points == tuple(range(1, n + 1))
        assert 20 <= bag.cores * n < 20 + n


def test_a_soil_without_a_point_is_told():
    made = sample_parcel("a", TWO_HA, UTM, 1, ground=split_at(X + 150))
    (note,) = made.notes
    assert 22 <= int(note.split(" % ")[0].split()[-1]) <= 28
    assert made.x[0] < X + 150


def test_excluded_ground_is_not_sampled():
    def ground(x, y):
        return SiteValues(x > X + 120, np.empty((len(x), 0)))

    made = sample_parcel("a", TWO_HA, UTM, 4, ground=ground)
    assert (made.x > X + 120).all()
    assert sum(bag.area_ha for bag in made.bags) == pytest.approx(0.8, abs=0.06)
    assert "Land that a constraint excludes has no points." in made.notes
    with pytest.raises(uo.UnderoakError, match="E440"):
        sample_parcel(
            "a", TWO_HA, UTM, 1, ground=lambda x, y: SiteValues(np.zeros(len(x), bool), np.empty((len(x), 0)))
        )


def test_a_parcel_of_two_parts_is_one_and_its_larger_part_comes_first():
    far = shapely.box(X + 400, Y, X + 460, Y + 60)
    both = shapely.MultiPolygon([TWO_HA, far])
    made = sample_parcel("a", both, UTM, 6)
    assert off_edges(made, both) >= 9.9
    assert made.x[0] < X + 200
    assert (made.x > X + 400).any()


def test_no_point_falls_into_a_hole_or_near_its_edge():
    donut = shapely.Polygon(TWO_HA.exterior, [shapely.box(X + 50, Y + 30, X + 150, Y + 70).exterior])
    assert off_edges(sample_parcel("a", donut, UTM, 6), donut) >= 9.9


def test_in_a_sliver_the_setback_shrinks_and_that_is_said():
    sliver = shapely.box(X, Y, X + 400, Y + 12)
    made = sample_parcel("a", sliver, UTM, 3)
    assert off_edges(made, sliver) >= 2.9
    assert made.notes[0] == "It is too narrow to keep 10 m off its edges: the points keep 3.0 m."
    leaning = shapely.affinity.rotate(shapely.box(X, Y, X + 400, Y + 1), 27.3)
    assert off_edges(sample_parcel("a", leaning, UTM, 2), leaning) >= 0.2


@pytest.mark.parametrize("shape", [None, shapely.Polygon(), shapely.MultiPolygon()])
def test_a_parcel_without_a_shape_is_refused(shape):
    with pytest.raises(uo.UnderoakError, match=r'E440 parcel "a": it has no shape'):
        sample_parcel("a", shape, UTM, 1)


def test_more_points_than_there_is_room_for_are_refused_with_how_many_there_is():
    small = shapely.box(X, Y, X + 45, Y + 45)
    with pytest.raises(uo.UnderoakError, match=r"E441 .* only (\d) points 10 m apart") as told:
        sample_parcel("a", small, UTM, 12)
    count = int(told.value.faults[0].fix.split()[2].rstrip(","))
    assert len(sample_parcel("a", small, UTM, count).x) == count
    with pytest.raises(uo.UnderoakError, match="only one point fits"):
        sample_parcel("a", small, UTM, 2, spacing_m=500.0)


def test_distances_are_of_the_ground_and_not_of_the_map():
    """On a web map at 60 N a metre of ground is two of the map."""
    shape = shapely.box(1_000_000, 8_399_737, 1_000_400, 8_399_937)
    made = sample_parcel("a", shape, "EPSG:3857", 5)
    assert off_edges(made, shape) >= 19.8
    assert made.area_ha == pytest.approx(2.0, rel=0.02)


def test_coordinates_for_a_receiver_are_those_of_the_points():
    made = sample_parcel("a", TWO_HA, UTM, 2)
    from pyproj import Transformer

    x, y = Transformer.from_crs("EPSG:4326", UTM, always_xy=True).transform(made.lon, made.lat)
    assert x == pytest.approx(made.x, abs=1e-3)
    assert y == pytest.approx(made.y, abs=1e-3)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 5))
def test_any_outline_gets_points_inside(seed, n):
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 9))
    far = rng.uniform(30, 300, 9)
    shape = shapely.make_valid(shapely.Polygon(np.column_stack([X + far * np.cos(turn), Y + far * np.sin(turn)])))
    made = sample_parcel("a", shape, UTM, n, spacing_m=0.5)
    assert off_edges(made, shape) > 0
    assert (np.diff(made.left, prepend=1.0) < 0).all()


def test_soils_differ_by_a_quarter_and_specks_go_with_the_nearest():
    line = np.linspace(0, 1, 41)[:, None]
    soil = soils_of(line)
    for kind in np.unique(soil):
        assert np.ptp(line[soil == kind]) <= 0.25 + 1e-9
    speck = np.array([[0.9]] * 95 + [[0.1]] * 2 + [[0.3]] * 30)
    assert soils_of(speck).tolist() == [0] * 95 + [1] * 32
    assert soils_of(np.full((3, 1), np.nan)).tolist() == [-1, -1, -1]
    assert soils_of(np.empty((3, 0))).tolist() == [0, 0, 0]


@settings(max_examples=15, deadline=None)
@given(st.integers(1, 40), st.floats(120, 1500), st.floats(60, 900))
def test_no_bag_stands_for_more_than_four_hectares_and_all_points_have_one(n, width, height):
    """4 ha of even land: from memory of soil laboratories' leaflets."""
    shape = shapely.box(X, Y, X + width, Y + height)
    made = sample_parcel("a", shape, UTM, n, spacing_m=0.5, setback_m=1.0, ground=split_at(X + 0.4 * width))
    assert sorted(point for bag in made.bags for point in bag.points) == list(range(1, n + 1))
    assert all(bag.area_ha <= 4.0 + 1e-9 and bag.cores * len(bag.points) >= 20 for bag in made.bags)
    stands_for = sum(bag.area_ha for bag in made.bags)
    assert stands_for <= made.area_ha * (1.0 + 1e-9)
    if stands_for < 0.9 * made.area_ha:
        assert made.notes  # says what is not covered
    for bag in made.bags:
        assert (
            len({bool(made.x[point - 1] < X + 0.4 * width) for point in bag.points}) == 1
        )  # never two soils in one bag


def test_few_points_on_much_land_say_what_their_bags_do_not_cover():
    shape = shapely.box(X, Y, X + 700, Y + 500)  # 35 ha
    made = sample_parcel("a", shape, UTM, 3)
    assert [bag.area_ha for bag in made.bags] == [4.0, 4.0, 4.0]
    assert "A bag stands for 4 ha at most, so 3 bags stand for 12.0 ha of it: 9 points or more" in made.notes[-1]
