"""Where a gathered file comes from: a JSON file beside it, without any time of ours, so that it can be made again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, UnderoakError
from underoak.sources.catalogue.tile_rules import Tile
from underoak.sources.cells.header_check import expected_facts
from underoak.sources.cells.part import Part
from underoak.sources.gather.wanted import Wanted

FORMAT = 1


def provenance_path(file: Path) -> Path:
    """Return the name of the provenance file of a gathered file."""
    return file.with_name(file.name + ".provenance.json")


def request_of(wanted: Wanted) -> dict[str, Any]:
    """Return what a file was asked to show; the same request gives the same file from the same bytes."""
    each = wanted.chosen.data_set
    tile = Tile("", wanted.bounds)
    return {
        "set": wanted.chosen.set_name,
        "band": wanted.chosen.name,
        "title": each.title,
        "version": each.version.value,
        "bounds": [round(bound, 9) for bound in wanted.bounds],
        "crs": each.crs.value if each.crs else "",
        "address": each.address.value if each.address else "",
        "expected": expected_facts(wanted.chosen, tile),
        "licence": each.licence.value,
        "attribution": each.attribution.value if each.attribution else "",
    }


def is_there(wanted: Wanted) -> bool:
    """Return True if the file is there, was made for the same request, and is unchanged.

    Raises:
        UnderoakError: E306 for a file of that name that was not gathered, or was changed since.
    """
    if not wanted.file.exists():
        return False
    try:
        provenance = json.loads(provenance_path(wanted.file).read_text(encoding="utf-8"))
        is_ours = provenance["sha256"] == sha256(wanted.file)
    except (OSError, ValueError, KeyError, TypeError):
        is_ours = False
    if not is_ours:
        what = "is there, and was not gathered, or was changed since"
        fix = "move it away to gather it, or remove `gather` from the layer to use it as it is"
        raise UnderoakError(Fault("E306", what, wanted.where, fix))
    return bool(provenance.get("request") == request_of(wanted))


def provenance(
    wanted: Wanted, parts: Sequence[Part], headers: Sequence[Mapping[str, Any]], absent: Sequence[str],
    listing: Mapping[str, Any] | None, digest: str,
) -> str:  # fmt: skip
    """Return the text of a provenance file."""
    files = [_file(part, header) for part, header in zip(parts, headers, strict=True)]
    record = {
        "format": FORMAT,
        "file": wanted.file.name,
        "sha256": digest,
        "request": request_of(wanted),
        "files": files,
        "absent_tiles": list(absent),
        "tile_list": listing,
    }
    return json.dumps(record, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _file(part: Part, header: Mapping[str, Any]) -> dict[str, Any]:
    remote = part.remote
    assert remote.stamp is not None
    used = sorted(remote.used, key=lambda key: tuple(map(int, key.split("-"))))
    return {
        "address": remote.address,
        "tile": part.tile.name,
        "month": part.month,
        "etag": remote.stamp.etag,
        "last_modified": remote.stamp.last_modified,
        "length": remote.stamp.length,
        "read": [{"bytes": key, "sha256": remote.spans[key]} for key in used],
        "header": dict(header),
    }


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
