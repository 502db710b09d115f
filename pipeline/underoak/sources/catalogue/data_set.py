"""One data set of the catalogue: where it lies, how its cells are stored, and on which terms it may be used."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, Field, model_validator

from underoak.plan.keys.quantities import Code, Length, Name, Number, Text, Unit, Whole
from underoak.plan.keys.uncertainty import Deviation, Level
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec, as_validation_errors
from underoak.sources.catalogue.fact import Fact
from underoak.sources.catalogue.tile_rules import TILE_RULES

Theme = Literal[
    "elevation", "soil", "climate", "land_cover", "trees", "rock", "parcels", "protected_ground"
]  # fmt: skip
THEMES: tuple[Theme, ...] = (
    *("elevation", "soil", "climate", "land_cover", "trees", "rock", "parcels", "protected_ground"),
)  # fmt: skip
Stored = Annotated[Number, Field()] | Literal["none"]
Degrees = Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)]
Box = Annotated[tuple[Number, ...], Field(min_length=4, max_length=4)]


def _known_crs(text: str) -> str:
    from underoak.base import crs

    with as_validation_errors():
        crs.parse(text)
    return text


def _known_rule(name: str) -> str:
    if name not in TILE_RULES:
        raise refusal("E304", f'there is no tile rule "{name}"', "known: " + ", ".join(TILE_RULES))
    return name


Crs = Annotated[Text, AfterValidator(_known_crs)]


class Example(Spec):
    """A worked example of an address, which a test computes again."""

    at: Degrees
    """Longitude and latitude."""
    band: Text
    """Band, with its choices."""
    tile: str = ""
    """Name of the tile; empty for a data set in one file."""
    month: Annotated[Whole, Field(ge=1, le=12)] | None = None
    """Month, if each month has a file."""
    address: Text
    """The address."""


class TileList(Spec):
    """The data set's own list of its tiles: the only proof that a tile is absent."""

    address: Fact[Text]
    """Address of the list; the fields are those of the set's address."""
    pattern: Text
    """Regular expression that finds the tiles' names in the list; its first group is the name."""


class Tiles(Spec):
    """How the data set is cut into files."""

    rule: Annotated[Name, AfterValidator(_known_rule)]
    """Named rule from a place to a tile."""
    known: Fact[Text]
    """The rule in words."""
    absent: Fact[Text] | None = None
    """What a tile that does not exist means."""
    listing: TileList | None = None
    """The set's own list of tiles. Without one, a tile that is not there is an error."""


class Header(Spec):
    """What the header of a file is expected to say. A file that says anything else is not read."""

    dtype: Fact[Literal["uint8", "int16", "uint16", "int32", "float32"]]
    """Type of the stored values."""
    nodata: Fact[Stored]
    """Stored value that means missing, as the header states it; `none` for a file without."""
    scale: Fact[Stored]
    """Factor that the header states; `none` for a file without."""
    offset: Fact[Stored]
    """Number that the header adds after the factor; `none` for a file without."""


class Band(Spec):
    """One map of the data set, or one for each of its choices."""

    text: Text
    """What it is."""
    unit: Fact[Unit] | None = None
    """Unit of the values after the header's scale and offset; nothing for class codes."""
    code: Text | None = None
    """Its name in addresses. Default: the band's own."""
    number: Annotated[Whole, Field(ge=1, le=1000)] = 1
    """Number of the band in its file."""
    blocks: Annotated[Whole, Field(ge=1, le=100)] | None = None
    """Setting of the tile rule: tiles along a side of a block."""
    header: Header | None = None
    """Header, where it differs from the set's."""
    plausible: Fact[Annotated[tuple[Number, ...], Field(min_length=2, max_length=2)]]
    """Lowest and highest stored value that can be true."""
    months: bool = False
    """True if each month has a file."""
    kind: Name | None = None
    """Kind of map in configs/defaults, whose published error is assumed for it."""
    sd: Fact[Deviation] | None = None
    """Error of the map, if its makers state one; it wins over the published error of the kind."""
    classes: dict[Code, Text] | None = None
    """Class codes."""
    known: Fact[Text] | None = None
    """What else is known of it, such as a conflict between two sources."""


class DataSet(Spec):
    """A data set."""

    title: Text
    """Name of the data set."""
    theme: Theme
    """What it is about."""
    form: Literal["raster", "vector", "service"]
    """How it is published."""
    access: Literal["open", "by_hand"]
    """`open`: `underoak gather` fetches it. `by_hand`: the reader fetches it, for the reason given as `why`."""
    why: Text | None = None
    """Why underoak does not fetch it."""
    put: Text | None = None
    """How to fetch it by hand, and where to put the file."""
    about: Text | None = None
    """What it serves for, and how far it can be trusted."""
    covers: Fact[Box]
    """West, south, east, north in degrees."""
    version: Fact[Text]
    """Version, and whether files may change under one address."""
    licence: Fact[Text]
    """Licence."""
    attribution: Fact[Text] | None = None
    """Words that the licence, or courtesy, asks for."""
    bundling: Fact[Literal["allowed", "forbidden", "not stated"]]
    """Whether the data may be passed on with other things."""
    address: Fact[Text] | None = None
    """Address, with fields in braces: tile, band, month, and the choices."""
    choices: dict[Name, Fact[tuple[Text, ...]]] = Field(default_factory=dict)
    """Fields of the address that the reader chooses, with their values; in the order of a band's name."""
    tiles: Tiles | None = None
    """How it is cut into files."""
    examples: tuple[Example, ...] = ()
    """Worked examples of the address."""
    crs: Fact[Crs] | None = None
    """Coordinate reference system."""
    is_crs_in_file: bool = True
    """False if the system has no code, so that a header may describe it in other words."""
    cell: Fact[Degrees] | None = None
    """Width and height of a cell, in units of the system."""
    columns: Fact[dict[Code, Number]] | None = None
    """Where columns lie further apart: how many times, by the latitude from which it holds."""
    slack: Number = 0.01
    """Cells by which a file may lie outside the ground of its tile."""
    registration: Fact[Literal["area", "point"]] | None = None
    """Whether the file's coordinates are those of cell corners or of cell centres."""
    layout: Fact[Literal["tiled", "striped"]] | None = None
    """How cells are ordered in a file."""
    compression: Fact[Literal["none", "deflate", "lzw", "zstd", "lerc"]] | None = None
    """Compression. Files without one are read twice: nothing else would show a changed byte."""
    header: Header | None = None
    """Expected header."""
    grain: Fact[Length] | None = None
    """True resolution."""
    quantiles: Fact[dict[Level, Text]] | None = None
    """Maps of quantiles: the value of the last choice, by level."""
    size: Fact[Text] | None = None
    """Size of a file, or of what a window of 10 x 10 km needs."""
    most_tile_bytes: Annotated[Whole, Field(gt=0)] = 64_000_000
    """Largest file that is fetched in one piece, or largest stored block."""
    bands: dict[Name, Band] = Field(default_factory=dict)
    """Maps."""
    traps: tuple[Fact[Text], ...] = ()
    """What newcomers get wrong."""
    evidence: dict[Name, Text]
    """Where the facts were seen, by key."""

    @model_validator(mode="after")
    def _check_complete(self) -> Self:
        if self.access == "by_hand":
            if self.why is None or self.put is None:
                raise refusal("E304", "is fetched by hand, and lacks `why` or `put`", "give both")
        else:
            needed = ("address", "tiles", "crs", "cell", "registration", "layout", "header", "compression", "grain")
            missing = [key for key in needed if getattr(self, key) is None]
            missing += [key for key in ("bands", "examples") if not getattr(self, key)]
            if missing:
                raise refusal("E304", f"is open, and lacks {', '.join(missing)}", "give them, or write `by_hand`")
        for where, fact in facts(self):
            if fact.evidence is not None and fact.evidence not in self.evidence:
                raise refusal("E304", f'{where} names the evidence "{fact.evidence}", which is not there', "add it")
        return self

    def header_of(self, band: Band) -> Header:
        """Return the expected header of a band's files."""
        header = band.header or self.header
        assert header is not None, "an open set has a header"
        return header


def facts(part: BaseModel, where: str = "") -> Iterator[tuple[str, Fact[Any]]]:
    """Yield every fact of a part of the catalogue, with its place such as `bands.clay.unit`."""
    for name in type(part).model_fields:
        yield from _facts_in(getattr(part, name), f"{where}.{name}" if where else name)


def _facts_in(value: Any, where: str) -> Iterator[tuple[str, Fact[Any]]]:
    if isinstance(value, Fact):
        yield where, value
    elif isinstance(value, BaseModel):
        yield from facts(value, where)
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _facts_in(inner, f"{where}.{key}")
    elif isinstance(value, tuple):
        for n, inner in enumerate(value, start=1):
            yield from _facts_in(inner, f"{where}[{n}]")
