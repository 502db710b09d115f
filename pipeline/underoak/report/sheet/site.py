"""The data of a field sheet: one parcel or zone with its soil points, rows, trees and native state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from underoak.base import crs as _crs
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid
from underoak.engine.storage.manifest import CaseManifest, Manifest
from underoak.engine.storage.records.year_records import DryYears
from underoak.places.answers.native import NativeState, Origin, ZoneState
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.planting.mix import Planted, mix_of
from underoak.places.planting.pairs import hosts_in, middle_of, origins_at
from underoak.places.planting.planting import PlantingLayout, Way, lay_out, spacing_of, trial_plots
from underoak.places.planting.row_frames import SETBACK_M, usable_places
from underoak.places.soil.sampling import Sampling
from underoak.places.wild.native_range import native_range
from underoak.plan.keys.decision.deal import DealSpec
from underoak.plan.keys.verdict import VerdictSpec
from underoak.plan.profiles.practice import DEFAULT_LIME_RULE, LimeRule, PlantingSpacing, Practice
from underoak.plan.profiles.profile import Profile, load_profile
from underoak.report.sheet.sampling_points import check_in_region, sampled
from underoak.report.text.criterion_words import labels
from underoak.report.text.decision.cohort_words import what_p_is_not


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """The data of a field sheet."""

    name: str  # Parcel 007
    row: Mapping[str, Any]  # of the table of parcels or zones
    limiting: str  # the labels of the limiting factors
    purpose: str
    way: Way
    is_wild: bool
    profile: Profile | None
    state: Origin | None  # of the truffle; None without a species
    is_south: bool
    area_ha: float
    layout: PlantingLayout | None  # none on wild ground
    plots: int  # on wild ground
    mix: tuple[Planted, ...]
    sampling: Sampling | None
    no_sampling: str  # why there is none
    remedies: frozenset[str] = frozenset()  # that a criterion of the case has: lime, irrigation; none on wild ground
    spacing: PlantingSpacing | None = None  # where the layout follows it; None where the user gave distances
    limits: VerdictSpec = field(default_factory=VerdictSpec)
    dry: DryYears | None = None  # what rain lacked in single years; none on wild ground
    deal: DealSpec | None = None
    what_p_is_not: str = ""

    @property
    def practice(self) -> Practice | None:
        """The practice of the truffle; None without a species."""
        return None if self.profile is None else self.profile.practice

    @property
    def is_limed(self) -> bool:
        """True where a criterion can be limed."""
        return "lime" in self.remedies

    @property
    def lime_rule(self) -> LimeRule:
        """The rule of lime: the profile's, else the shipped one."""
        rule = None if self.practice is None else self.practice.lime
        return DEFAULT_LIME_RULE if rule is None else rule

    @property
    def trees(self) -> int:
        """The number of trees: in rows, or in trial plots on wild ground."""
        return sum(part.trees for part in self.mix) if self.mix else self.layout.trees if self.layout else 0


def read_site(
    folder: Path, manifest: Manifest, table: Any, place: int, kind: str, way: Way | None = None,
    spacing_m: tuple[float, float] | None = None, setback_m: float | None = None,
) -> Field:  # fmt: skip
    """Return the data of a parcel or zone (`kind`), the row `place` of its table.

    Default of `way`: whips on wild ground, else potted seedlings. With purpose restore, or the way `wild`, the ground
    is wild: no rows, and nothing that is not native there. `spacing_m`: between rows and along them; default, the
    usual one for the truffle. `setback_m`: free strip along the edges; default 4 m. Wild ground has neither.

    Raises:
        UnderoakError: E421 outside the region, E442 for wild ground where the truffle is not native, E443 for rows
            on wild ground, E440 without a shape, E230 when a raster cannot be read.
    """
    plan, case, grid = manifest.spec, manifest.only_case(folder), manifest.grid
    row = table.iloc[place]
    shape, id = row["geometry"], str(row["id"])
    name = f"{kind.capitalize()} {id}"
    if shape is None or shape.is_empty:
        raise UnderoakError(Fault("E440", "it has no shape, so no trees can be placed", name, "draw its outline"))
    check_in_region(manifest, table, place, kind)
    profile = load_profile(case.species) if case.species else None
    is_wild = plan.purpose == "restore" or way == "wild"
    if is_wild and (spacing_m is not None or setback_m is not None):
        what = "wild ground has trial plots and no rows, so spacing and headland do not apply"
        fix = "remove --spacing and --headland, or plan an orchard: --establish nuts, pots or whips"
        if plan.purpose == "restore":
            fix = "remove --spacing and --headland"
        raise UnderoakError(Fault("E443", what, name, fix))
    state = _state(profile, row, shape, grid, name, is_wild)
    way_of_use = "restore" if is_wild else "orchard"
    hosts = () if profile is None else hosts_in(profile, plan.hosts, way_of_use, middle_of(grid))
    layout, plots, trees, spacing = None, 0, 0, None
    if is_wild:
        plots, trees = trial_plots(float(row["area_ha"]))
    else:
        spacing = spacing_of(profile) if spacing_m is None else None
        between, along = spacing_m or spacing_of(profile).metres
        layout = lay_out(
            shape,
            grid.crs,
            between,
            along,
            SETBACK_M if setback_m is None else setback_m,
            lambda x, y: usable_places(folder, grid, x, y),
        )
        trees = layout.trees
    sampling, why = _sampling(folder, manifest, table, place, kind)
    middle = shape.centroid
    _, latitude = _crs.transformer(grid.crs, "EPSG:4326").transform(middle.x, middle.y)
    usual: Way = "whips" if is_wild else "pots"
    return Field(
        name, row, labels(case.criteria, row["limiting"]), plan.purpose,
        usual if way in (None, "wild") else way, is_wild, profile, state, latitude < 0.0, float(row["area_ha"]),
        layout, plots, mix_of(hosts, trees, profile.practice.mix if profile else None, bool(plan.hosts)), sampling, why,
        frozenset() if is_wild else frozenset(c.by for c in case.criteria if c.by), spacing, plan.verdict,
        None if is_wild else _dry(case, id), plan.deal,
        "" if kind == "zone" else what_p_is_not(plan, row.get("p_s2")),
    )  # fmt: skip


def _dry(case: CaseManifest, parcel: str) -> DryYears | None:
    place = None if case.years is None else case.years.of(parcel)
    return None if place is None else place.dry


def _state(profile: Profile | None, row: Any, shape: Any, grid: Grid, name: str, is_wild: bool) -> Origin | None:
    if profile is None:
        return None
    local = native_range(profile.name).on(grid)
    if not is_wild:
        return origins_at(local, np.array([shape], object))[0]
    strict = local.state(shape)
    reason = row.get("reason")
    is_refused = isinstance(reason, NotJudged) and reason.cause is Cause.NOT_NATIVE
    if strict is NativeState.OUTSIDE or is_refused or row.get("native_range") is ZoneState.CUT:
        what = f"{profile.latin} is not native on all of it, and must not be brought to wild ground"
        fix = "do not plant it there; on farmland it is a crop: --establish nuts, pots or whips, with another purpose"
        raise UnderoakError(Fault("E442", what, name, fix))
    return Origin(strict.value)


def _sampling(folder: Path, manifest: Manifest, table: Any, place: int, kind: str) -> tuple[Sampling | None, str]:
    """Return the usual soil points, those of `underoak sample` without -n; else None and the reason."""
    try:
        return sampled(folder, manifest, table, place, kind=kind), ""
    except UnderoakError as error:
        return None, error.faults[0].what
