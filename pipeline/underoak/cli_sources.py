"""Commands for open data sets: `sources` prints the catalogue."""

from __future__ import annotations

from pathlib import Path

import click

from underoak.base.json_text import json_text
from underoak.cli_faults import print_lines, report_faults

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


SOURCE_COMMANDS = (sources,)
