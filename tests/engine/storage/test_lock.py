"""One run at a time in a folder, and a dead run's lock keeps nobody out."""

import errno
import json
import os
import platform
import time
from pathlib import Path

import pytest

from underoak.base.errors import UnderoakError
from underoak.engine.storage import lock as locks
from underoak.engine.storage.lock import Lock
from underoak.engine.storage.run_folder import RunFolder

from crash import die, in_child

US = locks._ourselves()


@pytest.fixture
def lock(tmp_path):
    return Lock(tmp_path / "in" / "lock", tmp_path)


def left_by(lock, **owner) -> None:
    lock.path.parent.mkdir(exist_ok=True)
    lock.path.write_text(json.dumps({**US, **owner}))


def refusal(lock):
    with pytest.raises(UnderoakError) as caught:
        Lock(lock.path, lock.what).take()
    assert caught.value.exit_code == 9
    return str(caught.value)


def test_the_second_is_told_who_has_it(lock):
    lock.take()
    told = refusal(lock)
    assert told.startswith(f"E605 {lock.what}: another run is at work here: process {os.getpid()} on {platform.node()}")
    assert "since 2" in told
    assert "--out" in told
    lock.release()
    Lock(lock.path, lock.what).take()


def test_a_released_lock_leaves_no_file(lock):
    lock.take()
    lock.release()
    assert list(lock.path.parent.iterdir()) == []
    lock.release()  # once more does nothing


def test_the_lock_of_a_killed_process_is_taken_over(lock):
    def takes_and_dies():
        lock.take()
        die()

    assert in_child(takes_and_dies) == -9
    assert lock.path.exists()
    lock.take()
    lock.release()


@pytest.mark.parametrize(
    "owner",
    [{"pid": 2**22 + 1}, {"pid": 1}, {"boot": "an earlier one"}, {"host": "a container that is gone"}, {"pid": "?"}],
    ids=["dead", "its number is another's now", "before a restart", "another container of this computer", "nonsense"],
)
def test_a_stale_lock_is_taken_over(lock, owner):
    left_by(lock, **owner)
    lock.take()
    assert json.loads(lock.path.read_text())["pid"] == os.getpid()
    lock.release()


def test_half_a_lock_file_is_taken_over(lock):
    left_by(lock)
    lock.path.write_text(lock.path.read_text()[:20])
    lock.take()
    lock.release()


def test_a_lock_of_another_computer_is_believed_and_its_file_named(lock):
    left_by(lock, host="elsewhere", boot="another")
    told = refusal(lock)
    assert f"if elsewhere is off or has given up, delete {lock.path}" in told
    lock.path.unlink()
    lock.take()
    lock.release()


@pytest.mark.parametrize("trouble", [FileExistsError, FileNotFoundError])
def test_a_folder_that_its_last_owner_removes_just_now_is_made_anew(lock, monkeypatch, trouble):
    """Between two looks of `mkdir(exist_ok=True)` the folder may go; it then says that it exists."""
    mkdir, told = Path.mkdir, []

    def once(path, *args, **kwargs):
        if not told:
            told.append(path)
            raise trouble(errno.EEXIST, "raced", str(path))
        mkdir(path, *args, **kwargs)

    monkeypatch.setattr(Path, "mkdir", once)
    lock.take()
    assert told == [lock.path.parent]
    lock.release()


def test_a_file_where_the_folder_should_be_is_told(tmp_path):
    (tmp_path / "place").write_text("")
    with pytest.raises(FileExistsError):
        locks.Lock(tmp_path / "place" / "lock", tmp_path).take()


class TestWithoutSystemLocks:
    """Some file systems have none; then the file alone must do."""

    @pytest.fixture(autouse=True)
    def no_locks(self, monkeypatch):
        def refuse(handle):
            raise OSError(errno.ENOLCK, "No locks available")

        monkeypatch.setattr(locks, "_lock", refuse)
        monkeypatch.setattr(locks, "_SETTLE_SECONDS", 0.01)

    def test_a_living_owner_is_believed(self, lock):
        lock.take()
        assert f"process {os.getpid()}" in refusal(lock)
        lock.release()
        lock.take()
        lock.release()

    @pytest.mark.parametrize("owner", [{"pid": 2**22 + 1}, {"began": "before"}, {"boot": "an earlier one"}])
    def test_a_dead_owner_is_not_even_when_its_number_was_given_away(self, lock, owner):
        left_by(lock, **owner)
        lock.take()
        lock.release()

    def test_who_wrote_last_has_it(self, lock, monkeypatch):
        other = {**US, "pid": os.getppid(), "began": locks._began(os.getppid())}
        monkeypatch.setattr(locks.time, "sleep", lambda seconds: left_by(lock, **other))
        assert f"process {os.getppid()}" in refusal(lock)


def test_of_processes_that_race_for_a_folder_one_at_a_time_is_in_it(tmp_path):
    """Fifty rounds of five processes, with a stale lock to be taken over in some; some die without letting go."""
    log = os.open(tmp_path / "log", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for at in range(50):
        path = tmp_path / f"out{at % 7}"
        if at % 3 == 0:
            (path / ".underoak").mkdir(parents=True, exist_ok=True)
            (path / ".underoak" / "lock").write_text(json.dumps({**US, "pid": 2**22 + 1}))
        gate_out, gate_in = os.pipe()
        children = [_racer(path, log, at, number, gate_out) for number in range(5)]
        os.close(gate_out)
        os.write(gate_in, b"gogog")
        os.close(gate_in)
        ends = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
        assert set(ends) <= {0, 9, -9}, ends
        assert any(end in (0, -9) for end in ends)
    lines = (tmp_path / "log").read_text().splitlines()
    inside = ""
    for line in lines:
        what, who = line.split(" ", 1)
        if what == "in":
            assert inside == "", f"{who} came in while {inside} was in"
            inside = who
        else:
            assert inside == who
            inside = ""
    assert len(lines) >= 100


def _racer(path, log, at, number, gate) -> int:
    child = os.fork()
    if child:
        return child
    os.read(gate, 1)
    try:
        with RunFolder(path):
            os.write(log, f"in {at} {number}\n".encode())
            time.sleep(0.005)
            os.write(log, f"out {at} {number}\n".encode())
            if number == at % 5:
                die()
    except UnderoakError as error:
        os._exit(error.exit_code)
    except BaseException:
        os._exit(1)
    os._exit(0)
