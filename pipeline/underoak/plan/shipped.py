"""Files that come with the package, in an installed copy or a checkout."""

from __future__ import annotations

from pathlib import Path

from underoak.base.errors import Fault, UnderoakError

_PACKAGE = Path(__file__).resolve().parents[1]


def shipped(*parts: str) -> Path:
    """Return the path of a file or folder that comes with the package.

    >>> shipped("configs", "species").name
    'species'

    Raises:
        UnderoakError: E305 if it is missing, so the installation is incomplete.
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parents[1]):
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise UnderoakError(Fault("E305", "is part of underoak, but missing", "/".join(parts), "install underoak again"))
