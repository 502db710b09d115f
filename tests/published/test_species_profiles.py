"""Species profiles against what others found, as the profiles cite it; no paper was read again for these tests."""

from __future__ import annotations

import pytest

from underoak.overlay import combine, membership
from underoak.plan import load_profile

BLACK, SUMMER = load_profile("tuber_melanosporum"), load_profile("tuber_aestivum")


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


# Steidinger et al. 2022, Glob. Change Biol. 28:7376: hot dry summers cut summer truffle mid-range.
def test_summer_truffle_is_not_at_its_best_in_hot_summers() -> None:
    assert score(SUMMER, "summer_heat", 24.0) < 0.5
    assert score(SUMMER, "summer_heat", 19.0) == 1.0


# Thomas 2014, Acta Mycologica: in Britain black truffle lives but does not fruit; summer warmth decides.
def test_cool_summers_limit_black_truffle_where_winters_do_not() -> None:
    assert score(BLACK, "summer_heat", 16.5) == pytest.approx(0.5)
    assert score(BLACK, "winter_cold", 4.0) == 1.0


# Places where the fungus was recorded may not score 0. In print: rain of 425 mm (a Spanish climate page), ground at
# 1500 m (a Spanish guide), summer rain of 60 mm (LIFE project page of Soria), 70 % carbonate (a Spanish growers' page).
@pytest.mark.parametrize(
    ("criterion", "value"), [("annual_rain", 425.0), ("elevation", 1500.0), ("water", 60.0), ("carbonate", 70.0)]
)
def test_recorded_ground_of_black_truffle_does_not_score_nothing(criterion: str, value: float) -> None:
    assert score(BLACK, criterion, value) > 0.0


# Corners as the house took them over for these two species; a change of one has to be meant.
CORNERS = {
    "tuber_melanosporum": {
        "ph": (7.0, 7.5, 8.3, 8.8), "carbonate": (0, 1, 70, 90), "clay": (3, 12, 35, 45), "sand": (5, 20, 65, 90),
        "organic_matter": (0.5, 1.5, 6, 10), "elevation": (1200, 1600), "slope": (12, 25),
        "annual_rain": (400, 600, 900, 1600), "water": (50, 145, 220, 380), "annual_temperature": (8, 10, 14, 17),
        "summer_heat": (15.5, 17.5, 23, 26), "winter_cold": (-3, 1, 8, 12), "northness": (-1, 1),
    },
    "tuber_aestivum": {
        "ph": (6.2, 7.0, 8.2, 8.8), "carbonate": (0, 0.1, 70, 90), "clay": (2, 8, 45, 60), "sand": (75, 97),
        "organic_matter": (1, 3, 12, 20), "elevation": (1000, 1600), "slope": (20, 40),
        "annual_rain": (450, 600, 1200, 1700), "water": (70, 150, 320, 480), "annual_temperature": (5, 7.5, 12, 15.5),
        "summer_heat": (14, 16, 21, 24.5), "winter_cold": (-8, -3, 5, 9),
    },
}  # fmt: skip


@pytest.mark.parametrize("name", CORNERS)
def test_corners_are_those_taken_over(name: str) -> None:
    found = {key: criterion.curve.curve().x for key, criterion in load_profile(name).criteria.items()}
    assert found == CORNERS[name]


def test_the_south_side_is_best_and_the_north_side_seven_tenths() -> None:
    assert [score(BLACK, "northness", n) for n in (-1.0, 0.0, 1.0)] == pytest.approx([1.0, 0.85, 0.7])
