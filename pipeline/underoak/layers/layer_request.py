"""What the plan asks of one layer's file, in the form the doors use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from underoak.indicators import Input


@dataclass(frozen=True, slots=True)
class LayerRequest:
    """One layer of the plan, as far as reading it goes; None and "" mean that the plan does not say."""

    name: str
    file: str
    variable: str = ""
    band: int | None = None
    unit: str = ""
    to: str = ""  # the unit the file is decoded to: what an indicator wants, where one is derived from it
    scale: float | None = None
    nodata: tuple[float, ...] | None = None  # () says that every value is a value
    crs: str = ""
    kind: str = "values"
    valid: tuple[float, float] | None = None  # in the unit the file is decoded to
    quantity: str = ""
    monthly: bool = False  # the plan names months, a season or an indicator of the months

    @classmethod
    def from_spec(cls, name: str, layer: Any, wanted: Input | None = None) -> LayerRequest:
        """Read it off any object with the plan's field names; a field that is not there is not asked for.

        `wanted`: what the indicators of other layers want of it, where nothing is made of it by itself.

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
        derived = _input_of(str(get("derive", "")))
        # what comes of the file afterwards has units and bounds of its own
        valid = None if derived or get("reduce", "") == "sum" else getattr(layer, "valid", None)
        to = str(get("to", "")) if derived is None else derived.unit
        if wanted is not None:
            derived, to = wanted, to or wanted.unit
        kind = "classes" if derived is not None and derived.kind == "codes" else str(get("kind", "values"))
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
            monthly=bool(by_month or (derived and derived.axis == "months")),
        )

    @property
    def where(self) -> str:
        """How messages name the layer."""
        return f"{self.name} ({self.file})"

    @property
    def key(self) -> str:
        """Where the layer stands in the plan, for a mend; a quantile's file is called after the layer and its level."""
        layer, _, level = self.name.partition(" at ")
        return f"layers.{layer}.quantiles.{level}" if level else f"layers.{layer}"


def _input_of(indicator: str) -> Input | None:
    """What an indicator wants of its first input; None for none or an unknown one."""
    if not indicator:
        return None
    from underoak.indicators import REGISTRY

    return next(iter(REGISTRY[indicator].inputs.values())) if indicator in REGISTRY else None
