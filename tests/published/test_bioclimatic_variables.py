"""The nineteen bioclimatic variables of two invented sites, worked out beforehand with other code.

Definitions: the list of WorldClim, read. Deviations are those of a sample; of a population they would be 678.0794 and
625.1111 instead of 708.2308 and 652.9073.
"""

from __future__ import annotations

import numpy as np
import pytest

from underoak.indicators.climate import bioclim


def year(*months):
    return np.float32(months).reshape(12, 1, 1)


SITES = {
    "45 N": (
        year(-2, -1, 2, 5, 9, 13, 15, 15, 11, 7, 2, -1),
        year(6, 8, 12, 15, 20, 24, 28, 27, 22, 16, 10, 7),
        year(40, 35, 50, 60, 70, 65, 30, 40, 75, 90, 85, 60),
        [11.25, 10, 33.3333, 708.2308, 28, -2, 30, 11.3333, 4.1667, 20.3333, 2.8333, 700, 90, 30, 33.1932,
         250, 125, 135, 135],
    ),
    "44 N": (
        year(-2, -1, 1, 4, 8, 12, 14, 13, 11, 7, 3, 0),
        year(8, 9, 13, 16, 20, 24, 28, 27, 23, 17, 11, 8),
        year(45, 40, 50, 65, 75, 60, 40, 50, 70, 80, 75, 55),
        [11.4167, 11.1667, 37.2222, 652.9073, 28, -2, 30, 12.0, 4.6667, 19.6667, 3.6667, 705, 80, 40, 23.7024,
         225, 135, 150, 140],
    ),
}  # fmt: skip


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("number", range(1, 20))
def test_variable(site, number):
    tmin, tmax, rain, expected = SITES[site]
    made = float(bioclim.bioclimatic(tmin, tmax, rain)[f"bio{number}"][0, 0])
    assert made == pytest.approx(expected[number - 1], abs=1e-4)


@pytest.mark.parametrize(("site", "plain"), [("45 N", 33.7622), ("44 N", 24.1059)])
def test_the_other_convention_of_the_seasonality_of_rain(site, plain):
    assert float(bioclim.bio15(SITES[site][2], added=0.0)[0, 0]) == pytest.approx(plain, abs=5e-5)
