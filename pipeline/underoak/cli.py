"""The command line: a thin face over `underoak.runs.run`. Results go to stdout, talk to stderr."""

from __future__ import annotations

import functools
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from underoak.base.errors import BUG, Fault, UnderoakError
from underoak.cli_options import MEMORY, PLAN, RUN, SEED, WORKERS, Length, Spacing, run_options

if TYPE_CHECKING:
    from underoak.engine.progress import Progress

_SIGINT = 130


def report_faults(command: Callable[..., Any]) -> Callable[..., Any]:
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
            if all(fault.is_warning for fault in error.faults):
                click.echo("Warnings end it, as --strict asks.", err=True)
            _leave_hung_threads(error.exit_code)
            sys.exit(error.exit_code)
        except KeyboardInterrupt as stopped:
            click.echo("Stopped. Nothing half-written is left under a final name.", err=True)
            sys.exit(getattr(stopped, "exit_code", _SIGINT))
        except BrokenPipeError:  # the reader of our output has left
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(0)
        except (click.ClickException, click.exceptions.Exit, SystemExit):
            raise
        except Exception as error:
            if debug:
                traceback.print_exc()
            what = f"a bug in underoak: {type(error).__name__}: {error}"
            fault = Fault("E100", what, fix="run again with --debug and report it")
            click.echo(str(fault), err=True)
            sys.exit(BUG)

    return wrapped


def _leave_hung_threads(code: int) -> None:
    """End the process here if a thread hangs in a file: the interpreter would wait for it."""
    reads = sys.modules.get("underoak.layers.formats.read_watch")
    if reads is not None and reads.overdue_read(0.0) is not None:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def _exit_code(error: BaseException) -> int:
    """The exit code that `report_faults` ends with."""
    return int(getattr(error, "exit_code", _SIGINT if isinstance(error, KeyboardInterrupt) else BUG))


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="underoak", message="underoak %(version)s")
def main() -> None:
    """Which ground would this truffle live on, what holds it back, and what would it take?

    Start with `underoak demo`, or `underoak new my-land --for buy` for a plan of your own.
    """


@main.command(short_help="Judge the ground a plan describes.")
@PLAN
@run_options
@report_faults
def run(plan: Path, **options: Any) -> None:
    """Judge the ground a PLAN describes: maps, ranked parcels and zones, report."""
    _run(plan, **options)


@main.command(short_help="Run the shipped example.")
@run_options
@report_faults
def demo(**options: Any) -> None:
    """Run the shipped example: an invented limestone region and 40 parcels for sale."""
    from underoak.plan import shipped

    options["out"] = options["out"] or Path("out/demo")
    _run(shipped("configs", "plans", "demo.yaml"), **options)


def _run(
    path: Path, out: Path | None, log_json: str | None, progress: str, strict: bool, resume: bool, fresh: bool,
    **options: Any,
) -> None:  # fmt: skip
    from underoak.engine import allocator
    from underoak.engine.stop import Stop
    from underoak.engine.workers import reader_process
    from underoak.report import ranking
    from underoak.runs.run import run as run_plan

    if options["cluster"] and options["workers"]:
        raise click.UsageError("--cluster brings its own workers: leave --workers out")
    if resume and fresh:
        raise click.UsageError("--resume goes on with kept tiles, and --fresh throws them away: choose one.")
    if options["memory"] and options["cluster"]:
        raise click.UsageError("--memory is for threads of this process: a cluster's workers have limits of their own.")
    options["resume"] = True if resume else False if fresh else None
    allocator.retain_freed()  # this process is ours
    reader_process.start_early()
    from underoak.plan import load_plan

    with ExitStack() as stack:
        options["stop"] = stack.enter_context(Stop(is_quiet=log_json == "-"))
        told = stack.enter_context(_progress(progress, log_json))
        done = run_plan(load_plan(path), out=out, progress=told, strict=strict, **options)
    for found in done.findings:
        if found.case:
            click.echo(f"\n{found.case}\n")
        click.echo(ranking(found, width=_width()))
    for line in done.next_steps() if progress != "none" and log_json != "-" else ():
        click.echo(line, err=True)
    if done.unjudged and strict:
        sys.exit(10)


def _width() -> int:
    """Columns for a table: those of the terminal, within reason."""
    import shutil

    return min(max(shutil.get_terminal_size((118, 24)).columns, 60), 118) if sys.stdout.isatty() else 118


@contextmanager
def _progress(progress: str, log_json: str | None) -> Iterator[Progress]:
    """Who is told of a run; the log hears of what ends it, too."""
    from underoak.engine.progress import Progress

    with ExitStack() as stack:
        log = sys.stderr if log_json == "-" else stack.enter_context(_log(log_json)) if log_json else None
        told = Progress(progress, log)  # type: ignore[arg-type]
        try:
            yield told
        except BaseException as error:
            told.failed(error)
            if log_json == "-":  # a line for people would not be JSON
                _leave_hung_threads(_exit_code(error))
                sys.exit(_exit_code(error))
            raise


def _log(name: str) -> IO[str]:
    try:
        return open(name, "a", encoding="utf-8")
    except OSError as error:
        what = f"the log cannot be written ({error.strerror or error})"
        raise UnderoakError(Fault("E502", what, name, "choose another file for --log-json")) from error


@main.command(short_help="Tell every problem and what a run needs.")
@PLAN
@WORKERS
@MEMORY
@SEED
@click.option("--deep", is_flag=True, help="Read every cell instead of a sample.")
@click.option("--strict", is_flag=True, help="Warnings count as problems.")
@report_faults
def check(plan: Path, **options: Any) -> None:
    """Look a PLAN over without writing anything: every problem at once, and what a run will need."""
    from underoak.engine.workers import reader_process

    reader_process.start_early()
    from underoak.plan import load_plan
    from underoak.runs.run import check as check_plan

    for line in check_plan(load_plan(plan), **options):
        click.echo(line)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--for", "purpose", type=click.Choice(["buy", "orchard", "restore", "region"]), required=True,
    help="What the ground is wanted for.",
)  # fmt: skip
@report_faults
def new(folder: Path, purpose: str) -> None:
    """Start a plan of your own in FOLDER."""
    from underoak.plan import new as new_plan

    made = new_plan(folder, purpose)
    for path in made:
        click.echo(str(path))
    click.echo(f"Next: put your files where {made[0].name} names them, then: underoak check {made[0]}", err=True)


@main.command(short_help="Say why a parcel or a zone stands where it does.")
@RUN
@click.option("--parcel", metavar="ID", help="The parcel's id.")
@click.option("--zone", metavar="N", help="The zone's rank, or its id.")
@click.option(
    "--sensitivity", is_flag=True, help="Instead: which input moves the parcel's suitability most, and by how much."
)
@click.option("--field-sheet", is_flag=True, help="Instead: how to sample, lime, plant and look after it.")
@click.option(
    "--establish",
    type=click.Choice(["nuts", "pots", "whips", "wild"]),
    help="For the field sheet: sown seed, potted seedlings, moved whips, wild ground. Default: pots; restore: whips.",
)
@click.option(
    "--spacing",
    type=Spacing(),
    help="For the field sheet: metres between rows and along them, such as 6x5; not for wild ground.",
)
@click.option(
    "--headland",
    type=Length(),
    help="For the field sheet: left free along the edges. Default: 4m; not for wild ground.",
)
@report_faults
def explain(
    run: Path, parcel: str | None, zone: str | None, sensitivity: bool, field_sheet: bool, establish: Any, spacing: Any,
    headland: float | None,
) -> None:  # fmt: skip
    """Say why a parcel or a zone of a finished RUN stands where it stands, and what could be done about it."""
    from underoak.runs.finished_run import Run

    if (parcel is None) == (zone is None):
        raise click.UsageError("name one thing to explain: --parcel ID or --zone N")
    if not field_sheet and (establish, spacing, headland) != (None, None, None):
        raise click.UsageError("--establish, --spacing and --headland are for --field-sheet: add it, or leave them out")
    if sensitivity and (parcel is None or field_sheet):
        raise click.UsageError("--sensitivity is of one parcel: give --parcel ID, and leave --field-sheet out")
    found = Run.open(run)
    if sensitivity:
        click.echo(found.explain_sensitivity(str(parcel)))
        return
    if field_sheet:
        click.echo(found.field_sheet(parcel, zone, establish, spacing, headland))
        return
    click.echo(found.explain(parcel) if parcel is not None else found.explain_zone(str(zone)))


@main.command(short_help="Say where to take soil on a parcel, and what to ask the laboratory.")
@RUN
@click.option("--parcel", required=True, metavar="ID", help="The parcel's id.")
@click.option("-n", "count", type=click.IntRange(1, 200), required=True, help="How many points.")
@click.option(
    "--range", "range_m", type=Length(), help="How far soil stays alike. Default: the plan's, else 800m."
)  # fmt: skip
@click.option("--setback", type=Length(), default="10m", show_default=True, help="Off the parcel's edges.")
@click.option("--spacing", type=Length(), default="10m", show_default=True, help="Least distance of two points.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the files. Default: beside the run.")
@report_faults
def sample(
    run: Path, parcel: str, count: int, range_m: float | None, setback: float, spacing: float, out: Path | None
) -> None:
    """Where to take soil on a parcel of a finished RUN, and what to ask the laboratory; points for a phone or GPS."""
    from underoak.report import lab_request
    from underoak.runs.finished_run import Run

    if range_m == 0.0:
        raise click.UsageError("--range is more than 0: soil is alike over some distance")
    done = Run.open(run)
    found = done.sample(parcel, count, range_m, setback, spacing)
    made = done.write_sample(found, out)
    click.echo(lab_request(found))
    for path in made:
        click.echo(f"Made:  {path}", err=True)
    click.echo(f"Next:  put {made[1].name} on a phone or GPS; test results go where the plan's `lab:` says", err=True)


@main.command(short_help="Say what changed between two runs.")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--json", "json_to", metavar="FILE", help="Write it as JSON to FILE, or to stdout instead with -.")
@click.option("--expect-same", is_flag=True, help="Exit with 6 unless both left the same files, byte for byte.")
@report_faults
def compare(first: Path, second: Path, json_to: str | None, expect_same: bool) -> None:
    """Say what changed from the FIRST finished run to the SECOND, where, by how much, and what explains it."""
    import json

    from underoak.report import compare as compare_runs
    from underoak.report import comparison_text, comparison_values
    from underoak.runs.finished_run import Run

    found = compare_runs(Run.open(first), Run.open(second))
    if json_to:
        text = json.dumps(comparison_values(found), indent=2, ensure_ascii=False, allow_nan=False)
        _write(text, json_to)
    if json_to != "-":
        click.echo(comparison_text(found))
    fault = found.fault()
    if expect_same and fault is not None:
        raise UnderoakError(fault)


def _write(text: str, name: str) -> None:
    """To a file, or to stdout with -."""
    try:
        click.echo(text) if name == "-" else Path(name).write_text(text + "\n", encoding="utf-8")
    except BrokenPipeError:
        raise
    except OSError as error:
        raise UnderoakError(Fault("E502", f"cannot be written ({error.strerror or error})", name)) from error


@main.command(short_help="List species profiles, or print one.")
@click.argument("name", required=False)
@report_faults
def species(name: str | None) -> None:
    """List the species profiles, or print one with its curves, weights and sources."""
    from underoak.plan import species_list, species_sheet

    click.echo(species_sheet(name) if name else species_list())


@main.command()
@report_faults
def schema() -> None:
    """Print the JSON Schema of a plan, for editors."""
    import json

    from underoak.plan import plan_schema

    click.echo(json.dumps(plan_schema(), indent=2, ensure_ascii=False))
