"""The draws computed again from the page on uncertainty alone, with whole numbers of Python."""

import hashlib
import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import gamma

from underoak.base.grid import Window
from underoak.uncertainty.draws.cell_draws import Correlation, draw, hash_seed
from underoak.uncertainty.draws.error_model import ErrorModel
from underoak.uncertainty.draws.weight_draws import WeightDistribution

ALL = 2**64 - 1
ROW, COL, STEP = 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0x9E3779B97F4A7C15


def mix(h):
    h = ((h ^ (h >> 30)) * 0xBF58476D1CE4E5B9) & ALL
    h = ((h ^ (h >> 27)) * 0x94D049BB133111EB) & ALL
    return h ^ (h >> 31)


def base_of(text):
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "little")


def normals(text, row, col, n):
    stream = mix((mix((base_of(text) + row * ROW) & ALL) + col * COL) & ALL)
    z = [0.0] * n
    for d in range(n):
        stream = (stream + STEP) & ALL
        word = mix(stream)
        place, j = ((word >> 32) + 0.5) / 2**32, ((word & 0xFFFFFFFF) * (d + 1)) >> 32
        z[d] = z[j]
        z[j] = NormalDist().inv_cdf((d + place) / n)
    return np.array(z)


def put_back(z):
    n = len(z)
    middles = np.array([NormalDist().inv_cdf((d + 0.5) / n) for d in range(n)])
    middles /= math.sqrt(np.mean(middles**2))
    return middles[np.argsort(np.argsort(z, kind="stable"))]


@pytest.mark.parametrize(("seed", "layer", "row", "col"), [(1, "soil_ph", 3, 5), (977, "clay", 1204, 88)])
def test_normals_of_a_cell(seed, layer, row, col):
    cells = draw(hash_seed(seed, layer), Window(row, col, 1, 1), 64).cells()[0, 0]
    assert cells == pytest.approx(normals(f"{seed}/{layer}", row, col, 64), abs=1e-6)


def test_a_bias_share_and_a_grain():
    seed, bias, grain, row, col = 7, 0.35, 2.5, 31, 12
    model = ErrorModel("rain", Correlation.of(0.0, 100.0, 100.0, 250.0), bias)
    blocks = [math.floor((cell + 0.5) / grain) for cell in (row, col)]
    local, common = normals(f"{seed}/rain", *blocks, 64), normals(f"{seed}/rain/common", 0, 0, 64)
    expected = put_back(math.sqrt(bias) * common + math.sqrt(1 - bias) * local)
    assert model.draw(seed, Window(row, col, 1, 1), 64).cells()[0, 0] == pytest.approx(expected, abs=1e-5)


def uniform(text, n, i):
    return ((mix((mix((base_of(text) + n * ROW) & ALL) + i * COL) & ALL) >> 11) + 0.5) / 2**53


def test_weights_by_the_name_of_their_criterion():
    names, weights, strength, seed = ("ph", "water", "clay"), np.array([0.5, 0.3, 0.2]), 40.0, 12
    drawn = WeightDistribution.dirichlet(weights, strength).draw(30, seed, names=names)
    flat = WeightDistribution.uniform(3).draw(30, seed, names=names)
    for n in (0, 17, 29):
        texts = [f"{seed}/weight of {name}" for name in names]
        parts = [
            gamma.ppf(uniform(text, n, 0), strength * w + 1) * uniform(text, n, 1) ** (1 / (strength * w))
            for text, w in zip(texts, weights, strict=True)
        ]
        assert drawn[n] == pytest.approx(np.array(parts) / sum(parts), rel=1e-9)
        gaps = np.array([-math.log(uniform(text, n, 0)) for text in texts])
        assert flat[n] == pytest.approx(gaps / gaps.sum(), rel=1e-9)
