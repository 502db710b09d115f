"""Where lab samples were taken: coordinates of the file, checked against the parcel that the row names."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.number_words import metres
from underoak.places.soil.sampling import true_scale

if TYPE_CHECKING:
    from underoak.places.geometry.parcel_shapes import Parcels

WGS84 = "EPSG:4326"


class LabPlaces:
    """Reads the place of each row; faults E415 and E412 go to `problems`."""

    def __init__(self, crs: str | None, parcels: Parcels | None, where: str, problems: Problems) -> None:
        self.crs, self.parcels, self.where, self.problems = crs, parcels, where, problems
        self._has_crs_fault = False

    def read(self, line: int, row: Mapping[str, str]) -> tuple[float, float] | None:
        """Return x and y in the CRS of the parcels; None without coordinates, without parcels, or with a fault."""
        names = ("lon", "lat") if "lon" in row else ("x", "y")
        texts = [row.get(name, "") for name in names]
        if not any(texts):
            return None
        crs = self._crs_of(names)
        if crs is None or self.parcels is None:
            return None
        numbers = [_number(text) for text in texts]
        for name, text, number in zip(names, texts, numbers, strict=True):
            if number is None:
                what = f'{name} "{text}" is no number' if text else f"has no {name}"
                self._fault("E412", line, what, "write both coordinates as numbers, or leave both empty")
                return None
        x, y = (float(number) for number in numbers if number is not None)
        shape = self.parcels.shapes[self.parcels.ids.index(row["parcel"])]
        if shape is None:
            return None  # nothing of it is judged
        try:
            inside, place = self._locate(shape, crs, x, y)
        except UnderoakError as error:
            self.problems.add_error(error)
            return None
        if inside:
            return place
        self._fault("E415", line, *self._outside(row["parcel"], shape, crs, names, x, y, place))
        return None

    def _crs_of(self, names: tuple[str, str]) -> str | None:
        if names == ("lon", "lat") and self.crs is None:
            return WGS84
        if self.crs is not None and (names == ("x", "y") or _crs.is_geographic(self.crs)):
            return self.crs
        if not self._has_crs_fault:
            self._has_crs_fault = True
            if self.crs is None:
                what, fix = "has columns x and y, and nothing says in which system", "add `crs: EPSG:...` to `lab`"
            else:
                what = f"has columns lon and lat, and the plan says that its coordinates are in {self.crs}"
                fix = "remove `crs` from `lab`, or name the columns x and y"
            self.problems.add("E415", what, self.where, fix)
        return None

    def _locate(self, shape: Any, crs: str, x: float, y: float) -> tuple[bool, tuple[float, float]]:
        """Return whether a place lies in a shape or on its edge, and its coordinates in the shape's CRS."""
        import shapely

        assert self.parcels is not None
        east, north = _crs.transformer(crs, self.parcels.crs).transform(x, y)
        place = (float(east), float(north))
        if not (math.isfinite(place[0]) and math.isfinite(place[1])):
            return False, place
        return bool(shapely.intersects_xy(shape, *place)), place

    def _outside(
        self, parcel: str, shape: Any, crs: str, names: tuple[str, str], x: float, y: float, place: tuple[float, float]
    ) -> tuple[str, str]:
        """Return what is wrong with a place outside its parcel, and the likeliest fix."""
        import shapely

        assert self.parcels is not None
        at = f"{names[0]} {x:.10g}, {names[1]} {y:.10g}"
        if self._locate(shape, crs, y, x)[0]:
            fix = f"swap them: {names[0]} is the one that grows eastwards"
            return f"{at} is not in parcel {parcel}, but the two swapped are", fix
        if not math.isfinite(place[0] + place[1]):
            return f"{at} cannot be a place in {crs}", "look at the coordinates, and at `crs` under `lab`"
        other = self._parcel_at(*place)
        if other is not None:
            return f"{at} is in parcel {other}, not in {parcel}", f'write "{other}", or correct the coordinates'
        swapped = self._locate(shape, crs, y, x)[1]
        other = self._parcel_at(*swapped) if math.isfinite(swapped[0] + swapped[1]) else None
        if other is not None:
            what = f"{at} is in no parcel, and the two swapped are in parcel {other}, not in {parcel}"
            return what, "swap the two, and look at the parcel's id"
        scale = true_scale(shape, self.parcels.crs)
        flat = shapely.transform(shape, lambda points: points * scale)
        distance_m = float(shapely.distance(flat, shapely.Point(np.array(place) * scale)))
        fix = "correct the coordinates, or `crs` under `lab`"
        distance = metres(distance_m) if distance_m >= 1.0 else "less than 1 m"
        return f"{at} is {distance} outside parcel {parcel}", fix

    def _parcel_at(self, x: float, y: float) -> str | None:
        """Return the first parcel that holds a place; None where none does."""
        import shapely

        assert self.parcels is not None
        shapes = zip(self.parcels.ids, self.parcels.shapes, strict=True)
        return next((id for id, shape in shapes if shape is not None and shapely.intersects_xy(shape, x, y)), None)

    def _fault(self, code: str, line: int, what: str, fix: str) -> None:
        self.problems.add(code, f"line {line}: {what}", self.where, fix)


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
