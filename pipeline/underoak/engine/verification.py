"""The verification of a finished run: its files, inputs and software held against its manifest."""

from __future__ import annotations

import contextlib
import enum
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from underoak.base.errors import Fault
from underoak.engine.storage.identity import all_software
from underoak.engine.storage.manifest import MANIFEST, Manifest, content_sha256
from underoak.engine.storage.published import Published
from underoak.engine.write.checksums import FileRecord, sha256, size_of

_FILE_RECORD = TypeAdapter(FileRecord)


class State(enum.Enum):
    """What became of a file since the run recorded it; values are those of the JSON output."""

    SAME = "same"
    CHANGED = "changed"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class FileState:
    """A file of the manifest as it is now."""

    path: str  # as people find it
    state: State
    of: tuple[str, ...] = ()  # the keys of the plan that name it; empty for outputs


@dataclass(frozen=True, slots=True)
class SoftwareChange:
    """A version that differs; "" where it is not installed."""

    name: str
    recorded: str
    installed: str


@dataclass(frozen=True, slots=True)
class Verification:
    """A finished run held against its manifest."""

    folder: Path
    manifests: tuple[FileState, ...]  # by the checksum that each holds of its own content
    outputs: tuple[FileState, ...]
    inputs: tuple[FileState, ...]
    software: tuple[SoftwareChange, ...]  # those that differ
    packages: int  # compared

    def faults(self) -> list[Fault]:
        """Return E611 for each manifest, output, input and version that is not as the manifest says."""
        return [*self._output_faults(), *self._input_faults(), *self._software_faults()]

    def _output_faults(self) -> Iterator[Fault]:
        for manifest in self.manifests:
            if manifest.state is not State.SAME:
                fix = "run the plan again: what this file says of the others cannot be trusted"
                what = f"the manifest is {_words(manifest.state)}"
                yield Fault("E611", what, manifest.path, fix)
        for output in self.outputs:
            if output.state is not State.SAME:
                yield Fault("E611", f"the result is {_words(output.state)}", output.path, "run the plan again")

    def _input_faults(self) -> Iterator[Fault]:
        for file in self.inputs:
            if file.state is State.GONE:
                fix = "put it back, or name the folder of the plan with --plan-folder"
                yield Fault("E611", f"the input ({', '.join(file.of)}) is not there", file.path, fix)
            elif file.state is State.CHANGED:
                fix = "put the file back that the run read, or run the plan again"
                yield Fault(
                    "E611", f"the input ({', '.join(file.of)}) is not the one that the run read", file.path, fix
                )

    def _software_faults(self) -> Iterator[Fault]:
        for change in self.software:
            now = change.installed or "not installed"
            fix = f"install {change.recorded}, or run the plan again" if change.recorded else "run the plan again"
            what = f"the run was made with {change.recorded or 'none'}, and here is {now}"
            yield Fault("E611", what, f"software ({change.name})", fix)


def _words(state: State) -> str:
    return "not there" if state is State.GONE else "not as the run wrote it"


def verify(folder: Path | str, plan_folder: Path | str | None = None) -> Verification:
    """Hold the files of a finished run, its inputs and the software here against its manifest.

    Nothing is computed again. This finds what changed by accident. A person who changes a file can change the
    manifest with it.

    Args:
        folder: the run folder.
        plan_folder: the folder that inputs are named from. Default: where it was when the run was made.

    Raises:
        UnderoakError: E603 if the folder holds no finished run, E610 if another run was published meanwhile.
    """
    published = Published.open(Path(folder))
    with published.reading():
        return _verified(published.folder, published.manifest, plan_folder)


def _verified(folder: Path, manifest: Manifest, plan_folder: Path | str | None) -> Verification:
    folders = [folder / inner for inner in dict.fromkeys(["", *(case.folder for case in manifest.cases)])]
    contents = {place / MANIFEST: _content(place / MANIFEST) for place in folders}
    outputs = {path.parent / record.path: record for path, content in contents.items() for record in _listed(content)}
    base = Path(plan_folder) if plan_folder is not None else folder / manifest.when.plan_folder
    recorded, installed = manifest.software, all_software()
    names = sorted({*recorded, *installed})
    return Verification(
        folder=folder,
        manifests=tuple(map(_manifest_state, contents)),
        outputs=tuple(file_state(path, record) for path, record in sorted(outputs.items())),
        inputs=tuple(file_state(base / record.path, record, record.of) for record in manifest.inputs),
        software=tuple(
            SoftwareChange(name, recorded.get(name, ""), installed.get(name, ""))
            for name in names
            if recorded.get(name) != installed.get(name)
        ),
        packages=len(names),
    )


def _content(path: Path) -> dict[str, Any]:
    """Return the content of a manifest; {} if it is none, or not there."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) and isinstance(content.get("when"), dict) else {}


def _manifest_state(path: Path) -> FileState:
    try:
        text = path.read_text(encoding="utf-8")
        is_same = json.loads(text)["when"]["content_sha256"] == content_sha256(text)
    except FileNotFoundError:
        return FileState(str(path), State.GONE)
    except (OSError, ValueError, KeyError, TypeError):
        return FileState(str(path), State.CHANGED)
    return FileState(str(path), State.SAME if is_same else State.CHANGED)


def _listed(content: dict[str, Any]) -> Iterator[FileRecord]:
    """Yield the outputs that a manifest lists; an entry that was spoilt shows in the manifest's own checksum."""
    for part in (content, content["when"]) if content else ():
        listed = part.get("outputs")
        for entry in listed if isinstance(listed, list) else ():
            with contextlib.suppress(ValidationError):
                yield _FILE_RECORD.validate_python(entry)


def file_state(path: Path, record: FileRecord, of: tuple[str, ...] = ()) -> FileState:
    """Return what became of a recorded file; one of another size is not read."""
    name = os.path.normpath(path)
    try:
        is_same = size_of(path) == record.size and sha256(path) == record.sha256
    except FileNotFoundError:
        return FileState(name, State.GONE, of)
    except OSError:
        return FileState(name, State.CHANGED, of)
    return FileState(name, State.SAME if is_same else State.CHANGED, of)
