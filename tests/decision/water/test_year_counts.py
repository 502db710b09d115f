"""Counts of single years: known answers, incomplete years left out, and both halves of the Earth."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from underoak.decision.water.held_water import Demand, demand_of, water_held
from underoak.decision.water.single_years import _at_place, dry_years, years_record
from underoak.engine.storage.records.year_records import Event, EventLimit, NoDryYear
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.series.values import SeriesOfParcels, YearsOfParcels
from underoak.plan.keys.decision.water_supply import WaterSupplySpec
from underoak.plan.profiles.practice import Irrigation
from underoak.plan.profiles.profile import load_profile

SUMMER = EventLimit(Event.RAIN_ENOUGH, (6, 7, 8), 137.0, "a test", "C")
AUTUMN = EventLimit(Event.WET_AUTUMN, (10, 11), 400.0, "a test", "C")
FROST = EventLimit(Event.FROST, (11, 12, 1, 2), -6.5, "a test", "C", 3)


def rain_of(*summers: float) -> np.ndarray:
    """Years whose summers have these sums [mm], a third in each month; 30 mm in every other month."""
    rain = np.full((len(summers), 12), 30.0)
    rain[:, 5:8] = np.array(summers)[:, None] / 3.0
    return rain


def at_place(series, limits, first=1970, is_south=False, is_wild=False):
    count = len(next(iter(series.values())))
    years = YearsOfParcels({}, first, first + count - 1)
    return _at_place(series, years, limits, -40.0 if is_south else 44.0, is_south, is_wild)


def test_rain_is_enough_from_the_limit_on_and_incomplete_years_are_left_out():
    rain = rain_of(136.9, 137.1, 300.0, 20.0)
    rain[2, 6] = np.nan
    (count,) = at_place({"rain": rain}, [SUMMER]).events
    assert count.years == (1971,)
    assert (count.counted, count.left_out) == (3, (1972,))


def test_a_gap_outside_the_season_costs_no_year():
    rain = rain_of(150.0, 100.0)
    rain[:, 0] = np.nan
    (count,) = at_place({"rain": rain}, [SUMMER]).events
    assert count.counted == 2


def test_a_wet_autumn_is_the_sum_of_its_months():
    rain = rain_of(100.0, 100.0)
    rain[1, 9:11] = 210.0, 190.0
    (count,) = at_place({"rain": rain}, [AUTUMN]).events
    assert count.years == (1971,)


def test_frost_takes_nights_in_a_row_and_months_count_single_ones():
    nights = np.full((3, 12, 31), 2.0)
    nights[0, 11, 30] = nights[1, 0, 0] = nights[1, 0, 1] = -6.5  # three in a row across the turn of the year
    nights[1, 11, [3, 5, 7]] = -12.0  # three, not in a row
    (count,) = at_place({"minimum": nights}, [FROST]).events
    assert count.years == (1970,)
    assert count.counted == 2  # the winter that begins in the last year is not over when the file ends
    months = np.min(nights, axis=2)
    (count,) = at_place({"minimum": months}, [FROST]).events
    assert count.years == (1970, 1971)
    assert count.is_by_month


def test_one_missing_night_leaves_its_winter_out():
    nights = np.full((3, 12, 31), -9.0)
    nights[1, 1, 27] = np.nan
    (count,) = at_place({"minimum": nights}, [FROST]).events
    assert (count.years, count.left_out) == ((1971,), (1970,))


def test_the_dry_year_takes_ten_and_twenty_years():
    short = dry_years(rain_of(*[100.0] * 9), SUMMER, 1970, 1978)
    assert (short.one_in_5, short.no_dry_year) == (None, NoDryYear.TEN_YEARS)
    some = dry_years(rain_of(*[100.0] * 19), SUMMER, 1970, 1988)
    assert some.one_in_5 == pytest.approx(37.0)
    assert (some.one_in_10, some.no_dry_year) == (None, NoDryYear.TWENTY_YEARS)
    every = dry_years(rain_of(*range(40, 140, 5)), SUMMER, 1970, 1989)  # lacks 97, 92 ... 2
    assert every.no_dry_year is None
    # one in five: 0.8 of twenty is between the 16th (0.775) and the 17th (0.825): needs 77 and 82
    assert every.one_in_5 == pytest.approx(79.5)
    assert every.one_in_10 == pytest.approx(89.5)
    assert every.mean == pytest.approx(np.mean(np.arange(2, 98, 5)))


def test_wild_ground_is_offered_no_water():
    place = at_place({"rain": rain_of(100.0, 200.0)}, [SUMMER], is_wild=True)
    assert place.dry is None
    assert place.events[0].years == (1971,)


def test_the_south_has_its_summer_across_the_turn_of_the_year():
    summer = EventLimit(Event.RAIN_ENOUGH, (12, 1, 2), 90.0, "a test", "C")
    rain = np.full((3, 12), 10.0)
    rain[0, 11], rain[1, 0], rain[1, 1] = 40.0, 30.0, 25.0
    (count,) = at_place({"rain": rain}, [summer], is_south=True).events
    assert (count.years, count.counted, count.left_out) == ((1970,), 2, ())


def test_balance_by_thornthwaite_is_that_of_the_indicator():
    from underoak.indicators.climate.water_balance import warm_season_balance_thornthwaite

    warmth = np.array([3, 5, 9, 12, 16, 20, 24, 23, 19, 14, 8, 4], np.float32)
    rain = np.full(12, 47.0, np.float32)
    expected = float(warm_season_balance_thornthwaite(rain[:, None, None], warmth[:, None, None], 44.0)[0, 0])
    series = {"rain": rain[None].astype(float), "temperature": warmth[None].astype(float)}
    assert at_place(series, []).balance.mean == pytest.approx(expected, abs=0.01)


def test_a_parcel_without_a_shape_takes_the_years_of_the_station():
    spec = SimpleNamespace(years=SimpleNamespace(source="a test"))
    plan = SimpleNamespace(spec=spec, profile=load_profile("tuber_melanosporum"), purpose="buy")
    parcels = Parcels(("a", "b"), np.array([None, None], object), "EPSG:25831", np.array([np.nan] * 2), ("", ""))
    series = SeriesOfParcels(1970, rain_of(160.0, 100.0)[None], np.zeros(2, np.int64))
    record = years_record(plan, YearsOfParcels({"rain": series}, 1970, 1971), parcels, 44.0)
    assert record.of("b").events[0].years == (1970,)
    assert record.no_series == ()


# --- water held


def held(demand, limit=SUMMER, area=3.0, irrigation=None, **keys):
    spec = WaterSupplySpec.model_validate({"source": "a test", **keys})
    return water_held("well", spec, demand, limit, area, irrigation)


def demand(*summers: float, first=1990):
    rain = SeriesOfParcels(first, rain_of(*summers)[None], np.zeros(1, np.int64))
    return demand_of(rain, SUMMER, [1.0])


def test_summers_land_runs_and_pond_by_hand():
    # five dry summers lack 50 mm: 500 m3/ha; five wet ones lack nothing. 1000 m3 carry 2 of 3 ha.
    found = held(demand(*[87.0, 87.0, 200.0] * 3, 87.0), right="1000 m3", pond_from="right")
    assert [season.ha for season in found.seasons] == pytest.approx([2.0, 2.0, 3.0] * 3 + [2.0])
    assert (found.full, found.longest_short) == (3, 2)
    assert found.in_4_of_5_ha == pytest.approx(2.0)
    assert not found.is_enough
    # no pond helps a right that is short by 1500 - 1000 m3; other water does, with 500 m3
    assert (found.pond_m3, round(found.right_short_m3)) == (None, 500)
    other = held(demand(*[87.0, 87.0, 200.0] * 3, 87.0), right="1000 m3", pond="1 m3", pond_from="other")
    assert other.pond_m3 == 500.0


def test_a_registered_area_caps_what_counts_as_watered():
    found = held(demand(*[87.0] * 10), right="9000 m3", right_area="1.5 ha")
    assert {season.ha for season in found.seasons} == {1.5}
    assert found.is_area_limited
    assert found.pond_m3 is None


def test_a_slow_pump_falls_short_where_the_right_would_not():
    # 50 mm on 3 ha: 500 m3 in each of three months; 0.5 m3/h for 20 hours give 300 to 310 m3
    slow = held(demand(*[87.0] * 10), right="9000 m3", rate="0.5 m3/h", hours=20)
    assert {round(season.ha, 3) for season in slow.seasons} == {1.8}  # June is the worst: 300 of 500 m3
    assert slow.pond_m3 == 580.0  # 1500 less the 920 of all three months, filled before under the right


def test_practice_gives_more_than_the_deficit():
    rule = Irrigation(words="-", source="-", grade="C", dose=32, best_interval=14, longest_interval=35)
    found = held(demand(*[87.0] * 10), right="7000 m3", irrigation=rule)
    assert [round(dose.mm) for dose in found.doses] == [84, 210]
    assert [round(dose.ha, 2) for dose in found.doses] == [8.32, 3.33]


def test_parcels_with_different_rain_share_by_their_land():
    rain = SeriesOfParcels(2001, np.stack([rain_of(107.0), rain_of(67.0)]), np.array([0, 1, 1]))
    found = demand_of(rain, SUMMER, [3.0, 1.0, 0.0])
    assert found.lacked.sum() == pytest.approx((3.0 * 30.0 + 1.0 * 70.0) / 4.0)


def test_short_records_give_no_four_of_five():
    found = held(demand(*[87.0] * 9), right="100 m3")
    assert found.in_4_of_5_ha is None
    assert not found.is_enough
    assert isinstance(demand(100.0), Demand)
