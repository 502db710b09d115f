"""The calibration of maps: how their stated uncertainty fits the lab results of all tested parcels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from underoak.base.errors import Fault
from underoak.places.lab.effect import PooledResult
from underoak.uncertainty import Coverage, band_coverage

BAND = 0.9
_REACH = 1.6448536269514722  # standard deviations to either end of the band


def calibrated(by_parcel: Mapping[str, Sequence[PooledResult]]) -> dict[str, Coverage]:
    """Return the coverage of the 90 % band of parcel means, by tested layer.

    A parcel counts once, because results of one parcel share one error of the map: with its tested soil unit of the
    greatest share. Results that are not used, and those whose map or laboratory states no uncertainty, are skipped.
    """
    coverages = {}
    for layer in dict.fromkeys(pooled.layer for pools in by_parcel.values() for pooled in pools if pooled.is_used):
        tested = ([each for each in pools if each.layer == layer and each.is_used] for pools in by_parcel.values())
        rows = [max(pools, key=lambda pooled: pooled.share) for pools in tested if pools]
        lab, middle = (np.array([getattr(row, name) for row in rows], float) for name in ("lab", "map"))
        reach = _REACH * np.array([np.nan if row.map_sd is None else row.map_sd for row in rows])
        error = np.array([np.nan if row.lab_sd is None else row.lab_sd for row in rows])
        coverages[layer] = band_coverage(lab, middle - reach, middle, middle + reach, error, BAND)
    return coverages


def calibration_warnings(coverages: Mapping[str, Coverage]) -> Iterator[Fault]:
    """Yield W416 for each layer whose errors are larger than it states."""
    for layer, coverage in coverages.items():
        if coverage.finding == "too narrow" and coverage.inflation is not None:
            lie = "lies" if coverage.inside == 1 else "lie"
            inside = f"{coverage.inside} of {coverage.tests} tested parcels {lie}"
            what = f"is less accurate than it states: {inside} in its 90 % band"
            fix = f"make its uncertainty {coverage.inflation:.1f} times as large"
            if not np.isfinite(coverage.inflation):
                fix = "give it an uncertainty: it states none"
            yield Fault("W416", what, f"layers.{layer}", fix)
