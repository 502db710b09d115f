"""One layer of a plan, in the form that the readers use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from underoak.indicators import Input


@dataclass(frozen=True, slots=True)
class LayerRequest:
    """A layer's keys that matter for reading its file; None and "" where the plan leaves a key out."""

    name: str
    file: str
    variable: str = ""
    band: int | None = None
    unit: str = ""
    to: str = ""  # the unit the file is decoded to: the indicator's, where one is derived from it
    scale: float | None = None
    nodata: tuple[float, ...] | None = None  # (): every value counts
    crs: str = ""
    kind: str = "values"
    valid: tuple[float, float] | None = None  # in the unit the file is decoded to
    quantity: str = ""
    monthly: bool = False  # the plan names months, a season or an indicator of the months

    @classmethod
    def from_spec(cls, name: str, layer: object, wanted_input: Input | None = None) -> LayerRequest:
        """Read the keys from an object with the plan's field names, some of which it may lack.

        `wanted_input` is what the layer is to the indicators of others, if it has neither `reduce` nor `derive`.

        >>> from types import SimpleNamespace
        >>> LayerRequest.from_spec("soil_ph", SimpleNamespace(file="ph.tif", unit="pH*10", nodata=-32768)).where
        'soil_ph (ph.tif)'
        """

        def get(field: str, default: Any) -> Any:
            value = getattr(layer, field, None)
            return default if value is None else value

        nodata = getattr(layer, "nodata", None)
        if nodata is not None:
            nodata = tuple(map(float, nodata)) if isinstance(nodata, list | tuple | frozenset) else (float(nodata),)
        input_wanted = _input_of(str(get("derive", "")))
        # an indicator or a sum has a unit and bounds other than the file's
        valid = None if input_wanted or get("reduce", "") == "sum" else getattr(layer, "valid", None)
        to = str(get("to", "")) if input_wanted is None else input_wanted.unit
        if wanted_input is not None:
            input_wanted, to = wanted_input, to or wanted_input.unit
        kind = "classes" if input_wanted is not None and input_wanted.kind == "codes" else str(get("kind", "values"))
        by_month = get("months", ()) or get("season", "") or get("reduce", "")
        return cls(
            name=name,
            file=str(get("file", "")),
            variable=str(get("variable", "")),
            band=getattr(layer, "band", None),
            unit=str(get("unit", "")),
            to=to,
            scale=getattr(layer, "scale", None),
            nodata=nodata,
            crs=str(get("crs", "")),
            kind=kind,
            valid=None if valid is None else (float(valid[0]), float(valid[1])),
            quantity=str(get("quantity", "")),
            monthly=bool(by_month or (input_wanted and input_wanted.axis == "months")),
        )

    @property
    def where(self) -> str:
        """The layer as messages name it."""
        return f"{self.name} ({self.file})"

    @property
    def key(self) -> str:
        """The layer's place in the plan, for a fix; the file of a quantile is named by the layer and its level."""
        layer, _, level = self.name.partition(" at ")
        if "." in layer:  # a series of years, which is no layer
            return layer
        return f"layers.{layer}.quantiles.{level}" if level else f"layers.{layer}"


def _input_of(indicator: str) -> Input | None:
    """Return the first input of an indicator; None without one, or for an unknown one."""
    if not indicator:
        return None
    from underoak.indicators import REGISTRY

    return next(iter(REGISTRY[indicator].inputs.values())) if indicator in REGISTRY else None
