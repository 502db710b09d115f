"""The name by which a reader can call the command again."""

from __future__ import annotations

import os
import shutil
import sys


def command_name() -> str:
    """Return `underoak` if a shell finds it, else the command as it was called just now.

    >>> import unittest.mock as mock
    >>> with mock.patch("shutil.which", return_value=None), mock.patch("sys.argv", [".venv/bin/underoak", "demo"]):
    ...     command_name()
    '.venv/bin/underoak'
    """
    if shutil.which("underoak") is not None:
        return "underoak"
    called = sys.argv[0] if sys.argv else ""
    name = os.path.basename(called)
    if name == "__main__.py":
        return f"{sys.executable} -m underoak"
    return called if name.startswith("underoak") else "underoak"
