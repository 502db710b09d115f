"""The first signal ends a run after finished tiles are saved, the second at once; an ignored one within 5 seconds."""

import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from underoak.engine.stop import Stop, Stopped
from underoak.engine.workers.runner import _Queue

PATIENT = """
import sys, time
from underoak.engine.stop import Stop
with Stop() as stop, stop.patient():
    print("ready", flush=True)
    while not stop.seconds > float(sys.argv[1]):
        time.sleep(0.01)
with_stop = stop.is_requested
print("went on", flush=True)
try:
    stop.check()
except KeyboardInterrupt as stopped:
    sys.exit(stopped.exit_code)
"""


def started(*args):
    process = subprocess.Popen(
        [sys.executable, "-c", PATIENT, *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "ready\n"
    return process


def ended(process, within):
    began = time.monotonic()
    out, told = process.communicate(timeout=20)
    assert time.monotonic() - began < within
    return process.returncode, out, told


@pytest.mark.parametrize(("signum", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_the_first_signal_lets_what_is_at_work_come_to_its_end(signum, code):
    process = started("0.3")
    process.send_signal(signum)
    returned, out, told = ended(process, 5)
    assert (returned, out) == (code, "went on\n")
    assert "Press Ctrl-C again to stop at once" in told


@pytest.mark.parametrize(("second", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 130)])
def test_the_second_signal_ends_it_at_once(second, code):
    process = started("60")
    process.send_signal(signal.SIGINT)
    assert "Stopping" in process.stderr.readline()
    process.send_signal(second)
    returned, out, told = ended(process, 1)
    assert (returned, out) == (code, "")
    assert "Finished tiles are kept" in told


def test_after_five_seconds_it_ends_whatever_hangs():
    process = started("60")
    process.send_signal(signal.SIGTERM)
    returned, out, _ = ended(process, 5.5)
    assert (returned, out) == (143, "")


def test_outside_patient_work_a_signal_breaks_off_where_it_comes():
    def work():
        with Stop():
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(5)

    with pytest.raises(Stopped) as caught:
        work()
    assert caught.value.exit_code == 143


def test_handlers_are_given_back_and_ignored_signals_stay_ignored():
    before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with Stop() as stop:
            os.kill(os.getpid(), signal.SIGTERM)
            assert not stop.is_requested
            assert signal.getsignal(signal.SIGINT) == stop._heed
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGTERM, before)


def test_no_timer_outlives_a_run_that_came_to_its_end():
    with Stop() as stop, stop.patient():
        os.kill(os.getpid(), signal.SIGINT)
    assert stop.is_requested
    stop._timer.join(1)
    assert not any(isinstance(thread, threading.Timer) for thread in threading.enumerate())


def test_no_tile_is_handed_out_after_the_signal():
    with Stop() as stop, stop.patient():
        queue = _Queue([1, 2, 3, 4], stop)
        given = iter(queue)
        assert (len(queue), queue[2], next(given)) == (4, 3, 1)
        os.kill(os.getpid(), signal.SIGINT)
        assert list(given) == []


TALKING = """
import pathlib, sys, time
from underoak.engine.stop import Stop
with Stop() as stop, stop.patient():
    while not stop.seconds > 0.3:
        print("at work", file=sys.stderr, flush=True)
        time.sleep(0.01)
pathlib.Path(sys.argv[1]).write_text("saved")
sys.exit(128 + 1 if stop.is_requested else 0)
"""


def test_a_terminal_that_closes_ends_it_in_good_order(tmp_path):
    import pty

    child, terminal = pty.fork()
    if child == 0:
        os.execv(sys.executable, [sys.executable, "-c", TALKING, str(tmp_path / "saved")])
    assert b"at work" in os.read(terminal, 4096)
    os.close(terminal)  # its programs get SIGHUP, and cannot write there any more
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 129
    assert (tmp_path / "saved").read_text() == "saved"
