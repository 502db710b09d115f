"""Commands for open data sets: `sources` prints the catalogue, `gather` makes files of a plan from it."""

from __future__ import annotations

from pathlib import Path

import click

from underoak.base.json_text import json_text
from underoak.cli_faults import print_lines, report_faults
from underoak.cli_options import PLAN

FOLDER = click.option(
    "--sources", "folder", type=click.Path(path_type=Path),
    help="Folder with catalogue files of your own; each replaces the data set of its name.",
)  # fmt: skip


@click.command(short_help="List the open data sets, or print one.")
@click.argument("name", required=False)
@FOLDER
@click.option("--json", "is_json", is_flag=True, help="Print JSON instead of text.")
@report_faults
def sources(name: str | None, folder: Path | None, is_json: bool) -> None:
    """List the open data sets, or print all that is known of NAME: addresses, cells, terms, traps, and from where."""

    from underoak.report.terminal.source_words import source_list, source_page
    from underoak.sources.catalogue.catalogue import catalogue, data_set

    if is_json:
        sets = catalogue(folder) if name is None else {name: data_set(name, folder)}
        values = {each: entry.model_dump(mode="json", exclude_none=True) for each, entry in sets.items()}
        click.echo(json_text(values if name is None else values[name]))
    else:
        print_lines(source_list(catalogue(folder)) if name is None else source_page(name, data_set(name, folder)))


@click.command(short_help="Make the files of a plan from open data.")
@PLAN
@click.option("--yes", is_flag=True, help="Fetch without asking.")
@click.option("--offline", is_flag=True, help="Use only what was fetched before.")
@FOLDER
@report_faults
def gather(plan: Path, yes: bool, offline: bool, folder: Path | None) -> None:
    """Make the files that the layers of a PLAN want from open data (`gather`), and say first how much is to fetch.

    Only the region is read. What was fetched is stored for all plans. Beside each file lies another that says where
    it comes from.
    """
    from underoak.engine.system import cache_folder
    from underoak.plan import load_plan
    from underoak.report.terminal.gather_words import gathered_lines, survey_lines
    from underoak.sources.gather.gather import Survey
    from underoak.sources.gather.gather import gather as gather_files

    def confirm(survey: Survey) -> bool:
        print_lines("\n".join(survey_lines(survey)))
        return yes or offline or not survey.bytes_to_come or click.confirm("Fetch it?", err=True)

    loaded = load_plan(plan)
    gathered = gather_files(loaded, cache_folder() / "gathered", confirm, is_offline=offline, sources=folder)
    if gathered is None:
        click.echo("Nothing was fetched.", err=True)
        return
    print_lines("\n".join(gathered_lines(gathered, loaded.path)))


SOURCE_COMMANDS = (gather, sources)
