"""The run folder: one run at a time in it, and every file old or new, never half."""

from __future__ import annotations

import json
import os
import platform
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from underoak.engine.spool import disk_error
from underoak.errors import Fault, UnderoakError

_LOCK, _SPOOL, _STAGE = ".lock", ".spool", ".new"
MANIFEST = "run.json"


class RunFolder:
    """Holds a run folder while it is written; use it in a `with` block."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._owner: dict[str, Any] = {}

    @property
    def spool(self) -> Path:
        """Where finished tiles wait."""
        return self.path / _SPOOL

    @property
    def stage(self) -> Path:
        """Where files are made before they get their final names."""
        return self.path / _STAGE

    def __enter__(self) -> RunFolder:
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self._lock()
            self.stage.mkdir(exist_ok=True)
            self._empty_stage()
        except OSError as error:
            raise disk_error(error, self.path) from error
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        self._empty_stage()
        for path in (self.stage, self.spool):
            if path.is_dir() and not any(path.iterdir()):
                path.rmdir()
        (self.path / _LOCK).unlink(missing_ok=True)

    def publish(self) -> None:
        """Give every staged file its final name, the manifest last, so that a manifest vouches for what is there."""
        names = sorted(path.relative_to(self.stage) for path in self.stage.rglob("*") if path.is_file())
        old = self.path / MANIFEST
        old.unlink(missing_ok=True)
        for name in [n for n in names if n != Path(MANIFEST)] + [Path(MANIFEST)]:
            (self.path / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(self.stage / name, self.path / name)
        _sync(self.path)

    def _empty_stage(self) -> None:
        for path in sorted(self.stage.rglob("*"), reverse=True):  # files before the folders that hold them
            path.rmdir() if path.is_dir() else path.unlink()

    def _lock(self) -> None:
        """Take the lock; a lock whose owner is gone is taken over.

        Raises:
            UnderoakError: E605 when another run is at work here.
        """
        path = self.path / _LOCK
        self._owner = {
            "pid": os.getpid(),
            "host": platform.node(),
            "boot": _boot(),
            "since": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        }
        for _ in range(2):
            try:
                with open(path, "x", encoding="utf-8") as file:
                    json.dump(self._owner, file)
                return
            except FileExistsError:
                owner = _read_owner(path)
                if owner is not None and _may_live(owner):
                    who = f"process {owner.get('pid')} on {owner.get('host')} since {owner.get('since')}"
                    mend = "wait for it, or choose another folder with --out"
                    fault = Fault("E605", f"another run is at work here: {who}", str(self.path), mend)
                    raise UnderoakError(fault) from None
                path.unlink(missing_ok=True)
        raise UnderoakError(Fault("E605", "another run took this folder just now", str(self.path), "choose another"))


def _read_owner(path: Path) -> dict[str, Any] | None:
    try:
        made = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return made if isinstance(made, dict) else None


def _may_live(owner: dict[str, Any]) -> bool:
    if owner.get("host") != platform.node():
        return True  # nobody here can tell
    if owner.get("boot") != _boot():
        return False
    try:
        os.kill(int(owner["pid"]), 0)
    except ProcessLookupError:
        return False
    except (PermissionError, KeyError, ValueError, OSError):
        return True
    return True


def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _sync(folder: Path) -> None:
    """Make the new names last through a power cut, where the system lets folders be synced."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
