"""Another way of compressing what underoak writes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from model import LEVEL
from underoak.engine.write.cog import RasterLayout
from underoak.engine.write.outputs import Output


@dataclass(frozen=True)
class Way:
    """A layout with other creation options."""

    layout: RasterLayout
    change: dict[str, Any]

    @property
    def options(self) -> dict[str, Any]:
        """As `Layout.options`."""
        kept = {name: value for name, value in self.layout.options.items() if name not in ("zlevel", "zstd_level")}
        return {**kept, **self.change}

    def __getattr__(self, name: str) -> Any:
        return getattr(self.layout, name)


def at_level(outputs: Sequence[Output]) -> list[Output]:
    """The same outputs at the deflate level of this series."""
    if outputs[0].layout.options["zlevel"] == LEVEL:
        return list(outputs)
    ways = (Way(output.layout, {"zlevel": LEVEL}) for output in outputs)
    return [replace(output, layout=way) for output, way in zip(outputs, ways, strict=True)]  # type: ignore[arg-type]
