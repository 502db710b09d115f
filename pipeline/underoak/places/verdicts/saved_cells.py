"""The sampled cells of the best parcels, kept beside a run with how far its layers may be off there.

They tell later what a parcel's suitability depends on, though the inputs may have moved or be gone.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError
from underoak.overlay import Curve, Rules, membership
from underoak.places.geometry.output_files import whole
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.soil.prior import priors

if TYPE_CHECKING:
    import pandas as pd

    from underoak.base.grid import Grid
    from underoak.engine.prepare.prepare import PreparedCase
    from underoak.places.soil.lab_results import PooledResult
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
CELLS_NPZ = "cells.npz"
MOST = 200  # parcels: what is kept of them takes 10 MB at most with ten criteria


@dataclass(frozen=True, slots=True, eq=False)
class SavedCells:
    """Cells of parcels, how they were judged, and how far each layer's mean may be off over each parcel."""

    ids: tuple[str, ...]  # of the parcels, best first
    cells: SampledCells
    criteria: tuple[tuple[str, str, Curve], ...]  # name, layer and curve, in plan order
    rules: Rules
    sds: Mapping[str, Doubles]  # by layer in doubt, in the criterion's unit, (parcels,); NaN = said nowhere
    seed: int

    @classmethod
    def of(
        cls, plan: Plan, ready: PreparedCase, grid: Grid, table: pd.DataFrame, ids: Sequence[str], cells: SampledCells,
        tested: Mapping[str, Sequence[PooledResult]],
    ) -> SavedCells | None:  # fmt: skip
        """Of the best parcels of a ranked table; None when no layer of a criterion is in doubt, or nothing is judged.

        `ids` are those of the parcels whose `cells` were sampled, `tested` what a laboratory found, by parcel: there a
        layer is as doubtful as laboratory and map together leave it.
        """
        criteria = tuple((c.name, c.layer, c.curve) for c in plan.criteria)
        uncertain = [
            layer for layer in dict.fromkeys(c.layer for c in plan.criteria) if plan.layers[layer].has_uncertainty
        ]
        best = [str(id) for id in table.loc[table["rank"].notna(), "id"].head(MOST)]
        if not uncertain or not best:
            return None
        place = {id: i for i, id in enumerate(ids)}
        parts = [cells.of(place[id]) for id in best]
        prior, mode = priors(plan, ready, grid), plan.spec.lab.mode if plan.spec.lab is not None else ""
        sds = {layer: np.full(len(best), math.nan) for layer in uncertain}
        column = {layer: next(k for k, c in enumerate(criteria) if c[1] == layer) for layer in uncertain}
        for i, (id, part) in enumerate(zip(best, parts, strict=True)):
            known = {pooled.layer: sd_left(pooled, mode) for pooled in tested.get(id, ())}
            for layer in uncertain:
                values = cells.values[part, column[layer]].astype(np.float64)
                sd = known[layer] if layer in known else prior(layer, cells.cell[part], cells.weight[part], values)
                sds[layer][i] = math.nan if sd is None else sd
        at = np.concatenate([np.arange(part.start, part.stop) for part in parts])
        offsets = np.cumsum([0, *(part.stop - part.start for part in parts)]).astype(np.int64)
        own = SampledCells(
            offsets, cells.cell[at], cells.fraction[at], cells.weight[at], cells.memberships[at], cells.values[at],
            cells.suitability[at],
        )  # fmt: skip
        seed = plan.uncertainty.seed if plan.uncertainty is not None else 1
        return cls(tuple(best), own, criteria, plan.rules, sds, seed)

    def place(self, parcel: str) -> int:
        """Where a parcel is.

        Raises:
            UnderoakError: E609 when it is not among those kept.
        """
        if parcel not in self.ids:
            what = f'no cells of parcel "{parcel}" were kept: only those of the best {MOST} judged parcels are'
            raise UnderoakError(Fault("E609", what, fix="judge a file with fewer parcels, and ask that run"))
        return self.ids.index(parcel)

    def sds_of(self, parcel: int) -> dict[str, float]:
        """Standard deviations of the layers' means over a parcel, where one is known."""
        return {layer: float(sds[parcel]) for layer, sds in self.sds.items() if not math.isnan(sds[parcel])}

    def write(self, folder: Path) -> Path:
        """`cells.npz`: the same bytes for the same cells.

        Raises:
            UnderoakError: E501, E502 when the disk or the folder does not let us.
        """
        told = {
            "parcels": self.ids,
            "criteria": [(name, layer, _plain(curve)) for name, layer, curve in self.criteria],
            "rules": asdict(self.rules),
            "doubtful": list(self.sds),
            "seed": self.seed,
        }
        cells = self.cells
        arrays: dict[str, Any] = {
            "told": np.frombuffer(json.dumps(told, allow_nan=False).encode(), np.uint8),
            "offsets": cells.offsets,
            "cell": cells.cell,
            "fraction": cells.fraction,
            "weight": cells.weight,
            "values": cells.values,
            "suitability": cells.suitability,
            "sds": np.array(list(self.sds.values())),
        }
        path = folder / CELLS_NPZ
        whole(path, lambda made: np.savez_compressed(made, **arrays))
        return path

    @classmethod
    def read(cls, folder: Path) -> SavedCells:
        """What `write` left in a run's folder.

        Raises:
            UnderoakError: E609 when there is nothing, or it cannot be read.
        """
        import zipfile
        import zlib

        path = folder / CELLS_NPZ
        try:
            with np.load(path, allow_pickle=False) as file:
                arrays = dict(file.items())
            told = json.loads(arrays.pop("told").tobytes())
            criteria = tuple((name, layer, _curve(curve)) for name, layer, curve in told["criteria"])
            settings: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in told["rules"].items()}
            rules = Rules(**settings)
            sds = dict(zip(told["doubtful"], arrays.pop("sds"), strict=True))
            memberships = np.stack([membership(arrays["values"][:, k], c[2]) for k, c in enumerate(criteria)], axis=1)
            cells = SampledCells(memberships=memberships, **arrays)
            return cls(tuple(told["parcels"]), cells, criteria, rules, sds, int(told["seed"]))
        except FileNotFoundError as error:
            what = "the run kept no cells of parcels: it judged none, or no layer of a criterion is in doubt"
            fix = "give layers `sd` or `quantiles`, name parcels, and run the plan again"
            raise UnderoakError(Fault("E609", what, str(folder), fix)) from error
        except (
            OSError,
            EOFError,
            ValueError,
            KeyError,
            TypeError,
            IndexError,
            zipfile.BadZipFile,
            zlib.error,
        ) as error:
            fault = Fault("E609", f"the kept cells cannot be read ({error})", str(path), "run the plan again")
            raise UnderoakError(fault) from error


def sd_left(pooled: PooledResult, mode: str) -> float | None:
    """How far off what is taken for a layer's mean may be once a laboratory has spoken; None when nobody says."""
    if mode != "update" or pooled.map_sd is None or pooled.lab_sd is None:
        return pooled.lab_sd
    both = math.hypot(pooled.map_sd, pooled.lab_sd)
    return pooled.map_sd * pooled.lab_sd / both if both > 0.0 else 0.0


def _plain(curve: Curve) -> dict[str, Any]:
    return {**asdict(curve), "otherwise": None if math.isnan(curve.otherwise) else curve.otherwise}


def _curve(told: Mapping[str, Any]) -> Curve:
    otherwise = math.nan if told["otherwise"] is None else told["otherwise"]
    return Curve(told["kind"], tuple(told["x"]), tuple(told["y"]), otherwise)
