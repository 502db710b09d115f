"""The files that a plan names under `neighbours`, read for a run, and what they give to the table of parcels."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from underoak.base.errors import Problems, UnderoakError
from underoak.decision.ground.neighbours import NearShapes, nearness
from underoak.layers.formats.vector import read_features

if TYPE_CHECKING:
    import pandas as pd

    from underoak.places.geometry.parcel_shapes import Parcels
    from underoak.plan.plan import Plan


def read_neighbours(plan: Plan, crs: str, problems: Problems) -> tuple[NearShapes, ...]:
    """Return the shapes of all files under `neighbours`, in `crs`; faults go to `problems`."""
    files = []
    for name, spec in plan.spec.neighbours.items():
        where = f"neighbours.{name} ({spec.file})"
        try:
            frame = read_features(
                plan.base / spec.file, spec.features, crs, problems=problems, where=where, any_kind=True
            )
        except UnderoakError as error:
            problems.add_error(error)
            continue
        shapes = np.array([*frame.geometry, None], object)[:-1]
        files.append(NearShapes(name, shapes, spec.within_m, spec.touching_m))
    return tuple(files)


def with_neighbours(table: pd.DataFrame, files: Iterable[NearShapes], parcels: Parcels) -> pd.DataFrame:
    """Return a table of the parcels with columns for each file: see `places.columns.parcels.NEIGHBOURS`."""
    places = {id: place for place, id in enumerate(parcels.ids)}
    rows = [places[str(id)] for id in table["id"]]
    columns = {}
    for near in files:
        measured = nearness(near, parcels)
        columns[f"distance_m_{near.name}"] = measured.distance_m[rows]
        columns[f"shapes_{near.name}"] = measured.count[rows]
        if near.has_areas:
            columns[f"hectares_{near.name}"] = measured.area_ha[rows]
            columns[f"edge_m_{near.name}"] = measured.edge_m[rows]
            columns[f"whole_ha_{near.name}"] = measured.whole_ha[rows]
    return table.assign(**columns)
