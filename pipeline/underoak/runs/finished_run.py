"""A finished run: its folder, its tables and rasters, and explanations of them."""

from __future__ import annotations

import datetime
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from underoak.base.command_name import command_name
from underoak.base.errors import printable
from underoak.base.grid import Grid
from underoak.decision.deal.deal_file import read_deal
from underoak.decision.reference.questions import questions_of
from underoak.engine.storage.manifest import CaseManifest, FailedScenarioRecord, Manifest
from underoak.engine.storage.published import Published
from underoak.layers.formats.safe_names import plain_to_read
from underoak.places.columns.column import decode_table
from underoak.places.columns.parcels import parcel_columns
from underoak.places.columns.zones import ZONES
from underoak.report import (
    Findings,
    checklist,
    explain,
    explain_joint,
    explain_zone,
    field_sheet,
    lab_request,
    parcel_place,
    read_site,
    sampled,
    sensitivity_in,
    sensitivity_words,
    swap_in,
    zone_place,
)
from underoak.report.text.cell_sentences import SENTENCES
from underoak.report.text.decision.facts import DecisionFacts

if TYPE_CHECKING:
    import geopandas as gpd
    import xarray as xr

    from underoak.places import Sampling, Sensitivity
    from underoak.places.planting.planting import Way


@dataclass(frozen=True)
class Run:
    """A finished run, by its folder.

    What its methods return is of this run as a whole. If another run was published in the folder since this one was
    opened, they raise E610, and `Run.open` gives the new one.
    """

    folder: Path
    manifest: Manifest
    findings: tuple[Findings, ...] = ()  # of every case; empty for a run that was opened again
    _published: Published | None = field(default=None, repr=False, compare=False)  # None: nothing is checked

    def __repr__(self) -> str:
        return f"<Run of {self.manifest.title!r} in {str(self.folder)!r}>"

    @classmethod
    def open(cls, folder: Path | str) -> Run:
        """Return the finished run in a folder; publish its files first if an earlier process was killed while doing so.

        Raises:
            UnderoakError: E603 if the folder holds no finished run.
        """
        published = Published.open(Path(folder))
        return cls(published.folder, published.manifest, _published=published)

    def reading(self) -> AbstractContextManager[None]:
        """Return a block in which all that is read is of this run; E610 if another was published meanwhile."""
        return nullcontext() if self._published is None else self._published.reading()

    @property
    def cases(self) -> dict[str, Run]:
        """The runs of the cases, by folder; this run itself under "" if it has one case."""
        folders = [case.folder for case in self.manifest.cases]
        return {folder: Run.open(self.folder / folder) if folder else self for folder in folders}

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        return self.manifest.grid

    @cached_property
    def dataset(self) -> xr.Dataset:
        """The rasters as a lazy dataset: cells are read on access."""
        from underoak.engine.write.dataset import open_run

        criteria = [criterion.name for criterion in self._only_case().criteria]
        if self._published is None:
            return open_run(self.folder, self.grid, criteria)
        with self.reading():
            return open_run(self.folder, self.grid, criteria, self._published.reading)

    def _only_case(self) -> CaseManifest:
        return self.manifest.only_case(self.folder)

    @cached_property
    def parcels(self) -> gpd.GeoDataFrame | None:
        """The ranked parcels with their shapes, best first; None if the plan has none."""
        return self._table("parcels.gpkg")

    @cached_property
    def zones(self) -> gpd.GeoDataFrame | None:
        """The ranked zones with their shapes, best first; None if the plan has no `zones`."""
        return self._table("zones.gpkg")

    @cached_property
    def _parcels(self) -> gpd.GeoDataFrame | None:
        """The parcels, with values decoded from the texts of the file."""
        if self.parcels is None:
            return None
        is_joined = len(self.manifest.cases) > 1
        columns = parcel_columns(self.manifest.spec.purpose, SENTENCES, is_joined)
        return decode_table(self.parcels, columns, str(self.folder / "parcels.gpkg"))

    @cached_property
    def _zones(self) -> gpd.GeoDataFrame | None:
        """The zones, with values decoded from the texts of the file."""
        return None if self.zones is None else decode_table(self.zones, ZONES, str(self.folder / "zones.gpkg"))

    def _table(self, name: str) -> gpd.GeoDataFrame | None:
        import geopandas as gpd

        path = self.folder / name
        with self.reading():
            if not path.exists():
                return None
            with plain_to_read(path) as plain:
                return gpd.read_file(plain, engine="pyogrio")

    @property
    def failed_scenarios(self) -> tuple[FailedScenarioRecord, ...]:
        """The scenarios of the plan that were not judged, because of errors in their own inputs."""
        return self.manifest.failed_scenarios

    @property
    def unjudged(self) -> int:
        """Number of parcels that were not judged."""
        return 0 if self.parcels is None else int(self.parcels["rank"].isna().sum())

    def explain(self, parcel: str, today: datetime.date | None = None) -> str:
        """Return text that explains the rank of a parcel; with several cases, its rank in each.

        `today` tells the age of answers on the deal, and the days that are left. Default: this day.

        Raises:
            UnderoakError: E604 if the run has no such parcel.
        """
        manifest = self.manifest
        if len(manifest.cases) > 1:
            with self.reading():
                return explain_joint(self.folder, manifest.cases, self._parcels, parcel, manifest.spec)
        with self.reading():
            facts = self._decision_facts(parcel, today)
        return explain(self._only_case(), manifest.spec, self._parcels, parcel, facts)

    def checklist(self, parcel: str | None = None, today: datetime.date | None = None) -> str:
        """Return a list to print: what to check before signing, in order, and the questions of the deal.

        With `parcel` it holds what is known of that parcel. `today` as for `explain`. Nothing is written.

        Raises:
            UnderoakError: E604 if the run has no such parcel.
        """
        plan, day = self.manifest.spec, today or datetime.date.today()
        if parcel is None:
            return checklist(self.manifest.title, plan, day)
        with self.reading():
            row = self._parcels.iloc[parcel_place(self._parcels, parcel)]  # type: ignore[union-attr]
            facts = self._decision_facts(parcel, day)
        return checklist(self.manifest.title, plan, day, f"Parcel {row['id']}", facts.deal, row)

    def _decision_facts(self, parcel: str, today: datetime.date | None) -> DecisionFacts:
        """Return what the run knows beside the ground of a parcel."""
        questions = tuple(questions_of(self.manifest.spec.deal))
        deal = read_deal(self.folder, printable(parcel), questions)
        return DecisionFacts(today or datetime.date.today(), deal, self.manifest.rules)

    def sensitivity(self, parcel: str) -> Sensitivity:
        """Return how a parcel's suitability depends on each input: its share of the uncertainty, and its effect.

        Raises:
            UnderoakError: E604 if the run has no such parcel, E609 if no layer is uncertain there, or if its cells
                were not saved.
        """
        from underoak.places.verdicts.saved_cells import SavedCells

        self._only_case()
        parcel_place(self.parcels, parcel)
        with self.reading():
            return sensitivity_in(SavedCells.read(self.folder), parcel)

    def explain_sensitivity(self, parcel: str) -> str:
        """Return `sensitivity` as text, with the smallest change of one weight that swaps the first two parcels.

        Raises:
            UnderoakError: as `sensitivity`.
        """
        from underoak.places.verdicts.saved_cells import SavedCells

        with self.reading():
            sensitivity, saved = self.sensitivity(parcel), SavedCells.read(self.folder)
        return sensitivity_words(self._only_case(), saved, parcel, sensitivity, swap_in(saved, self.parcels))

    def explain_zone(self, zone: str) -> str:
        """Return text that explains the rank of a zone, which is named by its rank or its id.

        Raises:
            UnderoakError: E604 if the run has no such zone.
        """
        from underoak.places import mean_memberships

        case, place, zones = self._only_case(), zone_place(self.zones, zone), self._zones
        assert zones is not None
        with self.reading():
            means = mean_memberships(self.folder, self.grid, zones.geometry.iloc[place])
        return explain_zone(case, zones, zone, means.tolist())

    def field_sheet(
        self, parcel: str | None = None, zone: str | None = None, establish: Way | None = None,
        spacing_m: tuple[float, float] | None = None, setback_m: float | None = None,
    ) -> str:  # fmt: skip
        """Return the field sheet of a parcel or zone: soil, lime, water, tree rows, plants, calendar, cautions.

        `establish` is nuts, pots, whips or wild; `spacing_m` is between rows and along them. Nothing is written.

        Raises:
            UnderoakError: E604 if the run has none of that name, E421 outside the region, E440 without a shape,
                E442 for wild ground where the truffle is not native, E443 for rows on wild ground.
        """
        self._only_case()
        if parcel is not None:
            table, kind, place = self._parcels, "parcel", parcel_place(self.parcels, parcel)
        else:
            table, kind, place = self._zones, "zone", zone_place(self.zones, str(zone))
        with self.reading():
            site = read_site(self.folder, self.manifest, table, place, kind, establish, spacing_m, setback_m)
        return field_sheet(site)

    def sample(
        self, parcel: str | None = None, n: int | None = None, range_m: float | None = None, setback_m: float = 10.0,
        spacing_m: float = 10.0, zone: str | None = None,
    ) -> Sampling:  # fmt: skip
        """Return `n` soil points of a parcel or zone; see `places.sample_parcel`. Nothing is written.

        Without `n` they are those of its field sheet.

        Raises:
            UnderoakError: E604 if the run has none of that name, E421 if it lies outside the region, E440, E441 if it
                cannot be sampled so.
        """
        if parcel is not None:
            table, kind, place = self.parcels, "parcel", parcel_place(self.parcels, parcel)
        else:
            self._only_case()
            table, kind, place = self._zones, "zone", zone_place(self.zones, str(zone))
        with self.reading():
            return sampled(self.folder, self.manifest, table, place, n, range_m, setback_m, spacing_m, kind)

    def write_sample(self, sampling: Sampling, out: Path | str | None = None) -> list[Path]:
        """Write soil points and the request to the laboratory. Default folder: beside the run.

        Raises:
            UnderoakError: E306 if one of the files exists already, E501, E502.
        """
        from underoak.places import safe_name, write_sampling

        run = self.folder.resolve()
        beside = run.parent / f"{run.name}-sampling" / safe_name(sampling.parcel)
        return write_sampling(Path(out) if out is not None else beside, sampling, lab_request(sampling))

    def next_steps(self) -> list[str]:
        """Return lines that name the report and the map, and the command to try next."""
        lines = [f"Report: {self.folder / 'report.html'}"]
        if len(self.manifest.cases) > 1:
            lines[0] += ": each case has its own folder and report"
        else:
            lines.append(f"Map:    {self.folder / 'map.png'}")
        if self.parcels is not None and len(self.parcels):
            best = str(self.parcels.iloc[0]["id"])
            lines.append(f"Next:   {command_name()} explain {self.folder} --parcel {_quoted(best)}")
        return lines


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)
