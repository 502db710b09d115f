"""Find where a truffle would grow, what limits it, and what it would take to improve the site.

>>> import underoak as uo
>>> plan = uo.load_plan(uo.shipped("configs", "plans", "demo.yaml"))
>>> plan.title != ""
True
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from underoak.base.errors import Fault, UnderoakError
    from underoak.engine.verification import verify
    from underoak.places.spot.judgement import judge, judge_all
    from underoak.plan.load import load_plan
    from underoak.plan.shipped import shipped
    from underoak.runs.check import check
    from underoak.runs.finished_run import Run
    from underoak.runs.run import run

try:
    __version__ = version("underoak")
except PackageNotFoundError:  # a source tree that was never installed
    __version__ = "0"

__all__ = ["Fault", "Run", "UnderoakError", "check", "judge", "judge_all", "load_plan", "run", "shipped", "verify"]

# Imported on first use, so that `underoak --help` is fast.
_HOMES = {
    "Fault": "base.errors",
    "UnderoakError": "base.errors",
    "load_plan": "plan",
    "shipped": "plan",
    "Run": "runs.finished_run",
    "check": "runs.check",
    "judge": "places.spot.judgement",
    "judge_all": "places.spot.judgement",
    "run": "runs.run",
    "verify": "engine.verification",
}
_MATHS = ("indicators", "overlay", "uncertainty")  # public packages of maths, available as attributes


def __dir__() -> list[str]:
    return sorted([*__all__, *_MATHS, "__version__"])


def __getattr__(name: str) -> Any:
    if name in _MATHS:
        return import_module(f"underoak.{name}")
    if name not in _HOMES:
        raise AttributeError(f"module 'underoak' has no attribute '{name}'")
    return getattr(import_module(f"underoak.{_HOMES[name]}"), name)
