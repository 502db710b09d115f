"""Commands before a run: `sources` prints the catalogue, `new` writes a plan, `gather` makes its files."""

from __future__ import annotations

from pathlib import Path

import click

from underoak.base.json_text import json_text
from underoak.cli_faults import print_lines, report_faults
from underoak.cli_options import PLAN, Length, Place

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


@click.command(short_help="Write a starter plan.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--for", "purpose", type=click.Choice(["buy", "orchard", "restore", "region"]), required=True,
    help="Purpose of the plan.",
)  # fmt: skip
@click.option("--at", type=Place(), help="Latitude and longitude: fills in grid and layers, for `underoak gather`.")
@click.option(
    "--radius", "radius_m", type=Length(), help="How far around the place, or the parcels. Default: 5km; 1km."
)
@click.option(
    "--parcels", type=click.Path(path_type=Path), help="GeoPackage or GeoJSON of your parcels, instead of --at."
)
@report_faults
def new(
    folder: Path, purpose: str, at: tuple[float, float] | None, radius_m: float | None, parcels: Path | None
) -> None:
    """Write a commented starter plan into FOLDER, with a list of the files to fetch.

    With --at or --parcels, the plan has a grid for the place, and layers that `underoak gather` fetches.

    \b
    underoak new my-land --for buy --at 44.1,4.9 --radius 8km
    """
    from underoak.base.command_name import command_name

    if at is not None and parcels is not None:
        raise click.UsageError("give one of --at and --parcels")
    if at is None and parcels is None:
        from underoak.plan import new as new_plan

        if radius_m is not None:
            raise click.UsageError("--radius needs --at or --parcels")
        paths = new_plan(folder, purpose)
        following = f"fetch the files that {paths[1]} lists, then: {command_name()} check {paths[0]}"
    else:
        from underoak.sources.starter.place_plan import new_at

        paths, grid = new_at(folder, purpose, at=at, radius_m=radius_m, parcels=parcels)
        print_lines(f"Coordinate system {grid.crs}: {grid.crs_reason}.", err=True)
        print_lines(f"Cells of {grid.cell_m} m: {grid.cell_reason}.", err=True)
        following = f"{command_name()} gather {paths[0]}"
    for path in paths:
        print_lines(str(path))
    print_lines(f"Next:  {following}", err=True)


SOURCE_COMMANDS = (gather, new, sources)
