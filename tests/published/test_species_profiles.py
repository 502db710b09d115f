"""Species profiles against what others found, as the profiles cite it; no paper was read again for these tests."""

from __future__ import annotations

import pytest

from underoak.overlay import combine, membership
from underoak.plan import load_profile

BLACK, SUMMER, WHITE = (load_profile(f"tuber_{kind}") for kind in ("melanosporum", "aestivum", "magnatum"))


def score(profile, criterion: str, value: float) -> float:
    return float(membership(value, profile.criteria[criterion].curve.curve()))


# García-Montero et al. 2006, Aust. J. Soil Res. 44:731, and 2007, For. Ecol. Manag. 242:288: of the soil's
# figures, active carbonate explained most of the yield. Total carbonate stands in for it.
def test_carbonate_weighs_most_among_the_soil_rows_of_black_truffle() -> None:
    soil = {name: BLACK.criteria[name].weight for name in ("ph", "carbonate", "clay", "sand", "organic_matter")}
    assert max(soil, key=soil.__getitem__) == "carbonate"


# Büntgen et al. 2019, Environ. Res. Lett. 14 074004: harvests follow June to August rain, r = 0.78.
def test_summer_rain_weighs_most_among_the_climate_rows() -> None:
    for profile in (BLACK, SUMMER):
        climate = ("annual_rain", "water", "annual_temperature", "summer_heat", "winter_cold")
        assert max(climate, key=lambda name: profile.criteria[name].weight) == "water"


def test_a_drier_summer_lowers_black_truffle() -> None:
    wet, dry = score(BLACK, "water", 150.0), score(BLACK, "water", 100.0)
    assert dry < wet


# Rosa-Gruszecka et al. 2014, For. Res. Papers 75:5: of six historic Polish sites, five at pH 4.3 to 6.1 with 0 to
# 0.03 % carbonate were unfit, one at pH 7.2 with 0.12 % was fit. The ranges are theirs, the pairs within them ours.
def test_the_one_fit_polish_site_comes_first() -> None:
    sites = [(4.3, 0.0), (4.8, 0.0), (5.2, 0.01), (5.7, 0.02), (6.1, 0.03), (7.2, 0.12)]
    rows = [SUMMER.criteria[name] for name in ("ph", "carbonate")]
    values = [membership([site[n] for site in sites], row.curve.curve()) for n, row in enumerate(rows)]
    scores = combine(values, [row.weight for row in rows], "geometric")
    assert scores.argmax() == 5
    assert scores[5] == pytest.approx(1.0)
    assert scores[:5].max() == 0.0


# Steidinger et al. 2022, Glob. Change Biol. 28:7376: hot dry summers cut summer truffle mid-range. A French nursery's
# table has a July below 20 to 26 degC; the best Hungarian ground, Jászság, has 23.2 (ERA5, 2000 to 2025).
def test_summer_truffle_is_not_at_its_best_in_hot_summers() -> None:
    assert score(SUMMER, "summer_heat", 24.5) < 0.5 < score(SUMMER, "summer_heat", 23.2)
    assert score(SUMMER, "summer_heat", 19.0) == 1.0


# Thomas 2014, Acta Mycologica: in Britain black truffle lives but does not fruit; summer warmth decides. A summer mean
# of 19.0 degC (Thomas 2014, Mycosphere, excerpt) is a warmest month of about 20, as ERA5 has it at many places.
def test_cool_summers_limit_black_truffle_where_winters_do_not() -> None:
    assert 0.2 < score(BLACK, "summer_heat", 17.0) < 0.5  # Salisbury, Wales; Tasmania and Canterbury too
    assert score(BLACK, "summer_heat", 20.0) == 1.0
    assert score(BLACK, "winter_cold", 4.0) == 1.0


# Places where the fungus was recorded may not score 0. In print: rain of 425 mm (a Spanish climate page), ground at
# 1500 m (a Spanish guide), summer rain of 60 mm (LIFE project page of Soria), 70 % carbonate (a Spanish growers' page).
@pytest.mark.parametrize(
    ("criterion", "value"), [("annual_rain", 425.0), ("elevation", 1500.0), ("water", 60.0), ("carbonate", 70.0)]
)
def test_recorded_ground_of_black_truffle_does_not_score_nothing(criterion: str, value: float) -> None:
    assert score(BLACK, criterion, value) > 0.0


# Čejka et al. 2023, Mycorrhiza (read in abstract): 231 sites of Italian white truffle from 0 to 1000 m, at pH 6.4 to
# 8.7, with a winter mean above 0.4 °C, some with summer rain near 50 mm. None of them may score nothing.
@pytest.mark.parametrize(
    ("criterion", "value"),
    [("elevation", 0.0), ("elevation", 1000.0), ("ph", 6.4), ("ph", 8.7), ("winter_cold", 0.4), ("water", 50.0)],
)
def test_recorded_ground_of_italian_white_truffle_does_not_score_nothing(criterion: str, value: float) -> None:
    assert score(WHITE, criterion, value) > 0.0


# An encyclopaedia records bianchetto down to pH 5.2; Bonito et al. 2010, Mycologia, Oregon whites below about 600 m and
# in stands from 5 to about 100 years.
@pytest.mark.parametrize(
    ("name", "criterion", "value"),
    [
        ("tuber_borchii", "ph", 5.2),
        ("tuber_gibbosum", "elevation", 600.0),
        ("tuber_gibbosum", "stand_age", 5.0),
        ("tuber_gibbosum", "stand_age", 100.0),
    ],
)
def test_recorded_ground_of_others_does_not_score_nothing(name: str, criterion: str, value: float) -> None:
    assert score(load_profile(name), criterion, value) > 0.0


# Čejka et al. 2020 (read in abstract): in the Czech Republic summer truffle finds much ground that is highly suitable,
# black truffle none: only ground of low suitability. The climate is that of a lowland there, from memory.
def test_central_europe_suits_summer_truffle_and_gives_black_truffle_no_first_class_ground() -> None:
    lowland = {"annual_temperature": 8.7, "summer_heat": 18.3, "winter_cold": -1.8, "annual_rain": 560, "water": 210}
    found = {}
    for profile in (SUMMER, BLACK):
        weights = [profile.criteria[key].weight for key in lowland]
        scores = [score(profile, key, value) for key, value in lowland.items()]
        found[profile.name] = float(combine(scores, weights, "geometric")), min(scores)
    summer, black = found["tuber_aestivum"], found["tuber_melanosporum"]
    assert summer[0] > black[0] + 0.1
    assert min(summer) > 0.7
    assert black[1] < 0.5  # the weakest criterion keeps the class below S1


# Winter truffle takes ground that is wetter and heavier: directions in print, Italian growers' pages. Carbonate and
# humus do not tell the two apart: orchards turn from one to the other on the same soil (in print, a growers' forum).
def test_winter_truffle_outscores_black_truffle_on_damp_heavy_ground() -> None:
    damp = {"wetness_depth": 30.0, "clay": 42.0}
    rival = load_profile("tuber_brumale")
    assert all(score(rival, key, value) > score(BLACK, key, value) for key, value in damp.items())
    alike = {"carbonate": (5.0, 40.0, 70.0), "organic_matter": (1.0, 4.5, 12.0)}
    assert all(
        score(rival, key, value) == score(BLACK, key, value) for key, values in alike.items() for value in values
    )


# Corners as they are meant; each profile has their sources. A change of one has to be meant too. Open sides are ramps.
CORNERS = {
    "tuber_melanosporum": {
        "ph": (7.0, 7.5, 8.5, 8.9), "carbonate": (0, 1, 70, 90), "active_carbonate": (0, 4, 25, 50),
        "exchangeable_calcium": (0.3, 0.6, 1.6, 3), "clay": (3, 12, 38, 48), "sand": (5, 20, 65, 92),
        "organic_matter": (0.5, 1.5, 8, 17), "c_to_n": (5, 8, 13, 20),
        "soil_depth": (8, 15), "wetness_depth": (30, 80), "stones": (0, 15, 60, 90), "elevation": (1200, 1600),
        "slope": (12, 25), "hollow": (-1, 0), "northness": (-1, 1), "annual_rain": (350, 500, 1200, 2000),
        "water": (50, 150, 300, 700), "water_balance": (-450, -200, 80, 350), "autumn_rain": (0, 100, 380, 600, 900),
        "annual_temperature": (8, 10, 15.3, 18), "summer_heat": (15.5, 20, 24.5, 27.5),
        "summer_max": (14, 16.5, 26.5, 31), "winter_cold": (-2, 2, 10.5, 14), "winter_min": (-8, -3, 8, 12),
        "frost": (20, 70), "sunshine": (1300, 1900), "first_frost": (45, 71), "rivals": (0, 50), "tree_cover": (30, 70),
    },
    "tuber_aestivum": {
        "ph": (6.2, 7.2, 8.2, 8.8), "carbonate": (0, 0.1, 70, 90), "active_carbonate": (25, 50), "clay": (2, 8, 45, 60),
        "sand": (75, 97), "organic_matter": (1, 3, 12, 20), "soil_depth": (10, 25), "wetness_depth": (20, 60),
        "elevation": (1000, 1600), "slope": (20, 40), "hollow": (-1, 0), "annual_rain": (400, 600, 1500, 2100),
        "water": (70, 150, 440, 650), "annual_temperature": (5, 7.5, 12, 15.5), "summer_heat": (14, 16.5, 22, 26),
        "winter_cold": (-12, -3, 6, 10), "rivals": (0, 50),
    },
    "tuber_brumale": {
        "ph": (6.0, 6.8, 8.2, 8.7), "carbonate": (70, 90), "active_carbonate": (15, 40), "clay": (8, 18, 50, 65),
        "sand": (50, 80), "organic_matter": (0.5, 1.5, 8, 17), "soil_depth": (15, 35), "wetness_depth": (5, 30),
        "elevation": (1000, 1300), "slope": (15, 35), "annual_rain": (500, 700, 1200, 1800),
        "water": (80, 160, 300, 450), "annual_temperature": (7, 9, 13, 16), "summer_heat": (15, 17, 22, 25),
        "winter_cold": (-5, 0, 6, 10),
    },
    "tuber_borchii": {
        "ph": (4.4, 6.5, 8.2, 8.8), "carbonate": (50, 80), "active_carbonate": (20, 45), "clay": (30, 50),
        "sand": (10, 40), "organic_matter": (0.3, 1, 6, 12), "soil_depth": (15, 30), "wetness_depth": (25, 60),
        "elevation": (600, 1200), "slope": (20, 40), "annual_rain": (450, 600, 1600, 2200), "water": (15, 60, 250, 420),
        "autumn_rain": (120, 250), "annual_temperature": (3.5, 9, 16, 19), "summer_heat": (14, 17, 26, 29),
        "winter_cold": (-8, 0, 9, 13),
    },
    "tuber_magnatum": {
        "ph": (6.2, 6.8, 8.4, 8.9), "carbonate": (0, 0.7, 50, 75), "active_carbonate": (20, 40), "clay": (3, 8, 35, 50),
        "sand": (3, 15, 65, 90), "organic_matter": (0.3, 1, 4, 8), "bulk_density": (1.25, 1.5), "soil_depth": (30, 70),
        "elevation": (700, 1100), "slope": (10, 25), "hollow": (-1, 0), "northness": (-1, 1),
        "annual_rain": (500, 700, 1300, 1900), "water": (40, 120, 300, 450), "annual_temperature": (8.5, 11, 15, 18),
        "summer_heat": (17.5, 20.5, 24.7, 27.5), "winter_cold": (-1, 0.5, 9, 13),
    },
    "tuber_lyonii": {
        "ph": (5.2, 6.3, 7.5, 8.2), "carbonate": (20, 50), "active_carbonate": (8, 20), "clay": (45, 65),
        "organic_matter": (0.3, 1, 6, 12), "soil_depth": (30, 60), "wetness_depth": (20, 50), "elevation": (500, 1500),
        "slope": (8, 20), "annual_rain": (550, 850, 1500, 2200), "water": (120, 200, 500, 800),
        "annual_temperature": (4, 13, 21, 24), "summer_heat": (18, 21, 30, 33), "winter_cold": (-14, 0, 12, 16),
    },
    "tuber_oregonense": {
        "ph": (4.2, 5.0, 6.5, 7.2), "carbonate": (0, 3), "active_carbonate": (0, 1), "clay": (40, 60), "sand": (65, 90),
        "organic_matter": (1, 4, 15, 30), "soil_depth": (15, 40), "wetness_depth": (10, 40), "elevation": (450, 800),
        "slope": (25, 40), "annual_rain": (700, 1000, 2200, 3200), "water": (10, 40, 150, 250),
        "annual_temperature": (7, 9, 12.5, 15), "summer_heat": (14, 16, 20.5, 23), "winter_cold": (-2, 2, 7, 10),
        "stand_age": (3, 6, 35, 110),
    },
}  # fmt: skip
CORNERS["tuber_gibbosum"] = CORNERS["tuber_oregonense"] | {
    "annual_rain": (500, 700, 2200, 3200), "water": (5, 40, 150, 250), "annual_temperature": (7, 9, 13, 15),
    "winter_cold": (-2, 2, 7, 12),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(CORNERS))
def test_corners_are_those_meant(name: str) -> None:
    found = {key: criterion.curve.curve().x for key, criterion in load_profile(name).criteria.items()}
    assert found == CORNERS[name]


def test_the_truffle_of_moist_ground_wants_the_hollows_that_black_truffle_shuns() -> None:
    assert [score(BLACK, "hollow", n) for n in (-2.0, 0.0)] == [0.5, 1.0]
    assert [score(SUMMER, "hollow", n) for n in (-2.0, 0.0)] == pytest.approx([0.8, 1.0])
    assert [score(WHITE, "hollow", n) for n in (-2.0, 0.0)] == pytest.approx([1.0, 0.8])


def test_the_south_side_is_best_and_the_north_side_seven_tenths() -> None:
    assert [score(BLACK, "northness", n) for n in (-1.0, 0.0, 1.0)] == pytest.approx([1.0, 0.85, 0.7])
