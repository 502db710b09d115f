"""Parcels in all futures: what is excluded or not judged in some of them."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from underoak.overlay import Rules
from underoak.places import scenarios_of_parcels
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.report.page.scenario_section import _row

RULES = Rules((0.5, 0.5))
IDS = ("a", "b", "c", "d")
NO_SHAPE, NO_DATA = NotJudged(Cause.NO_SHAPE), NotJudged(Cause.NO_DATA)
EXCLUDED = NotJudged(Cause.ALL_EXCLUDED, ("built",))


def ranked(suitability, reason=(None,) * 4, excluded=(0.0,) * 4):
    """As the ranking gives it; both criteria at the parcel's suitability."""
    values = np.array(suitability, float)
    judged = ~np.isnan(values)
    ranks = pd.array([1 + int((values[judged] > v).sum()) if not np.isnan(v) else None for v in values], dtype="Int64")
    return pd.DataFrame(
        {
            "id": IDS, "rank": ranks, "suitability": values, "excluded_share": excluded,
            "reason": pd.Series(reason, dtype=object), "membership_ph": values, "membership_rain": values,
        }
    )  # fmt: skip


@pytest.fixture
def table():
    now = ranked([0.9, 0.8, 0.7, np.nan], (None, None, None, NO_SHAPE), (0.0, 0.1, 0.0, np.nan))
    first = ranked([0.6, np.nan, 0.5, np.nan], (None, EXCLUDED, None, NO_SHAPE),
                   (0.0, 1.0, 0.0, np.nan))  # fmt: skip
    second = ranked(
        [0.4, 0.8, np.nan, np.nan],
        (None, None, NO_DATA, NO_SHAPE),
        (0.5, 0.1, 0.0, np.nan),
    )
    first.loc[0, "membership_ph"] = 0.9  # of a, only rain gets worse in the first future
    made = scenarios_of_parcels(now, [first, second], ["dry", "wet"], (0.5, 0.5), ["ph", "rain"], RULES, 0.5)
    return made.set_index("id")


def test_ground_excluded_in_a_future_does_not_hold_there(table):
    assert table.loc["b", ["share_of_futures", "least", "greatest"]].tolist() == pytest.approx([0.5, 0.0, 0.8])
    assert table.loc["b", "worst_future"] == "dry"


def test_what_is_not_judged_in_some_future_has_no_figures_of_all(table):
    assert table.loc[["c", "d"], ["share_of_futures", "least", "median", "greatest", "regret"]].isna().all(axis=None)
    assert table.loc["c", "worst_future"] is None
    assert table.loc["c", "suitability"] == 0.7


def test_regret_goes_by_what_ranks_go_by(table):
    """In the second future a is worth 0.4 times a half, b 0.8 times nine tenths."""
    assert table.loc["a", "regret"] == pytest.approx(0.8 * 0.9 - 0.2)
    assert table.loc["b", "regret"] == pytest.approx(0.6)


def test_the_driver_is_that_of_the_weighed_mean_of_changes(table):
    """Rain loses .3 and .5, pH nothing and .5; each has half the weight, and the futures too."""
    assert table.loc["a", "worst_driver"] == ("rain",)
    assert table.loc["a", "worst_change"] == pytest.approx(-(0.3 + 0.5) / 2 / 2)
    assert table.loc["d", "worst_driver"] is None


def test_parcels_without_a_rank_have_a_row_on_the_page(table):
    criteria = (SimpleNamespace(name="ph", label="soil pH"), SimpleNamespace(name="rain", label="summer rain"))
    shown = [_row(SimpleNamespace(criteria=criteria), row) for _, row in table.reset_index().iterrows()]
    assert [row["rank"] for row in shown] == ["1", "2", "3", "–"]
    assert shown[0]["driver"] == "summer rain (-0.20)"
    assert [shown[3][key] for key in ("share", "least", "regret", "driver", "worst")] == ["–"] * 5
