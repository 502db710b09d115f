"""What the commands may be given: kinds of values, and the options that several commands share."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

import click

from underoak.base.errors import UnderoakError


class Memory(click.ParamType[int]):
    """An amount of memory, in bytes."""

    name = "memory"
    _UNITS: ClassVar[dict[str, int]] = {
        **{f"{letter}ib": 1024**n for n, letter in enumerate("kmgt", start=1)},
        **{f"{letter}b": 1000**n for n, letter in enumerate("kmgt", start=1)},
    }

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """4GiB, 900 MB and the like."""
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*([A-Za-z]{2,3})\s*", value)
        if found is None or found[2].lower() not in self._UNITS:
            self.fail(f"{value!r} is no amount of memory: write it like 4GiB or 900MB.", param, ctx)
        return int(float(found[1]) * self._UNITS[found[2].lower()])


class Length(click.ParamType[float]):
    """A length, in metres."""

    name = "length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """800m, 0.8 km and the like."""
        if isinstance(value, float):
            return value
        from underoak.base.units import read_quantity

        try:
            metres = read_quantity(value, "m")
        except UnderoakError:
            metres = -1.0
        if not 0.0 <= metres < float("inf"):
            self.fail(
                f"{value!r} is no length: write one number, 0 or more, and its unit, like 10m or 0.8km.", param, ctx
            )
        return metres


_WIDEST_M = 100.0  # between two trees


class Spacing(click.ParamType[tuple[float, float]]):
    """Metres between rows and along them."""

    name = "spacing"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """6x5, or 6 x 5 m."""
        found = re.fullmatch(r"\s*(\d{1,3}(?:\.\d{1,2})?)\s*x\s*(\d{1,3}(?:\.\d{1,2})?)\s*m?\s*", str(value))
        made = (float(found[1]), float(found[2])) if found else (0.0, 0.0)
        if not 1.0 <= min(made) <= max(made) <= _WIDEST_M:
            self.fail(
                f"{value!r} is no spacing: write metres between rows, an x, and metres along them, "
                f"each from 1 to {_WIDEST_M:g}, like 6x5 or 5.5x4.", param, ctx,
            )  # fmt: skip
        return made


PLAN = click.argument("plan", type=click.Path(path_type=Path))
RUN = click.argument("run", type=click.Path(path_type=Path))
WORKERS = click.option(
    "--workers", type=click.IntRange(min=1), help="Threads that judge tiles. Default: one a core."
)  # fmt: skip
MEMORY = click.option(
    "--memory", type=Memory(), metavar="SIZE", help="Most memory to use, such as 4GiB: fewer threads, smaller tiles."
)
SEED = click.option("--seed", type=click.IntRange(min=0), help="Instead of the plan's uncertainty.seed.")


def _cluster_form(context: click.Context, option: click.Parameter, value: str | None) -> str | None:
    if value is None:
        return None
    from underoak.engine.workers.cluster_address import Address

    try:
        return Address.parse(value).text
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def run_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What a command takes that judges ground, beside the plan."""
    for option in (
        click.option("--strict", is_flag=True, help="Warnings stop the run."),
        click.option(
            "--progress", type=click.Choice(["auto", "plain", "none"]), default="auto", show_default=True,
            help="auto: a line that moves on a terminal, plain lines elsewhere.",
        ),
        click.option("--fresh", is_flag=True, help="Throw away the tiles of stopped runs, and start over."),
        click.option(
            "--resume", is_flag=True,
            help="Go on with a stopped run's tiles, and refuse if plan, inputs or software have changed. Without "
            "--resume and --fresh: go on if nothing has changed, else start over and leave the old tiles alone.",
        ),
        click.option("--log-json", metavar="FILE", help="Add events as JSON lines to FILE; - is stderr."),
        click.option("--tile", type=click.IntRange(min=1), help="Cells along a tile: 1024, or a multiple of it."),
        click.option(
            "--cluster", metavar="ADDRESS|local:N", callback=_cluster_form,
            help="Judge on a scheduler's workers, or on N processes here.",
        ),
        SEED,
        MEMORY,
        WORKERS,
        click.option("--out", type=click.Path(path_type=Path), help="Run folder. Default: the plan's outputs.folder."),
    ):  # fmt: skip
        command = option(command)
    return command
