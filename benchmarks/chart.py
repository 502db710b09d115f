"""The bar chart of a comparison."""

from __future__ import annotations

from pathlib import Path
from typing import Any

_OURS, _OTHERS, _COPY = "#00306f", "#a69d75", "#d3d3d3"  # two ends of cividis, and grey for what computes nothing


def draw(result: dict[str, Any], titles: dict[str, str], path: Path) -> None:
    """A bar for each tool's median, a dot for each run."""
    from matplotlib.figure import Figure

    names = [name for name in titles if result[f"{name}_s"] is not None]
    figure = Figure(figsize=(8, 1.1 + 0.55 * len(names)), layout="constrained")
    axes = figure.subplots()
    for at, name in enumerate(names):
        colour = _OURS if name.startswith("ours") else _COPY if name.startswith("copy") else _OTHERS
        median, seconds = result[f"{name}_s"], result["per_run"][name]
        axes.barh(at, median, color=colour, height=0.62)
        axes.plot(seconds, [at] * len(seconds), "o", color="white", markeredgecolor="black", markersize=5)
        peak = result[f"{name}_peak_mb"]
        text = f"{median:.2f} s" + (f", {peak:,} MB" if peak else "")
        axes.annotate(text, (max(seconds), at), (8, 0), textcoords="offset points", va="center")
    axes.set_yticks(range(len(names)), [titles[name] for name in names])
    axes.invert_yaxis()
    axes.set_xlim(0, 1.3 * max(max(result["per_run"][name]) for name in names))
    axes.set_xlabel("seconds (bar: median; dots: single runs); most memory held")
    side = round(result["cells"] ** 0.5)
    axes.set_title(f"{side:,} × {side:,} cells, {result['runs']} runs in turns, two threads", loc="left", fontsize=11)
    axes.spines[["top", "right"]].set_visible(False)
    figure.savefig(path, dpi=130)
