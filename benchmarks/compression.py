"""What each way of compressing costs: the finished suitability encoded block by block with the engine's own encoder.

    python benchmarks/compression.py --size 2k

One thread, processor time of encoding alone. Results go to `results/compression.json`.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import rasterio
from rich.console import Console
from rich.table import Table

from compare import HERE, SIZES, conditions
from underoak.engine.write.cog import Band, RasterLayout, encode
from underoak.layers.formats.gdal import gdal_settings
from way import Way

WAYS: dict[str, dict[str, Any]] = {
    "none": {"compress": "none", "predictor": 1},
    "deflate 1": {"compress": "deflate", "zlevel": 1},
    "deflate 1, no predictor": {"compress": "deflate", "zlevel": 1, "predictor": 1},
    "deflate 3": {"compress": "deflate", "zlevel": 3},
    "deflate 6": {"compress": "deflate", "zlevel": 6},
    "deflate 9": {"compress": "deflate", "zlevel": 9},
    "zstd 1": {"compress": "zstd", "zstd_level": 1},
    "zstd 3": {"compress": "zstd", "zstd_level": 3},
    "zstd 9": {"compress": "zstd", "zstd_level": 9},
}


def measure(path: Path, tile: int = 1024) -> dict[str, dict[str, float]]:
    """Seconds and megabytes of every way, in turns tile by tile."""
    layout = RasterLayout("suitability.tif", "float32", float("nan"), (Band("suitability", "1"),))
    found = {name: {"seconds": 0.0, "mb": 0.0} for name in WAYS}
    with gdal_settings(), rasterio.open(path) as source:
        for row in range(0, source.height, tile):
            for col in range(0, source.width, tile):
                window = ((row, min(row + tile, source.height)), (col, min(col + tile, source.width)))
                cells = source.read(window=window)
                for name, change in WAYS.items():
                    began = time.thread_time()
                    blocks = encode(cells, Way(layout, change))  # type: ignore[arg-type]
                    found[name]["seconds"] += time.thread_time() - began
                    found[name]["mb"] += sum(map(len, blocks)) / 1e6
    return {name: {what: round(number, 3) for what, number in each.items()} for name, each in found.items()}


def main() -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--folder", type=Path, default=HERE, help="where out/ is")
    parser.add_argument("--results", type=Path, default=HERE / "results")
    given = parser.parse_args()
    path = given.folder / "out" / given.size / "ours" / "suitability.tif"
    if not path.exists():
        parser.error(f"{path} is not there: run compare.py --size {given.size} first")
    found = measure(path)
    given.results.mkdir(parents=True, exist_ok=True)
    result = {"size": given.size, "conditions": conditions(), "ways": found}
    (given.results / "compression.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    shown = Table("way", "thread seconds", "MB")
    for name, each in found.items():
        shown.add_row(name, f"{each['seconds']:.2f}", f"{each['mb']:.1f}")
    Console().print(shown)


if __name__ == "__main__":
    main()
