"""What lies near a parcel: closed cases by hand; another map and another order change nothing."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer
from shapely import LineString, Point, box

from underoak.decision.ground.neighbours import NearShapes, nearness

CRS = "EPSG:25831"
X, Y = 431_700.0, 4_613_200.0  # near the central meridian: the map is 0.04 % too small there


class Land(SimpleNamespace):
    def __len__(self):
        return len(self.shapes)


def land(*shapes, crs=CRS):
    return Land(shapes=np.array([*shapes, None], object)[:-1], crs=crs)


def near(*shapes, within=800.0, touching=10.0):
    return NearShapes("n", np.array([*shapes, None], object)[:-1], within, touching)


def square(x, y, side):
    return box(X + x, Y + y, X + x + side, Y + y + side)


def test_a_square_wood_beside_a_square_parcel():
    found = nearness(near(square(207, 0, 100)), land(square(0, 0, 200)))
    assert found.distance_m[0] == pytest.approx(7.0, rel=2e-3)
    assert found.count[0] == 1
    assert found.area_ha[0] == pytest.approx(1.0, rel=2e-3)
    # 100 m of the edge beside the wood, at 7 m; on it sqrt(10² - 7²) further up; 10 - 7 round the corner
    assert found.edge_m[0] == pytest.approx(100 + 51**0.5 + 3, rel=3e-3)
    assert found.whole_ha[0] == pytest.approx(1.0, rel=2e-3)


def test_what_is_further_than_within_is_not_counted_and_half_of_what_straddles_it():
    far, straddling = square(1500, 0, 50), box(X + 900, Y + 100, X + 1100, Y + 101)
    found = nearness(near(far, straddling), land(square(0, 0, 200)))
    assert found.count[0] == 1
    assert found.distance_m[0] == pytest.approx(700.0, rel=2e-3)
    assert found.area_ha[0] == pytest.approx(0.01, rel=2e-2)
    assert found.edge_m[0] == 0
    assert np.isnan(found.whole_ha[0])


def test_nothing_near_is_no_distance_and_no_area():
    found = nearness(near(square(5000, 0, 50)), land(square(0, 0, 200)))
    assert np.isnan(found.distance_m[0])
    assert (found.count[0], found.area_ha[0]) == (0, 0)


def test_a_wood_in_parts_that_meet_counts_as_a_whole_and_overlaps_count_once():
    chain = [square(200 + 90 * i, 0, 100) for i in range(12)]  # each overlaps the next by 10 m
    found = nearness(near(*chain, within=300.0), land(square(0, 0, 200)))
    assert found.whole_ha[0] == pytest.approx((90 * 11 + 100) * 100 / 1e4, rel=2e-3)
    assert found.area_ha[0] == pytest.approx(300 * 100 / 1e4, rel=3e-3)


def test_lines_and_points_have_distances_and_no_areas():
    road = LineString([(X - 30, Y - 500), (X - 30, Y + 500)])
    found = nearness(near(road, Point(X + 100, Y + 260)), land(square(0, 0, 200), None))
    assert found.distance_m[0] == pytest.approx(30.0, rel=2e-3)
    assert found.count[0] == 2
    assert np.isnan(found.area_ha).all()
    assert np.isnan(found.count[1])  # a parcel without a shape


def test_a_distance_in_degrees_is_that_of_the_geodesic():
    """Oracle: the geodesic calculator of the projection library."""
    lon, lat = 11.3, 63.2
    parcel, tree = box(lon, lat, lon + 0.01, lat + 0.01), Point(lon + 0.0261, lat + 0.005)
    found = nearness(near(tree, within=3000.0), land(parcel, crs="EPSG:4326"))
    expected = Geod(ellps="WGS84").inv(lon + 0.01, lat + 0.005, lon + 0.0261, lat + 0.005)[2]
    assert found.distance_m[0] == pytest.approx(expected, rel=2e-4)


@settings(max_examples=25, deadline=None)
@given(st.randoms(use_true_random=False), st.sampled_from(["EPSG:4326", "EPSG:3035", "EPSG:3857", "EPSG:32630"]))
def test_the_map_and_the_order_change_nothing(draw, other):
    def some(count, size):
        for _ in range(count):
            x, y = draw.uniform(-1500, 1500), draw.uniform(-1500, 1500)
            yield shapely.buffer(Point(X + x, Y + y), draw.uniform(5, size), quad_segs=3)

    woods, fields = list(some(12, 200)), list(some(4, 150))
    move = Transformer.from_crs(CRS, other, always_xy=True)

    def moved(shapes):
        fine = shapely.segmentize(shapes, 5.0)
        return shapely.transform(fine, lambda c: np.column_stack(move.transform(c[:, 0], c[:, 1])))

    order = draw.sample(range(12), 12)
    here = nearness(near(*woods), land(*fields))
    there = nearness(near(*moved([woods[i] for i in order])), land(*moved(fields), crs=other))
    np.testing.assert_allclose(there.distance_m, here.distance_m, rtol=1e-4, atol=0.01)
    np.testing.assert_array_equal(there.count, here.count)
    np.testing.assert_allclose(there.area_ha, here.area_ha, rtol=1e-4, atol=1e-3)
    np.testing.assert_allclose(there.whole_ha, here.whole_ha, rtol=1e-4)
