"""Texture classes: the inequalities of the twelve classes, and points on their borders.

USDA Soil Survey Manual, inequalities from memory and as several open implementations have them; the revised borders of
Benham, Ahrens and Nettleton (abstract read). That they cover the triangle once is worked out here.
"""

from __future__ import annotations

import numpy as np
import pytest

from underoak.indicators.soil.texture import TEXTURES, texture_class, texture_fractions


def inequalities(sand, silt, clay, p):
    """For every class, whether each point is in it; whole numbers, p of them to a per cent."""
    sa, si, cl = sand, silt, clay
    return {
        "sand": 2 * si + 3 * cl < 30 * p,
        "loamy sand": (2 * si + 3 * cl >= 30 * p) & (si + 2 * cl < 30 * p),
        "sandy loam": ((cl >= 7 * p) & (cl < 20 * p) & (sa > 52 * p) & (si + 2 * cl >= 30 * p))
        | ((cl < 7 * p) & (si < 50 * p) & (si + 2 * cl >= 30 * p)),
        "loam": (cl >= 7 * p) & (cl < 27 * p) & (si >= 28 * p) & (si < 50 * p) & (sa <= 52 * p),
        "silt loam": ((si >= 50 * p) & (cl >= 12 * p) & (cl < 27 * p))
        | ((si >= 50 * p) & (si < 80 * p) & (cl < 12 * p)),
        "silt": (si >= 80 * p) & (cl < 12 * p),
        "sandy clay loam": (cl >= 20 * p) & (cl < 35 * p) & (si < 28 * p) & (sa > 45 * p),
        "clay loam": (cl >= 27 * p) & (cl < 40 * p) & (sa > 20 * p) & (sa <= 45 * p),
        "silty clay loam": (cl >= 27 * p) & (cl < 40 * p) & (sa <= 20 * p),
        "sandy clay": (cl >= 35 * p) & (sa > 45 * p),
        "silty clay": (cl >= 40 * p) & (si >= 40 * p),
        "clay": (cl >= 40 * p) & (sa <= 45 * p) & (si < 40 * p),
    }


def triangle(p):
    sand, clay = np.meshgrid(np.arange(100 * p + 1), np.arange(100 * p + 1))
    inside = sand + clay <= 100 * p
    sand, clay = sand[inside], clay[inside]
    return sand, 100 * p - sand - clay, clay


def test_every_point_of_a_tenth_of_a_per_cent_is_in_one_class_and_it_is_the_one_given():
    parts = triangle(10)
    assert parts[0].size == 501_501
    members = np.stack(list(inequalities(*parts, 10).values()))
    assert (members.sum(axis=0) == 1).all()
    made = texture_class(*(part / 10 for part in parts))
    np.testing.assert_array_equal(made, members.argmax(axis=0) + 1)


def test_the_same_from_grams_per_kilogram_in_single_precision():
    parts = triangle(1)
    made = texture_class(*(np.float32(part * 10) * np.float32(0.1) for part in parts))
    np.testing.assert_array_equal(made, texture_class(*parts))


def test_counts_on_the_grid_of_one_per_cent():  # by enumeration
    made = texture_class(*triangle(1))
    counts = {name: int((made == code).sum()) for code, name in enumerate(TEXTURES, 1)}
    assert counts == {
        "clay": 1540, "silt loam": 840, "sandy loam": 565, "sandy clay loam": 392, "loam": 349, "clay loam": 325,
        "silty clay loam": 273, "silty clay": 231, "sandy clay": 210, "silt": 186, "loamy sand": 155, "sand": 85,
    }  # fmt: skip


POINTS = """
92 5 3 sand; 85 15 0 loamy sand; 82 12 6 loamy sand; 70 30 0 sandy loam; 70 20 10 sandy loam; 49 45 6 sandy loam;
53 40 7 sandy loam; 52 41 7 loam; 40 40 20 loam; 52 28 20 loam; 43 50 7 silt loam; 25 50 25 silt loam;
8 80 12 silt loam; 8 85 7 silt; 60 15 25 sandy clay loam; 45 28 27 clay loam; 45 20 35 clay loam; 46 19 35 sandy clay;
21 52 27 clay loam; 20 53 27 silty clay loam; 50 10 40 sandy clay; 45 15 40 clay; 20 41 39 silty clay loam;
20 40 40 silty clay; 30 30 40 clay; 0 0 100 clay; 90 5 5 sand; 85 10 5 loamy sand; 65 25 10 sandy loam;
20 65 15 silt loam; 8 87 5 silt; 60 13 27 sandy clay loam; 32 34 34 clay loam; 10 56 34 silty clay loam;
52 6 42 sandy clay; 6 47 47 silty clay; 22 20 58 clay; 45 35 20 loam
"""


@pytest.mark.parametrize("point", [" ".join(point.split()) for point in POINTS.split(";")])
def test_point(point):  # from the inequalities by hand; those on a border are the ones that codes get wrong
    sand, silt, clay, name = point.split(" ", 3)
    assert TEXTURES[int(texture_class(float(sand), float(silt), float(clay))) - 1] == name


def test_fractions_that_sum_to_98_are_scaled():  # common practice
    made = texture_fractions(48.0, 30.0, 20.0)
    assert [float(part) for part in made[:3]] == pytest.approx([4800 / 98, 3000 / 98, 2000 / 98], rel=1e-6)
    assert made.off == 0
    assert TEXTURES[int(texture_class(48.0, 30.0, 20.0)) - 1] == "loam"
