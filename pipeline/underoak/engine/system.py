"""Calls that differ between Linux, macOS and Windows, each with a fallback where a system lacks them."""

from __future__ import annotations

import contextlib
import importlib
import os
import platform
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

OPEN_BINARY: int = getattr(os, "O_BINARY", 0)  # Windows opens descriptors as text otherwise
HANGUP: int = getattr(signal, "SIGHUP", 0)  # a terminal has closed; Windows has no such signal
CAN_DELETE_OPEN_FILES = sys.platform != "win32"

_CRASHES = {0xC0000005: "access violation", 0xC00000FD: "stack overflow", 0xC0000374: "heap corruption"}  # of Windows


def peak_memory_mb() -> float:
    """Return the peak memory of this process [MB]; 0 if unknown."""
    resource = _module("resource")
    if resource is None:  # Windows
        return 0.0
    peak = float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024.0 / 1e6


def processor_name() -> str:
    """Return the model of the processor; empty if unknown."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError):
            lines = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines()
            return next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), "")
    return platform.processor()


def boot_id() -> str:
    """Return a name for this start of this computer, the same in its containers; empty where there is none."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError):
            return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return ""


def cache_folder() -> Path:
    """Return the user's folder for what saves time and can be made again; it may not exist yet.

    UNDEROAK_CACHE names another one.
    """
    if os.environ.get("UNDEROAK_CACHE"):
        return Path(os.environ["UNDEROAK_CACHE"])
    home = Path(os.path.expanduser("~"))  # unlike Path.home(), it never fails
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "underoak" / "Cache"
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "underoak"
    return Path(os.environ.get("XDG_CACHE_HOME") or home / ".cache") / "underoak"


def allocator() -> Any:
    """Return the C library of a GNU system, whose allocator can be tuned; None on other systems."""
    ctypes = _module("ctypes") if sys.platform.startswith("linux") else None
    if ctypes is None:
        return None
    library = ctypes.CDLL(None)
    return library if hasattr(library, "mallopt") and hasattr(library, "malloc_trim") else None


def stop_signals() -> list[signal.Signals]:
    """Return the signals that ask a process to end: Ctrl-C, a request, a terminal that closes.

    SIGBREAK is Windows' own; its SIGTERM reaches no other process.
    """
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    return [signal.Signals(getattr(signal, name)) for name in names if hasattr(signal, name)]


def end_after(seconds: int) -> None:
    """End this process after a time, even if no Python code can run; 0 cancels it. Not on Windows."""
    if hasattr(signal, "alarm"):
        signal.alarm(seconds)


def exit_name(code: int) -> str:
    """Return a name for the exit code of a process, as `subprocess` gives it.

    >>> exit_name(-11), exit_name(7), exit_name(0xC0000005)
    ('SIGSEGV', 'exit code 7', 'access violation')
    """
    if code < 0:
        with contextlib.suppress(ValueError):
            return signal.Signals(-code).name
    return _CRASHES.get(code & 0xFFFFFFFF, f"exit code {code}")


@contextlib.contextmanager
def no_interrupts() -> Iterator[None]:
    """Block Ctrl-C for threads started inside and for the processes that they start, where the system can."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # started inside, it would unblock Ctrl-C in the thread
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _module(name: str) -> ModuleType | None:
    """Return a module that only some systems have; None where it is missing."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None
