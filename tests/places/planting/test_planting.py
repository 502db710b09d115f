"""Trees on a parcel: places are counted in its real area and shape; plants, seed and inoculum follow."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity

from underoak.places.planting.planting import (
    alive,
    lay_out,
    seeds_to_gather,
    slurry,
    spacing_of,
    trial_plots,
    water_m3,
    whips_to_order,
)
from underoak.plan.profiles.profile import load_profile

CRS = "EPSG:3035"  # equal areas; near its middle metres are true
X, Y = 4_321_000.0, 3_210_000.0


def field(width, height):
    return shapely.box(X, Y, X + width, Y + height)


def test_a_rectangle_holds_exactly_the_places_of_its_rows():
    made = lay_out(field(100, 50), CRS, 5.0, 4.0, 4.0)
    assert (made.trees, made.rows) == (24 * 9, 9)  # 92 m and 42 m inside the headland
    assert made.bearing == pytest.approx(90.0, abs=0.01)
    assert made.area_ha == pytest.approx(0.5, rel=1e-4)
    assert made.per_ha == 500.0


def test_rows_run_along_the_longest_side():
    made = lay_out(field(50, 100), CRS, 5.0, 4.0, 4.0)
    assert (made.trees, made.rows) == (24 * 9, 9)
    assert made.bearing % 180.0 == pytest.approx(0.0, abs=0.01)


@given(st.integers(10, 200), st.integers(10, 200), st.sampled_from([(5.0, 5.0), (6.0, 4.0), (6.0, 6.0)]))
def test_any_rectangle_is_counted_like_posts_of_a_fence(long, short, spacing):
    long, short = max(long, short) + 1, min(long, short)
    between, along = spacing
    inside = long - 8, short - 8
    made = lay_out(field(long, short), CRS, between, along, 4.0)
    # metres of the grid are not quite true ones: stay clear of counts that hang on a millimetre
    for side, step in zip(inside, (along, between), strict=True):
        if abs(side / step - round(side / step)) < 1e-3:
            return
    assert made.trees == (math.floor(inside[0] / along) + 1) * (math.floor(inside[1] / between) + 1)


@pytest.mark.parametrize("angle", [10, 45, 77, 130])
def test_turning_a_parcel_changes_no_count(angle):
    shape = field(103, 51)
    turned = affinity.rotate(shape, angle)
    assert lay_out(turned, CRS, 5.0, 4.0).trees == lay_out(shape, CRS, 5.0, 4.0).trees


def test_the_same_ground_in_degrees_holds_about_the_same():
    import geopandas as gpd

    frame = gpd.GeoSeries([field(203, 101)], crs=CRS)
    plain, degrees = (lay_out(s.iloc[0], str(s.crs), 5.0, 4.0) for s in (frame, frame.to_crs(4326)))
    assert degrees.trees == pytest.approx(plain.trees, rel=0.05)


def test_shape_counts_and_not_only_area():
    square, strip = lay_out(field(100, 100), CRS, 5.0, 5.0), lay_out(field(1000, 10), CRS, 5.0, 5.0)
    assert square.area_ha == pytest.approx(strip.area_ha, rel=1e-3)
    assert square.trees > 1.5 * strip.trees
    assert lay_out(field(500, 7), CRS, 5.0, 5.0).trees == 0  # all headland
    hole = field(100, 100) - shapely.box(X + 30, Y + 30, X + 70, Y + 70)
    assert 0 < lay_out(hole, CRS, 5.0, 5.0).trees < square.trees - 64


def test_places_that_are_excluded_are_left_out():
    shape = field(100, 50)
    whole = lay_out(shape, CRS, 5.0, 5.0)
    west = lay_out(shape, CRS, 5.0, 5.0, is_open=lambda x, y: x < X + 50.0)
    assert west.trees + west.shut == whole.trees
    assert west.trees == 9 * 9  # of 19 in a row the tenth stands on the line
    seen = []
    turned = affinity.rotate(shape, 33)
    lay_out(turned, CRS, 5.0, 5.0, is_open=lambda x, y: seen.append(shapely.contains_xy(turned, x, y)) or seen[0])
    assert len(seen[0]) == whole.trees
    assert seen[0].all()  # asked about places of the map, not of the turned rows
    none = lay_out(shape, CRS, 5.0, 5.0, is_open=lambda x, y: np.zeros(len(x), bool))
    assert (none.trees, none.rows) == (0, 0)


def test_a_country_is_worked_out_and_not_counted():
    made = lay_out(field(30_000, 20_000), CRS, 5.0, 5.0)
    assert not made.is_counted
    assert made.trees == pytest.approx(made.inside_ha * 400, abs=1)


def test_inoculum_follows_its_rule():
    made = slurry(25)
    assert (made.concentrate_l, made.water_l, made.mix_l, made.portions) == (1.25, 12.5, 13.75, 3)
    assert slurry(10).made_up_l == 5.0
    assert slurry(0).mix_l == 0.0


@given(st.integers(1, 100_000))
def test_whips_ordered_are_just_enough(wanted):
    ordered = whips_to_order(wanted)
    assert ordered * 66 >= wanted * 100
    assert (ordered - 1) * 66 < wanted * 100


def test_losses_seed_and_water():
    assert whips_to_order(100) == 152
    assert alive(100, "whips", 1) == pytest.approx(92.03, abs=0.005)
    assert alive(100, "whips") == pytest.approx(66.0)
    assert alive(80, "nuts") == 70.0
    assert seeds_to_gather(100) == 400
    assert water_m3(45.0, 2.0) == 900.0
    assert trial_plots(0.1) == (1, 16)


@pytest.mark.parametrize(("species", "per_ha"), [
    ("tuber_melanosporum", 400), ("tuber_aestivum", 500), ("tuber_borchii", 400), ("tuber_magnatum", 303),
    ("tuber_lyonii", 69), ("tuber_oregonense", 3086),
])  # fmt: skip
def test_spacing_gives_the_trees_a_hectare_of_the_profile(species, per_ha):
    between, along = spacing_of(load_profile(species)).metres  # of lyonii and oregonense from memory
    assert round(10_000 / (between * along)) == per_ha
    assert spacing_of(None).metres == (6.0, 6.0)  # in print, Western Australian agriculture department
