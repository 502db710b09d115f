"""Options of the commands: types of values, and the options that several commands share."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypedDict, TypeVar

import click

from underoak.base.errors import UnderoakError

if TYPE_CHECKING:
    from underoak.engine.progress import Show

F = TypeVar("F", bound=Callable[..., Any])


class Memory(click.ParamType[int]):
    """An amount of memory [bytes], such as 4GiB or 900 MB."""

    name = "memory"
    _UNITS: ClassVar[dict[str, int]] = {
        **{f"{letter}ib": 1024**n for n, letter in enumerate("kmgt", start=1)},
        **{f"{letter}b": 1000**n for n, letter in enumerate("kmgt", start=1)},
    }

    def convert(self, value: int | str, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the bytes of a text such as 4GiB or 900 MB."""
        if isinstance(value, int):
            return value
        match = re.fullmatch(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*([A-Za-z]{2,3})\s*", value)
        if match is None or match[2].lower() not in self._UNITS:
            self.fail(f"{value!r} is not an amount of memory. Write it like 4GiB or 900MB.", param, ctx)
        return int(float(match[1]) * self._UNITS[match[2].lower()])


class Length(click.ParamType[float]):
    """A length [m], such as 800m or 0.8 km."""

    name = "length"

    def convert(self, value: float | str, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the metres of a text such as 800m or 0.8 km."""
        if isinstance(value, float):
            return value
        from underoak.base.units import read_quantity

        try:
            metres = read_quantity(str(value), "m")
        except UnderoakError:
            metres = -1.0
        if not 0.0 <= metres < float("inf"):
            self.fail(f"{value!r} is not a length. Write a number from 0 and its unit, like 10m or 0.8km.", param, ctx)
        return metres


class Place(click.ParamType[tuple[float, float]]):
    """A place as latitude and longitude [degree], such as 44.1,4.9."""

    name = "place"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """Return the latitude and longitude of a text such as 44.1,4.9."""
        match = re.fullmatch(
            r"\s*([-+]?\d{1,3}(?:\.\d{1,12})?)\s*[,;\s]\s*([-+]?\d{1,3}(?:\.\d{1,12})?)\s*", str(value)
        )
        if match is None or abs(float(match[1])) > 90.0 or abs(float(match[2])) > 180.0:
            self.fail(f"{value!r} is not a place. Write latitude, then longitude, like 44.1,4.9.", param, ctx)
        return float(match[1]), float(match[2])


_MAX_SPACING_M = 100.0  # between two trees


class Spacing(click.ParamType[tuple[float, float]]):
    """A spacing of trees [m]: between rows and along them, such as 6x5."""

    name = "spacing"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """Return the metres of a text such as 6x5 or 6 x 5 m."""
        match = re.fullmatch(r"\s*(\d{1,3}(?:\.\d{1,2})?)\s*x\s*(\d{1,3}(?:\.\d{1,2})?)\s*m?\s*", str(value))
        spacing = (float(match[1]), float(match[2])) if match else (0.0, 0.0)
        if not 1.0 <= min(spacing) <= max(spacing) <= _MAX_SPACING_M:
            what = f"{value!r} is not a spacing. Write metres between rows, an x, and metres along them, like 6x5"
            self.fail(f"{what} or 5.5x4; each from 1 to {_MAX_SPACING_M:g}.", param, ctx)
        return spacing


class RunOptions(TypedDict):
    """The options of a command that runs a plan, as click passes them."""

    out: Path | None
    workers: int | None
    memory: int | None
    seed: int | None
    cluster: str | None
    tile: int | None
    log_json: str | None
    resume: bool
    fresh: bool
    progress: Show
    strict: bool


PLAN = click.argument("plan", type=click.Path(path_type=Path))
RUN = click.argument("run", type=click.Path(path_type=Path))
WORKERS = click.option("--workers", type=click.IntRange(min=1), help="Number of threads. Default: one per core.")
MEMORY = click.option(
    "--memory", type=Memory(), metavar="SIZE",
    help="Memory limit, such as 4GiB; it may mean fewer threads and smaller tiles. Default: that of the container.",
)  # fmt: skip
SEED = click.option(
    "--seed", type=click.IntRange(min=0), help="Random seed. Default: uncertainty.seed of the plan."
)  # fmt: skip


def _check_cluster(context: click.Context, option: click.Parameter, value: str | None) -> str | None:
    if value is None:
        return None
    from underoak.engine.workers.cluster_address import Address

    try:
        return Address.parse(value).text
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def run_options(command: F) -> F:
    """Add the options of `RunOptions` to a command."""
    for option in (
        click.option(
            "--strict", is_flag=True, help="Treat warnings as errors. Exit with code 10 if a parcel is not judged."
        ),
        click.option(
            "--progress", type=click.Choice(["auto", "plain", "none"]), default="auto", show_default=True,
            help="Form of progress messages. auto: a moving line on a terminal, plain lines elsewhere.",
        ),
        click.option("--fresh", is_flag=True, help="Discard the finished tiles of a stopped run, and start over."),
        click.option(
            "--resume", is_flag=True,
            help="Resume a stopped run. Fails if the plan, an input or the software has changed. "
            "Default: resume if nothing has changed; otherwise start over and keep the old tiles.",
        ),
        click.option(
            "--log-json", metavar="FILE", help="Append events to FILE as JSON lines; - is stderr. Default: no log."
        ),
        click.option(
            "--tile", type=click.IntRange(min=1),
            help="Side of a tile in cells, rounded up to a multiple of 1024. Default: 1024.",
        ),
        click.option(
            "--cluster", metavar="ADDRESS|local:N", callback=_check_cluster,
            help="Judge on the workers of a scheduler, or in N processes here. Default: threads.",
        ),
        SEED,
        MEMORY,
        WORKERS,
        click.option(
            "--out", type=click.Path(path_type=Path),
            help="Run folder. Default: outputs.folder of the plan; for demo out/demo.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command
