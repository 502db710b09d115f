"""The command line: a thin face over `underoak.runs`. Results go to stdout, messages to stderr."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypedDict, TypeVar, Unpack

import click

from underoak.base.errors import UNJUDGED, Fault, UnderoakError
from underoak.base.json_text import json_text
from underoak.cli_faults import exit_code, leave_hung_threads, print_lines, report_faults
from underoak.cli_finished import FINISHED_RUN_COMMANDS
from underoak.cli_options import MEMORY, PLAN, SEED, WORKERS, RunOptions, run_options
from underoak.cli_sources import SOURCE_COMMANDS

if TYPE_CHECKING:
    from underoak.engine.progress import Progress, Show

T = TypeVar("T")

_MIN_COLUMNS, _MAX_COLUMNS = 60, 118


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="underoak", message="underoak %(version)s")
def main() -> None:
    """Find where a truffle would grow, what limits it, and what it would take to improve the site.

    Start with `underoak demo`, or write a plan with `underoak new my-land --for buy`. With a lab sheet and no maps, try
    `underoak judge tuber_melanosporum ph=7.6 rain_summer=150mm`.
    """


@main.command(short_help="Judge the land of a plan.")
@PLAN
@run_options
@report_faults
def run(plan: Path, **options: Unpack[RunOptions]) -> None:
    """Judge the land of a PLAN, and write maps, ranked parcels and zones, and a report."""
    _run(plan, options)


@main.command(short_help="Run the shipped example.")
@run_options
@report_faults
def demo(**options: Unpack[RunOptions]) -> None:
    """Run the shipped example: 40 parcels for sale in an invented limestone region."""
    from underoak.plan import shipped

    options["out"] = options["out"] or Path("out/demo")
    _run(shipped("configs", "plans", "demo.yaml"), options)


def _run(path: Path, options: RunOptions) -> None:
    from underoak.engine import allocator
    from underoak.engine.stop import Stop
    from underoak.engine.workers import reader_process
    from underoak.report import ranking
    from underoak.runs.run import run as run_plan

    if options["cluster"] and options["workers"]:
        raise click.UsageError("--cluster has its own workers and cannot be combined with --workers")
    if options["resume"] and options["fresh"]:
        raise click.UsageError("--resume reuses finished tiles and --fresh discards them: give only one of them")
    if options["memory"] and options["cluster"]:
        raise click.UsageError("--memory limits this process only and cannot be combined with --cluster")
    is_log_on_stderr = options["log_json"] == "-"
    allocator.retain_freed()  # this process is ours
    reader_process.start_early()
    from underoak.plan import load_plan

    with ExitStack() as stack:
        stop = stack.enter_context(Stop(is_quiet=is_log_on_stderr))
        progress = stack.enter_context(_progress(options["progress"], options["log_json"]))
        result = run_plan(
            load_plan(path),
            out=options["out"],
            workers=options["workers"],
            cluster=options["cluster"],
            tile=options["tile"],
            memory=options["memory"],
            resume=True if options["resume"] else False if options["fresh"] else None,
            progress=progress,
            strict=options["strict"],
            stop=stop,
            seed=options["seed"],
        )
    for findings in result.findings:
        if findings.case.heading:
            print_lines(f"\n{findings.case.heading}\n")
        print_lines(ranking(findings, width=_columns()))
    if options["progress"] != "none" and not is_log_on_stderr:
        for line in result.next_steps():
            print_lines(line, err=True)
    if result.failed_scenarios:
        if options["progress"] != "none" and not is_log_on_stderr:
            names = ", ".join(scenario.name for scenario in result.failed_scenarios)
            click.echo(f"Not judged, because of errors in their inputs: {names}. All else is done.", err=True)
        sys.exit(result.failed_scenarios[0].exit_code)
    if result.unjudged and options["strict"]:
        sys.exit(UNJUDGED)


def _columns() -> int:
    """Return the width of tables: that of the terminal, within limits."""
    import shutil

    if not sys.stdout.isatty():
        return _MAX_COLUMNS
    return min(max(shutil.get_terminal_size((_MAX_COLUMNS, 24)).columns, _MIN_COLUMNS), _MAX_COLUMNS)


@contextmanager
def _progress(show: Show, log_json: str | None) -> Iterator[Progress]:
    """Yield the progress of a run, which also logs the error that ends it."""
    from underoak.engine.progress import Progress

    with ExitStack() as stack:
        log = sys.stderr if log_json == "-" else stack.enter_context(_open_log(log_json)) if log_json else None
        progress = Progress(show, log)
        try:
            yield progress
        except BaseException as error:
            progress.failed(error)
            if log_json == "-":  # a line for people would not be JSON
                leave_hung_threads(exit_code(error))
                sys.exit(exit_code(error))
            raise


def _open_log(name: str) -> IO[str]:
    try:
        return open(name, "a", encoding="utf-8")
    except OSError as error:
        what = f"the log cannot be written ({error.strerror or error})"
        raise UnderoakError(Fault("E502", what, name, "choose another file for --log-json")) from error


class CheckOptions(TypedDict):
    """The options of `check`, as click passes them."""

    workers: int | None
    memory: int | None
    seed: int | None
    deep: bool
    strict: bool


@main.command(short_help="Check a plan, and estimate disk, memory and time.")
@PLAN
@WORKERS
@MEMORY
@SEED
@click.option("--deep", is_flag=True, help="Read every cell. Default: a sample.")
@click.option("--strict", is_flag=True, help="Treat warnings as errors.")
@report_faults
def check(plan: Path, **options: Unpack[CheckOptions]) -> None:
    """Check a PLAN: report every problem and estimate disk, memory and time. Writes nothing."""
    from underoak.engine.workers import reader_process

    reader_process.start_early()
    from underoak.plan import load_plan
    from underoak.runs.check import check as check_plan

    for line in check_plan(load_plan(plan), **options):
        print_lines(line)


@main.command(short_help="Judge one spot from figures in hand.", context_settings={"ignore_unknown_options": True})
@click.argument("species")
@click.argument("figures", nargs=-1, metavar="NAME=VALUE...")
@click.option(
    "--for", "purpose", type=click.Choice(["buy", "orchard", "restore"]), default="buy", show_default=True,
    help="Purpose; wild ground to restore is never offered lime or water.",
)  # fmt: skip
@click.option("--json", "is_json", is_flag=True, help="Print JSON instead of text.")
@report_faults
def judge(species: str, figures: tuple[str, ...], purpose: str, is_json: bool) -> None:
    """Judge one spot for SPECIES from a lab sheet and a weather station, without maps.

    Names are criteria or layers of the species profile (`underoak species NAME` lists them). SPECIES may be `all`.

    \b
    underoak judge tuber_melanosporum ph=7.6±0.2 rain_summer=150mm carbonate=12% temp_warmest=21degC
    """

    from underoak.places.spot.judgement import judge as judge_spot
    from underoak.places.spot.judgement import judge_all
    from underoak.report import spot_text, spot_values, spots_text

    is_all = species == "all"
    spots = judge_all(figures, purpose=purpose) if is_all else (judge_spot(species, figures, purpose=purpose),)
    if is_json:
        values = {"species": [spot_values(spot) for spot in spots]} if is_all else spot_values(spots[0])
        click.echo(json_text(values))
    else:
        print_lines(spots_text(spots) if is_all else spot_text(spots[0]))


@main.command(short_help="Check a seller's claims against published figures.")
@click.argument("claims", nargs=-1, metavar="NAME=VALUE...")
@click.option("--json", "is_json", is_flag=True, help="Print JSON instead of text.")
@report_faults
def claim(claims: tuple[str, ...], is_json: bool) -> None:
    """Check a seller's claims against published figures: where they lie, unit traps, and what to ask for.

    Names are yield, first_crop, trees and price; each number needs its unit. A range is two numbers: 20-50kg/ha.

    \b
    underoak claim yield=600kg/ha first_crop=3 trees=500/ha price=900EUR/kg
    """
    import json

    from underoak.decision.money.claim import check_claims
    from underoak.report import claims_text, claims_values

    checked = check_claims(claims)
    if is_json:
        click.echo(json.dumps(claims_values(checked), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print_lines(claims_text(checked))


@main.command(short_help="List the species profiles, or print one.")
@click.argument("name", required=False)
@report_faults
def species(name: str | None) -> None:
    """List the species profiles, or print that of NAME with its curves, weights and sources."""
    from underoak.plan import species_list, species_sheet

    click.echo(species_sheet(name) if name else species_list())


@main.command(short_help="Print the JSON Schema of a plan.")
@report_faults
def schema() -> None:
    """Print the JSON Schema of a plan, for editors."""

    from underoak.plan import plan_schema

    click.echo(json_text(plan_schema()))


for command in (*FINISHED_RUN_COMMANDS, *SOURCE_COMMANDS):
    main.add_command(command)
