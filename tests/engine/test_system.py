"""What differs between systems: each answer on this one, and a sane one where a system lacks the call."""

import os
import signal
import subprocess
import sys
import textwrap

import pytest

from underoak.engine import system


def elsewhere(platform, *missing, code, before=""):
    """Run code where `sys.platform` is another one, and modules and functions are missing. `before` runs as here."""
    lines = f"""
        import platform, signal, sys, os, threading
        import multiprocessing, subprocess  # they belong to this system, whatever is said below
        {before}
        for name in [name for name in sys.modules if name.startswith("underoak.engine")]:
            del sys.modules[name]
        missing = {missing!r}
        for name in missing:
            module, _, attribute = name.partition(":")
            if attribute:
                vars(sys.modules[module]).pop(attribute, None)
            else:
                sys.modules[module] = None
        sys.platform = {platform!r}
    """
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(lines) + textwrap.dedent(code)],
        check=True, stdout=subprocess.PIPE, text=True, encoding="utf-8",
    ).stdout  # fmt: skip


WINDOWS = ("resource", "fcntl", "signal:pthread_sigmask", "os:fork", "signal:SIGKILL", "signal:alarm")

ANSWERS = """
    from underoak.engine import allocator, system
    assert system.allocator() is None
    allocator.retain_freed()
    allocator.release_freed()
    assert system.boot_id() == ""
    assert isinstance(system.processor_name(), str)
    assert signal.SIGINT in system.stop_signals()
    with system.no_interrupts():
        pass
    print(system.peak_memory_mb(), system.CAN_DELETE_OPEN_FILES)
"""


def test_windows_gets_plain_answers():
    assert elsewhere("win32", *WINDOWS, code=ANSWERS) == "0.0 False\n"


def test_macos_gets_plain_answers_and_its_memory_is_counted_in_bytes():
    peak, can_delete = elsewhere("darwin", "fcntl", code=ANSWERS).split()
    assert 0 < float(peak) < 10  # the true figure in kB, taken for bytes
    assert can_delete == "True"


@pytest.mark.parametrize("name", ["win32", "darwin", "linux"])
def test_the_engine_can_be_imported_elsewhere(name):
    code = """
        from underoak.engine import allocator, progress, stop, system
        from underoak.engine.storage import spool, journal, disk, identity, input_files, resume, run_folder
        from underoak.engine.workers import pool, reader_process, runner
        from underoak.engine.prepare import prepare
        print("imported")
    """
    missing = WINDOWS if name == "win32" else ["fcntl", "resource"]
    # libraries belong to this system, too
    libraries = "from underoak.engine.prepare import prepare; from underoak.engine.storage import lock"
    assert elsewhere(name, *missing, code=code, before=libraries) == "imported\n"


def test_this_system_says_what_it_can():
    assert 10 < system.peak_memory_mb() < 1e6
    assert set(system.stop_signals()) >= {signal.SIGINT, signal.SIGTERM}
    if sys.platform == "linux":
        assert len(system.boot_id()) == 36
        assert system.allocator() is not None


@pytest.mark.skipif(os.name != "posix", reason="signals of one thread")
def test_ctrl_c_waits_until_threads_are_started():
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    with system.no_interrupts():
        assert signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
