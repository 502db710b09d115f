"""The commands that read finished runs."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.json_text import json_text
from underoak.cli_faults import print_lines, report_faults
from underoak.cli_options import RUN, Length, Spacing

if TYPE_CHECKING:
    from underoak.places.planting.planting import Way
    from underoak.report import ChangeTests, Comparison
    from underoak.runs.finished_run import Run

T = TypeVar("T")

_MOST_READS = 5  # of a run folder in which runs are published one after the other


@click.command(short_help="Explain the rank of a parcel or zone.")
@RUN
@click.option("--parcel", metavar="ID", help="Id of the parcel; give this or --zone.")
@click.option("--zone", metavar="N", help="Rank or id of the zone; give this or --parcel.")
@click.option(
    "--sensitivity", is_flag=True, help="Print instead which input changes the parcel's suitability most."
)  # fmt: skip
@click.option(
    "--checklist", is_flag=True, help="Print instead what to check before signing; of all parcels without --parcel."
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
    run: Path, parcel: str | None, zone: str | None, sensitivity: bool, checklist: bool, field_sheet: bool,
    establish: Way | None,
    spacing: tuple[float, float] | None, headland: float | None,
) -> None:  # fmt: skip
    """Explain the rank of a parcel or zone of a finished RUN, and what could improve it."""
    if checklist and (zone is not None or sensitivity or field_sheet):
        raise click.UsageError("--checklist cannot be combined with --zone, --sensitivity and --field-sheet")
    if (parcel is None) == (zone is None) and not checklist:
        raise click.UsageError("give one of --parcel ID and --zone N")
    if not field_sheet and (establish, spacing, headland) != (None, None, None):
        raise click.UsageError("--establish, --spacing and --headland need --field-sheet")
    if sensitivity and (parcel is None or field_sheet):
        raise click.UsageError("--sensitivity needs --parcel ID and cannot be combined with --field-sheet")

    def text(finished: Run) -> str:
        if checklist:
            return finished.checklist(parcel)
        if sensitivity:
            return finished.explain_sensitivity(str(parcel))
        if field_sheet:
            return finished.field_sheet(parcel, zone, establish, spacing, headland)
        return finished.explain(parcel) if parcel is not None else finished.explain_zone(str(zone))

    print_lines(_read_runs(text, run))


@click.command(short_help="Choose soil sampling points on a parcel or zone.")
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
        print_lines(f"Wrote: {path}", err=True)
    lab = "enter the lab results in the file under `lab:` in the plan"
    print_lines(f"Next:  copy {paths[1].name} to a phone or GPS; {lab}", err=True)


@click.command(short_help="Compare two finished runs.")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--json", "json_to", metavar="FILE", help="Write the comparison to FILE as JSON; - replaces the text.")
@click.option("--expect-same", is_flag=True, help="Exit with code 6 unless both runs wrote identical files.")
@click.option(
    "--test/--no-test", "is_tested", default=None,
    help="Judge again with each possible reason by itself. Default: if a run takes less than 10 s.",
)  # fmt: skip
@report_faults
def compare(first: Path, second: Path, json_to: str | None, expect_same: bool, is_tested: bool | None) -> None:
    """Report what changed from the FIRST finished run to the SECOND, where, by how much and why."""
    from underoak.report import compare as compare_runs
    from underoak.report import comparison_text, comparison_values
    from underoak.runs.single_changes import single_changes

    def compared(before: Run, after: Run) -> tuple[Comparison, ChangeTests]:
        with before.reading(), after.reading():
            comparison = compare_runs(before, after)
            return comparison, single_changes(comparison, is_tested, partial(print_lines, err=True))

    comparison, tests = _read_runs(compared, first, second)
    if json_to:
        text = json_text(comparison_values(comparison, tests))
        _write(text, json_to)
    if json_to != "-":
        print_lines(comparison_text(comparison, tests))
    fault = comparison.fault()
    if expect_same and fault is not None:
        raise UnderoakError(fault)


@click.command(short_help="Hold a finished run against its manifest.")
@RUN
@click.option(
    "--plan-folder", type=click.Path(path_type=Path),
    help="Folder that the inputs are named from. Default: where it was when the run was made.",
)  # fmt: skip
@click.option("--json", "json_to", metavar="FILE", help="Write the result to FILE as JSON; - replaces the text.")
@report_faults
def verify(run: Path, plan_folder: Path | None, json_to: str | None) -> None:
    """Hold the files, inputs and software of a finished RUN against its run.json. Exit with 6 if anything differs."""
    from underoak.engine.verification import verify as verify_run
    from underoak.report.terminal.verification import verification_text, verification_values

    verification = verify_run(run, plan_folder)
    if json_to:
        text = json_text(verification_values(verification))
        _write(text, json_to)
    if json_to != "-":
        print_lines(verification_text(verification))
    problems = Problems(verification.faults())
    problems.stop_if_any()


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


FINISHED_RUN_COMMANDS = (explain, sample, compare, verify)
