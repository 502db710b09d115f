"""The text of `verify`: what was compared, and how much of it is as it was; the differences are faults."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from underoak.base.errors import printable
from underoak.engine.verification import FileState, State, Verification
from underoak.report.text.lines import wrapped

_LIMITS = (
    "This finds what changed by accident, such as a flipped bit or another file under an old name. Nothing was "
    "computed again, and a person who changes a file can change run.json with it."
)


def verification_text(verification: Verification) -> str:
    """Return what was compared with the manifest, in a line for each part."""
    n_changed = len(verification.software)
    lines = [
        printable(f"run       {verification.folder}"),
        f"manifests {_files(verification.manifests, 'as the run wrote them')}",
        f"outputs   {_files(verification.outputs, 'as the run wrote them')}",
        f"inputs    {_files(verification.inputs, 'as the run read them')}",
        f"software  {verification.packages - n_changed} of {verification.packages} versions are the same here",
        "",
        *wrapped(_LIMITS),
    ]
    return "\n".join(lines)


def _files(states: Sequence[FileState], as_it_was: str) -> str:
    n_same = sum(file.state is State.SAME for file in states)
    return f"{n_same} of {len(states)} {as_it_was}"


def verification_values(verification: Verification) -> dict[str, Any]:
    """Return the verification as plain values for JSON."""
    return {
        "folder": str(verification.folder),
        "is_as_recorded": not verification.faults(),
        "manifests": [_values(file) for file in verification.manifests],
        "outputs": [_values(file) for file in verification.outputs],
        "inputs": [_values(file) | {"of": list(file.of)} for file in verification.inputs],
        "software": [
            {"name": change.name, "recorded": change.recorded, "installed": change.installed}
            for change in verification.software
        ],
    }


def _values(file: FileState) -> dict[str, Any]:
    return {"path": file.path, "state": file.state.value}
