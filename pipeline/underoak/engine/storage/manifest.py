"""The manifest of a finished run, `run.json`: the inputs, settings and software that each file was made with.

One model is used to write and to read it. Unknown keys are ignored, so a run of a later build opens if its format is
the same. Another format is refused.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid
from underoak.base.json_text import json_text
from underoak.engine.storage.records.break_even_record import BreakEven
from underoak.engine.storage.records.year_records import WaterHeld, YearsRecord
from underoak.engine.write.checksums import FileRecord, InputRecord
from underoak.plan.keys.decision.rules import RuleSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.profiles.looked_at import LookedAt
from underoak.uncertainty.outcomes.shared_failure import SharedFailure

MANIFEST = "run.json"
FORMAT = 3

Number = float | int  # an int stays an int, so that the written text stays the same


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", populate_by_name=True, defer_build=True)


class GridRecord(_Record):
    """The analysis grid."""

    crs: str
    transform: tuple[Number, Number, Number, Number, Number, Number]
    rows: int
    cols: int


class LayerRecord(_Record):
    """A layer of a case: its file and its decoding rules."""

    path: str
    format: str
    stored_unit: str
    unit: str
    decision: str


@dataclass(frozen=True, slots=True)
class CriterionWords:
    """A criterion, described for people."""

    name: str
    label: str
    weight: Number
    layer: str
    curve: str
    remedy: str  # what can be done about it
    can_change: bool
    source: str
    unit: str = ""
    low: Number | None = None  # ends of the best range; None where the curve is open
    high: Number | None = None
    by: str = ""  # the remedy that can change it
    remedy_source: str = ""
    is_soil: bool = field(default=False, kw_only=True)  # a laboratory or a spade can test its layer
    is_essential: bool = field(default=False, kw_only=True)  # no class is above this criterion's own
    essential_source: str = field(default="", kw_only=True)  # citation for that
    grade: str = field(default="", kw_only=True)  # of the curve's numbers, A to C; "" where they are the plan's own


class WeightsRecord(_Record):
    """The weights of a case and their method; the fields after `weights` are for pairwise ratios only."""

    method: str
    weights: dict[str, Number]
    solved_by: str | None = None
    table: str | None = None
    consistency_ratio: Number | None = None
    rms_log_residual: Number | None = None
    worst: str | None = None


class AssumedErrorRecord(_Record):
    """The published error that was assumed for a layer, because the plan states none."""

    kind: str
    sd: Number  # standard deviation as drawn
    is_share: bool  # it is a share of the value, not an amount
    unit: str  # of the layer
    grain: str | None  # None if it is the plan's, or not known
    cite: str  # the source in a few words
    source: str
    known: str  # how the figure is known
    grade: str  # A, B or C


class TogetherRecord(_Record):
    """Two layers whose errors are correlated."""

    first: str
    second: str
    correlation: Number  # as in the plan
    is_local: bool  # on one grid with one grain; else only the parts that a whole map has in common go together
    realised: Number  # the correlation of their errors at one place


class UncertaintyRecord(_Record):
    """How the layers of a case were drawn."""

    seed: int
    draws: int
    rank_draws: int = 0  # joint draws of data and weights; 0 in runs that made none
    correlation_range_m: Number
    layers: dict[str, str]
    bias_shares: dict[str, Number] = Field(default_factory=dict)  # layer -> share of its error's variance in common
    together: tuple[TogetherRecord, ...] = ()
    assumed: dict[str, AssumedErrorRecord] = Field(default_factory=dict)  # layers whose error the plan does not state
    unknown: dict[str, str] = Field(default_factory=dict)  # judged layer whose error is not known -> reason
    switched_off: tuple[str, ...] = ()  # judged layers whose published error the plan does not assume
    drawn: tuple[str, ...]
    rules: tuple[str, ...] = Field(alias="asked")
    methods: dict[str, str]


class Counts(_Record):
    """Cells of a case inside the region."""

    inside: int
    missing: dict[str, int]  # layer -> cells without a value
    excluded: dict[str, int]  # constraint -> cells it excludes
    classes: dict[int, int]  # code of a class raster -> cells
    weakest: dict[str, int]  # criterion, or "nothing limits" -> judged cells


class CaseManifest(_Record):
    """One species in one scenario."""

    folder: str  # inside the run folder; "" for the run folder itself
    species: str
    scenario: str
    layers: dict[str, LayerRecord]
    criteria: tuple[CriterionWords, ...]
    weights: WeightsRecord
    uncertainty: UncertaintyRecord | None = None  # None when no layer was drawn
    shared_failure: SharedFailure | None = None  # of the parcels with a yes; None for fewer than three
    not_judged: tuple[str, ...]  # criteria of the profile without a layer, with the reason; essential ones first
    looked_at: LookedAt | None = None  # how much of the profile; None without one
    counts: Counts
    grains: dict[str, Number] = Field(default_factory=dict)  # layer -> side of a cell that its source resolves [m]
    years: YearsRecord | None = None  # what single years brought, in the present; None without `years`
    water_held: tuple[WaterHeld, ...] = ()  # sources of water held against these years


class FailedScenarioRecord(_Record):
    """A scenario that was not judged, because of errors in its own inputs."""

    name: str
    exit_code: int
    faults: tuple[str, ...]


class SourceCells(_Record):
    """Counts of source cells by layer. Tiles read some cells twice, so the counts depend on the tile size."""

    read: dict[str, int]
    implausible: dict[str, int]


class RunTimes(_Record):
    """The facts that differ between two runs of the same plan on the same files."""

    started: str
    tile: int
    tiles_kept: int
    workers: int
    source_cells: SourceCells
    seconds: float
    peak_mb: float
    outputs: tuple[FileRecord, ...]  # those that carry a date
    plan_folder: str = ""  # from the run folder; inputs are named from there
    content_sha256: str = ""  # of all else in the manifest


class Manifest(_Record):
    """The content of `run.json`. Only `when` differs between two runs of the same plan on the same files."""

    format: Literal[3]
    plan: Mapping[str, Any]  # as plain values, every default written out
    plan_sha256: str
    grid_record: GridRecord = Field(alias="grid")
    cases: tuple[CaseManifest, ...] = Field(alias="views", min_length=1)
    inputs: tuple[InputRecord, ...]
    outputs: tuple[FileRecord, ...]
    software: dict[str, str]
    warnings: tuple[str, ...]
    rules: tuple[RuleSpec, ...] = ()  # of the user's own, as in their file
    failed_scenarios: tuple[FailedScenarioRecord, ...] = ()  # those of the plan as written; `plan` is without them
    break_even: BreakEven | None = None  # of one hectare; None for a plan without `costs`
    when: RunTimes

    @property
    def title(self) -> str:
        """The title of the plan."""
        return str(self.plan["title"])

    @cached_property
    def spec(self) -> PlanSpec:
        """The plan.

        Raises:
            UnderoakError: E603 when this build cannot read it.
        """
        try:
            return PlanSpec.model_validate(self.plan)
        except ValidationError as error:
            raise UnderoakError(_unreadable(f"plan in its {MANIFEST}", error, "")) from error

    @cached_property
    def grid(self) -> Grid:
        """The analysis grid."""
        return Grid(self.grid_record.crs, self.grid_record.transform, self.grid_record.rows, self.grid_record.cols)

    def only_case(self, folder: Path | str) -> CaseManifest:
        """Return the one case of a run whose manifest lies in `folder`.

        Raises:
            UnderoakError: E608 when there are several.
        """
        if len(self.cases) > 1:
            fix = "name one of its folders instead: " + ", ".join(
                str(Path(folder) / case.folder) for case in self.cases
            )
            raise UnderoakError(Fault("E608", "this run holds several species or scenarios", str(folder), fix))
        return self.cases[0]

    def dump(self) -> str:
        """Return JSON text, the same for the same content."""
        content = self.model_dump(mode="json", by_alias=True, exclude_unset=True)
        content["when"]["content_sha256"] = content_sha256(json.dumps(content, allow_nan=False))
        return json_text(content) + "\n"


def content_sha256(text: str) -> str:
    """Return the SHA-256 of a manifest's content as it is written, without that checksum itself; spaces do not count.

    >>> content_sha256('{"when": {"content_sha256": "a"}}') == content_sha256('{"when":{}}')
    True

    Raises:
        ValueError: for a text that is no manifest.
    """
    content = json.loads(text, parse_float=_as_written, parse_int=_as_written)
    if not isinstance(content, dict) or not isinstance(content.get("when"), dict):
        raise ValueError("is no manifest")
    content["when"].pop("content_sha256", None)
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(canonical.encode()).hexdigest()


def _as_written(number: str) -> tuple[str, str]:
    return "number", number  # two texts may be one number


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of the finished run in a folder.

    Raises:
        UnderoakError: E603 when there is none, or this build cannot read it.
    """
    where = str(folder)
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        fix = "name the folder that `underoak run` wrote, or run the plan again"
        raise UnderoakError(Fault("E603", "holds no finished run", where, fix)) from error
    number = content.get("format") if isinstance(content, dict) else None
    if isinstance(number, int) and number != FORMAT:
        build = "a later" if number > FORMAT else "an earlier"
        what = f"holds a run of format {number}, written by {build} build; this one reads format {FORMAT}"
        fix = "update underoak, or run the plan again with this build" if number > FORMAT else "run the plan again"
        raise UnderoakError(Fault("E603", what, where, fix))
    try:
        return Manifest.model_validate(content)
    except ValidationError as error:
        raise UnderoakError(_unreadable(MANIFEST, error, where)) from error


def _unreadable(part: str, error: ValidationError, where: str) -> Fault:
    first = error.errors(include_url=False)[0]
    key = ".".join(str(step) for step in first["loc"]) or "its content"
    if first["type"] == "missing":
        what = f"holds a run of an older build: {part} lacks {key}"
    else:
        what = f"{part} cannot be read: {key}: {first['msg']}"
    return Fault("E603", what, where, "run the plan again")


@dataclass(frozen=True, slots=True)
class NamedFiles:
    """The files and case folders named by a manifest of any format; malformed entries are skipped."""

    is_run: bool  # False for another program's file of that name
    folders: tuple[str, ...]
    checksums: Mapping[str, str]  # SHA-256 by path

    @classmethod
    def read(cls, path: Path) -> NamedFiles:
        """Read them from a manifest; they are empty if the file is no manifest of a run."""
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
        except ValueError:
            content = None
        if not isinstance(content, dict):
            return cls(False, (), {})
        cases = content.get("views")
        folders = [case.get("folder") for case in cases if isinstance(case, dict)] if isinstance(cases, list) else []
        inner = tuple(name for name in folders if isinstance(name, str) and _is_inside(name))
        return cls({"outputs", "views"} <= content.keys(), inner, dict(_checksums(content)))


def _checksums(content: dict[str, Any]) -> Iterator[tuple[str, str]]:
    for part in (content, content.get("when")):
        listed = part.get("outputs") if isinstance(part, dict) else None
        for entry in listed if isinstance(listed, list) else ():
            path, checksum = (entry.get("path"), entry.get("sha256")) if isinstance(entry, dict) else (None, None)
            if isinstance(path, str) and isinstance(checksum, str) and _is_inside(path):
                yield path, checksum


def _is_inside(name: str) -> bool:
    path = Path(name)
    return not (path.is_absolute() or path.drive or ".." in path.parts)
