"""The sampled cells of the best parcels, saved beside a run with the uncertainty of its layers there.

They show later what a parcel's suitability depends on, even when the inputs have moved or are gone.
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

from underoak.base.errors import Fault, UnderoakError, printable
from underoak.overlay import Curve, Rules, membership
from underoak.places.geometry.output_files import write_safely
from underoak.places.lab.effect import PooledResult, sd_of_tested_mean
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.soil.prior import priors

if TYPE_CHECKING:
    import pandas as pd

    from underoak.base.grid import Grid
    from underoak.engine.prepare.prepare import PreparedCase
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
CELLS_NPZ = "cells.npz"
MOST = 200  # parcels: their cells take 10 MB at most with ten criteria


@dataclass(frozen=True, slots=True, eq=False)
class SavedCells:
    """Cells of parcels, how they were judged, and the standard deviation of each layer's mean over each parcel."""

    ids: tuple[str, ...]  # of the parcels, best first
    cells: SampledCells
    criteria: tuple[tuple[str, str, Curve], ...]  # name, layer and curve, in plan order
    rules: Rules
    sds: Mapping[str, Doubles]  # by uncertain layer, in the criterion's unit, (parcels,); NaN = not stated
    seed: int

    @classmethod
    def of(
        cls, plan: Plan, ready: PreparedCase, grid: Grid, table: pd.DataFrame, ids: Sequence[str], cells: SampledCells,
        tested: Mapping[str, Sequence[PooledResult]],
    ) -> SavedCells | None:  # fmt: skip
        """Select the best parcels of a ranked table; None when no criterion's layer is uncertain, or nothing is judged.

        `ids` are those of the parcels whose `cells` were sampled, `tested` the lab results by parcel: there a layer
        has the standard deviation that lab and map together leave.
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
            for layer in uncertain:
                values = cells.values[part, column[layer]].astype(np.float64)
                sd = prior(layer, cells.cell[part], cells.weight[part], values)
                used = [pooled for pooled in tested.get(id, ()) if pooled.layer == layer and pooled.is_used]
                if used:
                    sd = None if any(each.lab_sd is None for each in used) else sd_of_tested_mean(sd, used, mode)
                sds[layer][i] = math.nan if sd is None else sd
        indices = np.concatenate([np.arange(part.start, part.stop) for part in parts])
        offsets = np.cumsum([0, *(part.stop - part.start for part in parts)]).astype(np.int64)
        selected = SampledCells(
            offsets, cells.cell[indices], cells.fraction[indices], cells.weight[indices], cells.memberships[indices],
            cells.values[indices], cells.suitability[indices],
        )  # fmt: skip
        seed = plan.uncertainty.seed if plan.uncertainty is not None else 1
        return cls(tuple(best), selected, criteria, plan.rules, sds, seed)

    def place(self, parcel: str) -> int:
        """Return the index of a parcel; control characters in its id may be escaped or not.

        Raises:
            UnderoakError: E609 when its cells were not saved.
        """
        parcel = printable(parcel)
        if parcel not in self.ids:
            what = f'no cells of parcel "{parcel}" were saved: only those of the best {MOST} judged parcels are'
            raise UnderoakError(Fault("E609", what, fix="run the plan with a file of fewer parcels"))
        return self.ids.index(parcel)

    def sds_of(self, parcel: int) -> dict[str, float]:
        """Return the standard deviations of the layers' means over a parcel, where known."""
        return {layer: float(sds[parcel]) for layer, sds in self.sds.items() if not math.isnan(sds[parcel])}

    def write(self, folder: Path) -> Path:
        """Write `cells.npz`: the same bytes for the same cells.

        Raises:
            UnderoakError: E501, E502 when disk or folder cannot be written.
        """
        settings = {
            "parcels": self.ids,
            "criteria": [(name, layer, _plain(curve)) for name, layer, curve in self.criteria],
            "rules": asdict(self.rules),
            "doubtful": list(self.sds),
            "seed": self.seed,
        }
        cells = self.cells
        arrays: dict[str, Any] = {
            "told": np.frombuffer(json.dumps(settings, allow_nan=False).encode(), np.uint8),
            "offsets": cells.offsets,
            "cell": cells.cell,
            "fraction": cells.fraction,
            "weight": cells.weight,
            "values": cells.values,
            "suitability": cells.suitability,
            "sds": np.array(list(self.sds.values())),
        }
        path = folder / CELLS_NPZ
        write_safely(path, lambda temporary: np.savez_compressed(temporary, **arrays))
        return path

    @classmethod
    def read(cls, folder: Path) -> SavedCells:
        """Read the file that `write` made in a run's folder.

        Raises:
            UnderoakError: E609 when there is none, or it cannot be read.
        """
        import zipfile
        import zlib

        path = folder / CELLS_NPZ
        try:
            with np.load(path, allow_pickle=False) as file:
                arrays = dict(file.items())
            settings = json.loads(arrays.pop("told").tobytes())
            criteria = tuple((name, layer, _curve(curve)) for name, layer, curve in settings["criteria"])
            rule_settings: dict[str, Any] = settings["rules"]
            for key, value in rule_settings.items():
                rule_settings[key] = tuple(value) if isinstance(value, list) else value
            rules = Rules(**rule_settings)
            sds = dict(zip(settings["doubtful"], arrays.pop("sds"), strict=True))
            memberships = np.stack([membership(arrays["values"][:, k], c[2]) for k, c in enumerate(criteria)], axis=1)
            cells = SampledCells(memberships=memberships, **arrays)
            return cls(tuple(settings["parcels"]), cells, criteria, rules, sds, int(settings["seed"]))
        except FileNotFoundError as error:
            what = "the run saved no cells of parcels: it judged none, or no criterion has an uncertain layer"
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
            fault = Fault("E609", f"the saved cells cannot be read ({error})", str(path), "run the plan again")
            raise UnderoakError(fault) from error


def _plain(curve: Curve) -> dict[str, Any]:
    return {**asdict(curve), "otherwise": None if math.isnan(curve.otherwise) else curve.otherwise}


def _curve(spec: Mapping[str, Any]) -> Curve:
    otherwise = math.nan if spec["otherwise"] is None else spec["otherwise"]
    return Curve(spec["kind"], tuple(spec["x"]), tuple(spec["y"]), otherwise)
