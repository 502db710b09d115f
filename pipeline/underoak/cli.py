"""The command line: a thin face over `underoak.runs`. Results go to stdout, talk to stderr."""

from __future__ import annotations

import functools
import os
import sys
import traceback
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from underoak.errors import BUG, Fault, UnderoakError

_SIGINT, _SIGTERM = 130, 143


def faults_told(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn faults into lines on stderr and an exit code; only a bug of ours shows a traceback, and only on request."""

    @click.option("--debug", is_flag=True, help="Show where in the program a fault arose.")
    @functools.wraps(command)
    def wrapped(*args: Any, debug: bool, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except UnderoakError as error:
            if debug:
                traceback.print_exc()
            for fault in error.faults:
                click.echo(str(fault), err=True)
            sys.exit(error.exit_code)
        except KeyboardInterrupt:
            click.echo("Stopped. Nothing half-written is left under a final name.", err=True)
            sys.exit(_SIGINT)
        except BrokenPipeError:  # the reader of our output has left
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(0)
        except (click.ClickException, click.exceptions.Exit, SystemExit):
            raise
        except Exception as error:
            if debug:
                traceback.print_exc()
            what = f"a bug in underoak: {type(error).__name__}: {error}"
            fault = Fault("E100", what, mend="run again with --debug and report it")
            click.echo(str(fault), err=True)
            sys.exit(BUG)

    return wrapped


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="underoak", message="underoak %(version)s")
def main() -> None:
    """Which ground would this truffle live on, how sure are we, and what would it take?

    Start with `underoak demo`, or `underoak new my-land --for buy` for a plan of your own.
    """


_PLAN = click.argument("plan", type=click.Path(path_type=Path))
_RUN = click.argument("run", type=click.Path(path_type=Path))


def _cluster_form(context: click.Context, option: click.Parameter, value: str | None) -> str | None:
    if value is None:
        return None
    from underoak.engine.cluster import Address

    if context.params.get("workers"):
        raise click.UsageError("--cluster brings its own workers: leave --workers out")
    try:
        return Address.parse(value).text
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def _run_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--strict", is_flag=True, help="Warnings stop the run."),
        click.option(
            "--progress", type=click.Choice(["auto", "plain", "none"]), default="auto", show_default=True,
            help="auto: a line that moves on a terminal, plain lines elsewhere.",
        ),
        click.option("--log-json", metavar="FILE", help="Write events as JSON lines to FILE, or to stderr with -."),
        click.option("--tile", type=click.IntRange(min=1), help="Cells along a tile, rounded up to whole blocks."),
        click.option(
            "--cluster", metavar="ADDRESS|local:N", callback=_cluster_form,
            help="Judge on a scheduler's workers, or on N processes here.",
        ),
        click.option("--workers", type=click.IntRange(min=1), help="Threads that judge tiles. Default: one a core."),
        click.option("--out", type=click.Path(path_type=Path), help="Run folder. Default: the plan's outputs.folder."),
    ):  # fmt: skip
        command = option(command)
    return command


@main.command()
@_PLAN
@_run_options
@faults_told
def run(plan: Path, **options: Any) -> None:
    """Judge the ground a PLAN describes: maps, ranked parcels and zones, report."""
    _run(plan, **options)


@main.command()
@_run_options
@faults_told
def demo(**options: Any) -> None:
    """Run the shipped example: an invented limestone region and 40 parcels for sale."""
    from underoak.plan import shipped

    options["out"] = options["out"] or Path("out/demo")
    _run(shipped("configs", "plans", "demo.yaml"), **options)


def _run(path: Path, out: Path | None, log_json: str | None, progress: str, strict: bool, **options: Any) -> None:
    from underoak.engine.progress import Progress
    from underoak.plan import load_plan
    from underoak.report import ranking
    from underoak.runs import run as run_plan

    with ExitStack() as stack:
        log: Any = None
        if log_json == "-":
            log = sys.stderr
        elif log_json:
            log = stack.enter_context(open(log_json, "a", encoding="utf-8"))
        told = Progress(progress, log)  # type: ignore[arg-type]
        done = run_plan(load_plan(path), out=out, progress=told, strict=strict, **options)
    for found in done.findings:
        if found.view:
            click.echo(f"\n{found.view}\n")
        click.echo(ranking(found))
    for line in done.pointers():
        click.echo(line, err=True)
    if done.unjudged and strict:
        sys.exit(10)


@main.command()
@_PLAN
@click.option("--deep", is_flag=True, help="Read every cell instead of a sample.")
@click.option("--strict", is_flag=True, help="Warnings count as problems.")
@faults_told
def check(plan: Path, deep: bool, strict: bool) -> None:
    """Look a PLAN over without computing anything: every problem at once, and what a run will need."""
    from underoak.plan import load_plan
    from underoak.runs import check as check_plan

    for line in check_plan(load_plan(plan), deep=deep, strict=strict):
        click.echo(line)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--for", "purpose", type=click.Choice(["buy", "orchard", "restore", "region"]), required=True,
    help="What the ground is wanted for.",
)  # fmt: skip
@faults_told
def new(folder: Path, purpose: str) -> None:
    """Start a plan of your own in FOLDER."""
    from underoak.plan import new as new_plan

    made = new_plan(folder, purpose)
    for path in made:
        click.echo(str(path))
    click.echo(f"Next: put your files where {made[0].name} names them, then: underoak check {made[0]}", err=True)


@main.command()
@_RUN
@click.option("--parcel", required=True, metavar="ID", help="The parcel's id.")
@faults_told
def explain(run: Path, parcel: str) -> None:
    """Say why a parcel of a finished RUN stands where it stands."""
    from underoak.runs import Run

    click.echo(Run.open(run).explain(parcel))


@main.command()
@click.argument("name", required=False)
@faults_told
def species(name: str | None) -> None:
    """List the species profiles, or print one with its curves, weights and sources."""
    from underoak.plan import species_list, species_sheet

    click.echo(species_sheet(name) if name else species_list())


@main.command()
@faults_told
def schema() -> None:
    """Print the JSON Schema of a plan, for editors."""
    import json

    from underoak.plan import plan_schema

    click.echo(json.dumps(plan_schema(), indent=2, ensure_ascii=False))
