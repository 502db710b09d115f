"""The rasters of uncertainty: the probability of each rule, and spread and quantiles of suitability over draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.engine.judge.block_draws import CaseUncertainty
from underoak.engine.judge.reducer import JudgedBlock
from underoak.engine.write.cog import Band, RasterLayout
from underoak.engine.write.finished_rasters import MEETS_TIF, QUANTILES_TIF, SPREAD_TIF
from underoak.engine.write.outputs import UINT16_MISSING, UINT16_STEPS, Cells, Output, to_steps
from underoak.plan.case import SINGLE, Case

_BANDS = ("mean", "sd", "p_s2")
_NEVER = "not asked: off the region, excluded, or the layer is missing there or its quantiles cross"
_POINT = "of a point at the grain of the map, not of the mean of a field"


@dataclass(frozen=True, slots=True)
class _Bands:
    """Bands of the result of rules or draws, as stored cells."""

    of: str  # meets | spread
    first: int
    count: int
    dtype: str

    def __call__(self, judged: JudgedBlock) -> Cells:
        figures: FloatArray | None = judged.meets if self.of == "meets" else judged.spread
        if figures is None:  # a tile off the region
            values = np.full((self.count, *judged.window.shape), np.nan, np.float32)
        else:
            values = figures[self.first : self.first + self.count]
        return to_steps(values, UINT16_STEPS, UINT16_MISSING, "uint16") if self.dtype == "uint16" else values


def uncertainty_outputs(title: str, uncertainty: CaseUncertainty, dtype: str, case: Case = SINGLE) -> list[Output]:
    """Return the rasters of one case's uncertainty."""
    common = {"SOFTWARE": "underoak", "TITLE": title}
    outputs = []

    def add(name: str, bands: list[str], tags: dict[str, str], of: str, first: int) -> None:
        scale, nodata = (1.0 / UINT16_STEPS, float(UINT16_MISSING)) if dtype == "uint16" else (1.0, float("nan"))
        layout = RasterLayout(
            case.file(name), dtype, nodata, tuple(Band(b, "1", scale) for b in bands), {**common, **tags}
        )
        outputs.append(Output(layout, _Bands(of, first, len(bands), dtype), averaged=True))

    for n, rule in enumerate(uncertainty.probability_rules):
        sign = ">=" if rule.is_at_least else "<="
        band = f"probability that {rule.uncertain.key} {sign} {rule.limit:g}"
        tags = {"RULE": f"{rule.uncertain.key} {sign} {rule.limit:g}", "NODATA_MEANS": _NEVER, "PROBABILITY": _POINT}
        add(MEETS_TIF.format(rule.name), [band], tags, "meets", n)
    if uncertainty.layers:
        spread_tags = {
            "DRAWS": str(uncertainty.draws),
            "SEED": str(uncertainty.seed),
            "IN_DOUBT": ", ".join(dict.fromkeys(uncertain.key for uncertain in uncertainty.layers)),
            "P_S2": "share of draws in which the class is S2 or better",
        }
        add(SPREAD_TIF, list(_BANDS), spread_tags, "spread", 0)
        if uncertainty.levels:
            add(
                QUANTILES_TIF,
                [f"quantile {level:g}" for level in uncertainty.levels],
                spread_tags,
                "spread",
                len(_BANDS),
            )
    return outputs
