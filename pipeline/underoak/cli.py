"""The command line: a thin face over `underoak.runs`. Results go to stdout, messages to stderr."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypedDict, TypeVar, Unpack

import click

from underoak.base.errors import UNJUDGED, Fault, UnderoakError
from underoak.cli_faults import exit_code, leave_hung_threads, print_lines, report_faults
from underoak.cli_options import MEMORY, PLAN, RUN, SEED, WORKERS, Length, RunOptions, Spacing, run_options

if TYPE_CHECKING:
    from underoak.engine.progress import Progress, Show
    from underoak.places.planting.planting import Way
    from underoak.report import Comparison
    from underoak.runs.finished_run import Run

T = TypeVar("T")

_MOST_READS = 5  # of a run folder in which runs are published one after the other
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
            click.echo(line, err=True)
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


@main.command(short_help="Write a starter plan.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--for", "purpose", type=click.Choice(["buy", "orchard", "restore", "region"]), required=True,
    help="Purpose of the plan.",
)  # fmt: skip
@report_faults
def new(folder: Path, purpose: str) -> None:
    """Write a commented starter plan into FOLDER, with a list of the files to fetch."""
    from underoak.plan import new as new_plan

    paths = new_plan(folder, purpose)
    for path in paths:
        click.echo(str(path))
    from underoak.base.command_name import command_name

    click.echo(f"Next:  fetch the files that {paths[1]} lists, then: {command_name()} check {paths[0]}", err=True)


@main.command(short_help="Explain the rank of a parcel or zone.")
@RUN
@click.option("--parcel", metavar="ID", help="Id of the parcel; give this or --zone.")
@click.option("--zone", metavar="N", help="Rank or id of the zone; give this or --parcel.")
@click.option(
    "--sensitivity", is_flag=True, help="Print instead which input changes the parcel's suitability most."
)  # fmt: skip
@click.option("--field-sheet", is_flag=True, help="Print instead how to sample, lime, plant and maintain the site.")
@click.option(
    "--establish",
    type=click.Choice(["nuts", "pots", "whips", "wild"]),
    help="Field sheet: sown seed, potted seedlings, moved whips, wild ground. Default: pots; restore: whips.",
)
@click.option(
    "--spacing",
    type=Spacing(),
    help="Field sheet: metres between rows and along them, such as 6x5; not for wild ground. Default: by species.",
)
@click.option(
    "--headland", type=Length(), help="Field sheet: free strip along the edges; not for wild ground. Default: 4m."
)
@report_faults
def explain(
    run: Path, parcel: str | None, zone: str | None, sensitivity: bool, field_sheet: bool, establish: Way | None,
    spacing: tuple[float, float] | None, headland: float | None,
) -> None:  # fmt: skip
    """Explain the rank of a parcel or zone of a finished RUN, and what could improve it."""
    if (parcel is None) == (zone is None):
        raise click.UsageError("give one of --parcel ID and --zone N")
    if not field_sheet and (establish, spacing, headland) != (None, None, None):
        raise click.UsageError("--establish, --spacing and --headland need --field-sheet")
    if sensitivity and (parcel is None or field_sheet):
        raise click.UsageError("--sensitivity needs --parcel ID and cannot be combined with --field-sheet")

    def text(finished: Run) -> str:
        if sensitivity:
            return finished.explain_sensitivity(str(parcel))
        if field_sheet:
            return finished.field_sheet(parcel, zone, establish, spacing, headland)
        return finished.explain(parcel) if parcel is not None else finished.explain_zone(str(zone))

    print_lines(_read_runs(text, run))


@main.command(short_help="Choose soil sampling points on a parcel or zone.")
@RUN
@click.option("--parcel", metavar="ID", help="Id of the parcel; give this or --zone.")
@click.option("--zone", metavar="N", help="Rank or id of the zone; give this or --parcel.")
@click.option(
    "-n",
    "count",
    type=click.IntRange(1, 200),
    help="Number of points. Default: as on the field sheet, one per hectare.",
)
@click.option(
    "--range", "range_m", type=Length(),
    help="Distance over which soil is similar. Default: the plan's correlation range, or 800m.",
)  # fmt: skip
@click.option("--setback", type=Length(), default="10m", show_default=True, help="Distance from the parcel's edges.")
@click.option("--spacing", type=Length(), default="10m", show_default=True, help="Smallest distance of two points.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the files. Default: beside the run folder.")
@report_faults
def sample(
    run: Path, parcel: str | None, zone: str | None, count: int | None, range_m: float | None, setback: float,
    spacing: float, out: Path | None,
) -> None:  # fmt: skip
    """Choose soil sampling points on a parcel or zone of a finished RUN; write them for a phone, with a lab request."""
    from underoak.report import lab_request
    from underoak.runs.finished_run import Run

    if (parcel is None) == (zone is None):
        raise click.UsageError("give one of --parcel ID and --zone N")
    if range_m == 0.0:
        raise click.UsageError("--range must be more than 0")
    sampling = _read_runs(lambda finished: finished.sample(parcel, count, range_m, setback, spacing, zone), run)
    paths = Run.open(run).write_sample(sampling, out)
    print_lines(lab_request(sampling))
    for path in paths:
        click.echo(f"Wrote: {path}", err=True)
    lab = "enter the lab results in the file under `lab:` in the plan"
    click.echo(f"Next:  copy {paths[1].name} to a phone or GPS; {lab}", err=True)


@main.command(short_help="Compare two finished runs.")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--json", "json_to", metavar="FILE", help="Write the comparison to FILE as JSON; - replaces the text.")
@click.option("--expect-same", is_flag=True, help="Exit with code 6 unless both runs wrote identical files.")
@report_faults
def compare(first: Path, second: Path, json_to: str | None, expect_same: bool) -> None:
    """Report what changed from the FIRST finished run to the SECOND, where, by how much and why."""
    import json

    from underoak.report import compare as compare_runs
    from underoak.report import comparison_text, comparison_values

    def compared(before: Run, after: Run) -> Comparison:
        with before.reading(), after.reading():
            return compare_runs(before, after)

    comparison = _read_runs(compared, first, second)
    if json_to:
        text = json.dumps(comparison_values(comparison), indent=2, ensure_ascii=False, allow_nan=False)
        _write(text, json_to)
    if json_to != "-":
        print_lines(comparison_text(comparison))
    fault = comparison.fault()
    if expect_same and fault is not None:
        raise UnderoakError(fault)


def _read_runs(read: Callable[..., T], *folders: Path) -> T:
    """Return `read` of the finished runs in some folders; read again if another run is published meanwhile."""
    from underoak.runs.finished_run import Run

    for _ in range(_MOST_READS - 1):
        try:
            return read(*map(Run.open, folders))
        except UnderoakError as error:
            if error.faults[0].code != "E610":
                raise
    return read(*map(Run.open, folders))


def _write(text: str, name: str) -> None:
    """Write a text to a file, or to stdout with -."""
    if name == "-":
        click.echo(text)
        return
    try:
        Path(name).write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise UnderoakError(Fault("E502", what, name, "choose another file for --json")) from error


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
    import json

    from underoak.places.spot.judgement import judge as judge_spot
    from underoak.places.spot.judgement import judge_all
    from underoak.report import spot_text, spot_values, spots_text

    is_all = species == "all"
    spots = judge_all(figures, purpose=purpose) if is_all else (judge_spot(species, figures, purpose=purpose),)
    if is_json:
        values = {"species": [spot_values(spot) for spot in spots]} if is_all else spot_values(spots[0])
        click.echo(json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print_lines(spots_text(spots) if is_all else spot_text(spots[0]))


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
    import json

    from underoak.plan import plan_schema

    click.echo(json.dumps(plan_schema(), indent=2, ensure_ascii=False))
