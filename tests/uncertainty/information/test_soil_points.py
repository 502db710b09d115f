"""Where to sample: least variance of the parcel's mean, one point after the other."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.uncertainty import choose_points


def lattice(width, height, step):
    x, y = np.arange(step / 2, width, step), np.arange(step / 2, height, step)
    return np.array([(a, b) for b in y[::-1] for a in x])


def variance_left(ground, points, length, error, strata=None, point_strata=None):
    """The same from the textbook: one linear system instead of one point after the other."""

    def covariance(a, b, sa, sb):
        away = np.linalg.norm(a[:, None] - b[None], axis=2)
        same = True if sa is None else sa[:, None] == sb[None]
        return np.where(same, np.exp(-away / length), 0.0)

    whole = covariance(ground, ground, strata, strata).mean()
    toward = covariance(points, ground, point_strata, strata).mean(axis=1)
    among = covariance(points, points, point_strata, point_strata) + error * np.eye(len(points))
    return (whole - toward @ np.linalg.solve(among, toward)) / whole


def test_one_point_lies_in_the_middle():
    ground = lattice(200, 100, 10)
    chosen = choose_points(ground, ground, 1, 800.0)
    assert np.hypot(*(ground[chosen.indices[0]] - (100, 50))) <= np.hypot(5, 5)


def test_the_first_k_of_n_are_the_choice_of_k():
    ground = lattice(180, 140, 10)
    many = choose_points(ground, ground, 9, 300.0, spacing=15.0)
    for k in range(1, 9):
        few = choose_points(ground, ground, k, 300.0, spacing=15.0)
        assert few.indices.tolist() == many.indices[:k].tolist()
        assert few.remaining.tolist() == many.remaining[:k].tolist()


def test_two_soils_get_one_point_each():
    ground = lattice(200, 100, 10)
    soil = (ground[:, 0] > 100).astype(int)
    chosen = choose_points(ground, ground, 2, 800.0, strata=soil, area_strata=soil)
    assert sorted(soil[chosen.indices]) == [0, 1]
    for at in chosen.indices:  # each in the middle of its own half
        middle = (150 if soil[at] else 50, 50)
        assert np.hypot(*(ground[at] - middle)) <= np.hypot(5, 5)


def test_a_larger_soil_comes_first_and_a_speck_not_at_all():
    ground = lattice(200, 100, 10)
    soil = np.where(ground[:, 0] > 180, 1, 0)
    chosen = choose_points(ground, ground, 2, 300.0, strata=soil, area_strata=soil)
    assert soil[chosen.indices[0]] == 0
    speck = np.zeros(len(ground), int)
    speck[0] = 1
    assert speck[choose_points(ground, ground, 4, 300.0, strata=speck, area_strata=speck).indices].sum() == 0


def test_what_is_left_is_what_the_textbook_says():
    ground = lattice(160, 120, 20)
    soil = (ground[:, 1] > 60).astype(int)
    for strata in (None, soil):
        chosen = choose_points(ground, ground, 5, 150.0, test_error=0.2, strata=strata, area_strata=strata)
        for k in range(1, 6):
            at = chosen.indices[:k]
            expected = variance_left(ground, ground[at], 150.0, 0.2, strata, None if strata is None else strata[at])
            assert chosen.remaining[k - 1] == pytest.approx(expected, abs=1e-10)


def test_no_other_first_point_is_better():
    ground = lattice(150, 90, 15)
    chosen = choose_points(ground, ground, 1, 100.0)
    every = [variance_left(ground, ground[[i]], 100.0, 0.1) for i in range(len(ground))]
    assert chosen.remaining[0] == pytest.approx(min(every), abs=1e-12)


def test_points_keep_their_distance_and_come_to_an_end():
    ground = lattice(100, 100, 10)
    chosen = choose_points(ground, ground, 50, 100.0, spacing=40.0)
    away = np.linalg.norm(ground[chosen.indices][:, None] - ground[chosen.indices][None], axis=2)
    assert away[~np.eye(len(away), dtype=bool)].min() >= 40.0
    assert len(chosen.indices) < 50


def test_a_test_without_error_everywhere_leaves_nothing():
    ground = lattice(60, 60, 20)
    chosen = choose_points(ground, ground, 9, 100.0, test_error=0.0)
    assert chosen.remaining[-1] == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(20.0, 2000.0), st.floats(0.0, 1.0))
def test_each_point_leaves_less_and_order_of_candidates_does_not_matter(seed, length, error):
    rng = np.random.default_rng(seed)
    ground = rng.uniform(0, 200, (60, 2))
    chosen = choose_points(ground, ground, 6, length, test_error=error)
    assert (np.diff(chosen.remaining, prepend=1.0) <= 1e-12).all()
    assert (chosen.remaining >= 0).all()
    shuffled = rng.permutation(60)
    again = choose_points(ground[shuffled], ground, 6, length, test_error=error)
    assert ground[shuffled][again.indices] == pytest.approx(ground[chosen.indices])


def test_moving_and_turning_the_parcel_moves_and_turns_the_points():
    ground = np.random.default_rng(5).uniform(0, 150, (80, 2))
    turned = np.column_stack([-ground[:, 1] + 431_000, ground[:, 0] + 4_600_000])
    first = choose_points(ground, ground, 5, 200.0)
    assert choose_points(turned, turned, 5, 200.0).indices.tolist() == first.indices.tolist()


def test_impossible_questions_are_refused():
    ground = lattice(40, 40, 10)
    for bad in ({"correlation_range": 0.0}, {"test_error": -1.0}, {"strata": [1] * 16}):
        with pytest.raises(ValueError, match=r"range|strata"):
            choose_points(ground, ground, 1, **{"correlation_range": 10.0, **bad})
    with pytest.raises(ValueError, match="at least one"):
        choose_points(np.empty((0, 2)), ground, 1, 10.0)
