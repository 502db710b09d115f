"""Years and water in words: counts of past years, what was left out, and never a probability of the future."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from underoak.engine.storage.records.year_records import (
    Dose,
    DryYears,
    Event,
    EventCount,
    EventLimit,
    NoDryYear,
    WateredYear,
    WaterHeld,
    YearsAtPlace,
    YearsRecord,
)
from underoak.report.text.decision.water_words import WATER_LIMITS, chance_held, held_lines
from underoak.report.text.decision.years_words import PAST, place_lines

RAIN = EventLimit(Event.RAIN_ENOUGH, (6, 7, 8), 143.0, "a test", "C")
FROST = EventLimit(Event.FROST, (12, 1), -8.0, "a test", "C", 2)
FORECAST = re.compile(r"probab|chance|likel|expect|will |risk|return period", re.IGNORECASE)


def lines_of(*events, dry=None):
    record = YearsRecord("a station", (RAIN, FROST), (YearsAtPlace(events, dry),))
    return place_lines(record, record.places[0])


@given(st.sets(st.integers(1981, 2010), max_size=30), st.sets(st.integers(1981, 2010), max_size=9))
def test_counts_name_file_and_years_and_nothing_of_the_future(came, gone):
    left = tuple(sorted(gone - came))
    count = EventCount(Event.RAIN_ENOUGH, tuple(sorted(came)), 30 - len(left), left, 1981, 2010)
    (line,) = lines_of(count)
    complete = "complete years" if left else "years"
    assert f"in {len(came)} of {30 - len(left)} {complete} of the file (1981–2010)" in line
    assert not FORECAST.search(line)
    assert ("Left out" in line) == bool(left)


def test_monthly_minima_do_not_pretend_to_know_nights():
    (line,) = lines_of(EventCount(Event.FROST, (1985,), 29, (), 1981, 2010, True))
    assert "Months do not tell" in line
    assert "Hard frost came" not in line


def test_seasons_over_new_year_are_named_by_both_years():
    (line,) = lines_of(EventCount(Event.FROST, (1985,), 28, (1999,), 1981, 2010))
    assert "in 1 of 28 complete winters of the file (1981/82–2009/10)" in line
    assert "Left out as incomplete: 1999 (winters by the year they begin in)" in line


def test_the_mean_rain_of_the_file_stands_beside_what_it_lacked():
    (line,) = lines_of(dry=DryYears(31.0, 64.0, 80.0, 24, 1987, 2010, rain_mean=151.4))
    assert "In its mean year 150 mm fell in these months: compare it with the map" in line


def test_a_dry_year_that_is_not_given_says_why():
    dry = DryYears(31.0, 64.0, None, 14, 1997, 2010, (), NoDryYear.TWENTY_YEARS)
    (line,) = lines_of(dry=dry)
    assert "64 mm in the driest of five" in line
    assert "it takes twenty complete years, and there are 14" in line


def test_the_past_is_said_to_be_no_probability():
    assert "no probability of the future" in PAST


def held(full, count=20, pond=None, **changes):
    seasons = tuple(WateredYear(1990 + i, 40.0, 5.0 if i < full else 2.0) for i in range(count))
    facts = {"in_4_of_5_ha": 5.0 if full >= 0.8 * count else 2.0, "pond_m3": pond, "right_short_m3": 740.0}
    facts |= {"is_rate_known": True} | changes
    return WaterHeld(
        name="spring", source="a permit", parcels=("a", "b"), area_ha=5.0, months=(6, 7, 8), seasons=seasons,
        left_out=(), longest_short=count - full, pond_from="right", is_area_limited=False,
        doses=(Dose(84.0, 3.1, 35.0), Dose(210.0, 1.2, 14.0)), **facts,
    )  # fmt: skip


def test_water_is_allotted_to_nobody():
    text = " ".join(held_lines(held(13)))
    assert "5.0 ha of parcels a, b together" in text
    assert "all 5.0 ha in 13 of 20 summers of the file (1990–2009)" in text
    assert "2.0 ha in all in four of five" in text
    assert "84 to 210 mm" in text
    assert "allots nothing" in WATER_LIMITS


def test_the_gap_is_closed_by_a_pond_or_by_nothing():
    assert "A pond of 1 300 m3 in all, filled under the right" in " ".join(held_lines(held(13, pond=1300.0)))
    assert "the right itself lacks 740 m3" in " ".join(held_lines(held(13)))
    assert "pond" not in " ".join(held_lines(held(20, pond=0.0)))


def test_an_unknown_pump_is_said_to_be_unknown():
    assert "supposes" in " ".join(held_lines(held(13, is_rate_known=False)))


def test_p_with_the_water_held_only_where_it_is_enough():
    row = {"p_s2": 0.31, "p_with_water": 0.87}
    assert "With the water held: P(S2 or better) 0.87, unwatered 0.31" in chance_held(row, held(18))
    short = chance_held(row, held(13))
    assert "0.87" not in short
    assert "no P is given" in short
    assert chance_held({"p_s2": None}, held(18)) == ""
