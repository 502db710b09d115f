"""What every measured script does alike: its arguments, its clock, and the one JSON line it prints."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from model import Ground


def arguments(about: str | None) -> argparse.ArgumentParser:
    """`--inputs` and `--out`; a script may add its own."""
    parser = argparse.ArgumentParser(description=(about or "").split("\n")[0])
    parser.add_argument("--inputs", type=Path, required=True, help="folder that inputs.py made")
    parser.add_argument("--out", type=Path, required=True, help="folder for what the tool writes")
    return parser


class Clock:
    """Seconds since it was made, by phase, and how many the processors were at work for this process."""

    def __init__(self) -> None:
        self.began = self._last = time.perf_counter()
        self._cpu_began = self._cpu_last = time.process_time()
        self.phases: dict[str, float] = {}

    def lap(self, phase: str) -> None:
        """The time since the last lap belongs to `phase`."""
        now = time.perf_counter()
        self.phases[phase] = self.phases.get(phase, 0.0) + now - self._last
        self._last, self._cpu_last = now, time.process_time()

    @property
    def seconds(self) -> float:
        """From the start to the last lap."""
        return self._last - self.began

    @property
    def cpu_seconds(self) -> float:
        """Processor time from the start to the last lap, all threads together."""
        return self._cpu_last - self._cpu_began


def peak_mb() -> float | None:
    """The most memory this process has held [MB]; None where the system does not say."""
    try:
        import resource
    except ImportError:  # Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak / 1024


def report(tool: str, ground: Ground, clock: Clock, **more: Any) -> None:
    """One JSON line on stdout."""
    peak = peak_mb()
    line = {
        "tool": tool,
        "size": ground.size,
        "seconds": round(clock.seconds, 4),
        "cpu_seconds": round(clock.cpu_seconds, 4),
        "peak_mb": None if peak is None else round(peak, 1),
        "cells": ground.cells**2,
        "phases": {name: round(seconds, 4) for name, seconds in clock.phases.items()},
        **more,
    }
    print(json.dumps(line), flush=True)
