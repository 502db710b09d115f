"""One run at a time in a folder, and a dead run's lock keeps nobody out."""

import errno
import fcntl
import json
import os
import platform
import time
from pathlib import Path

import pytest

from underoak.base.errors import UnderoakError
from underoak.engine.storage.lock import Lock
from underoak.engine.storage.run_folder import RunFolder
from underoak.engine.system import boot_id

from crash import die, in_child

US = {"pid": os.getpid(), "host": platform.node(), "boot": boot_id(), "since": "2026-01-01T00:00:00Z"}


@pytest.fixture
def lock(tmp_path):
    return Lock(tmp_path / "in" / "lock", tmp_path)


def left_by(lock, **owner) -> None:
    lock.path.parent.mkdir(exist_ok=True)
    lock.path.touch()
    lock.owner_path.write_text(json.dumps({**US, **owner}))


def refusal(lock):
    with pytest.raises(UnderoakError) as caught:
        Lock(lock.path, lock.path.parent.parent).take()
    assert caught.value.exit_code == 9
    return str(caught.value)


def takes_and_dies(lock):
    lock.take()
    die()


def test_the_second_is_told_who_has_it(lock):
    lock.take()
    message, folder = refusal(lock), lock.path.parent.parent
    assert message.startswith(
        f"E605 {folder}: another run is using this folder: process {os.getpid()} on {platform.node()} since 2"
    )
    assert "--out" in message
    lock.release()
    Lock(lock.path, folder).take()


def test_a_released_lock_leaves_no_file(lock):
    lock.take()
    lock.release()
    assert list(lock.path.parent.iterdir()) == []
    lock.release()  # once more does nothing


def test_the_lock_of_a_killed_process_is_taken_over(lock):
    assert in_child(lambda: takes_and_dies(lock)) == -9
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
    assert json.loads(lock.owner_path.read_text())["pid"] == os.getpid()
    lock.release()


def test_half_a_record_is_taken_over(lock):
    left_by(lock)
    lock.owner_path.write_text(lock.owner_path.read_text()[:20])
    lock.take()
    lock.release()


def test_a_lock_of_another_computer_is_believed_and_its_file_named(lock):
    left_by(lock, host="elsewhere", boot="another")
    assert f"if elsewhere is off or its run has ended, delete {lock.owner_path}" in refusal(lock)
    lock.owner_path.unlink()
    lock.take()
    lock.release()


@pytest.mark.parametrize("trouble", [FileExistsError, FileNotFoundError])
def test_a_folder_that_its_last_owner_removes_just_now_is_made_anew(lock, monkeypatch, trouble):
    """Between two looks of `mkdir(exist_ok=True)` the folder may go; it then says that it exists."""
    mkdir, failed = Path.mkdir, []

    def once(path, *args, **kwargs):
        if not failed:
            failed.append(path)
            raise trouble(errno.EEXIST, "raced", str(path))
        mkdir(path, *args, **kwargs)

    monkeypatch.setattr(Path, "mkdir", once)
    lock.take()
    assert failed == [lock.path.parent]
    lock.release()


def test_a_file_where_the_folder_should_be_is_told(tmp_path):
    (tmp_path / "place").write_text("")
    with pytest.raises(FileExistsError):
        Lock(tmp_path / "place" / "lock", tmp_path).take()


def no_system_locks(monkeypatch):
    def refuse(handle, operation):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)


class TestWithoutSystemLocks:
    """Some file systems have none; then a file alone must do."""

    @pytest.fixture(autouse=True)
    def no_locks(self, monkeypatch):
        no_system_locks(monkeypatch)

    def test_a_living_owner_is_believed(self, lock):
        lock.take()
        assert f"process {os.getpid()}" in refusal(lock)
        lock.release()
        assert not lock.soft_path.exists()
        lock.take()
        lock.release()

    def test_a_dead_owner_is_not(self, lock):
        assert in_child(lambda: takes_and_dies(lock)) == -9
        lock.take()
        lock.release()

    def test_a_dead_owner_is_not_even_when_its_number_was_given_away(self, lock):
        assert in_child(lambda: takes_and_dies(lock)) == -9
        dead, text = json.loads(lock.owner_path.read_text())["pid"], lock.soft_path.read_text()
        assert str(dead) in text
        lock.soft_path.write_text(text.replace(str(dead), str(os.getppid()), 1))
        lock.take()
        lock.release()


@pytest.mark.parametrize("has_locks", [True, False])
def test_of_processes_that_race_for_a_folder_one_at_a_time_is_in_it(tmp_path, monkeypatch, has_locks):
    """Rounds of five processes, with a stale lock to be taken over in some; some die without letting go."""
    if not has_locks:
        no_system_locks(monkeypatch)
    rounds = 50 if has_locks else 10
    log = os.open(tmp_path / "log", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for i_round in range(rounds):
        path = tmp_path / f"out{i_round % 7}"
        if i_round % 3 == 0:
            (path / ".underoak").mkdir(parents=True, exist_ok=True)
            left_by(Lock(path / ".underoak" / "lock", path), pid=2**22 + 1)
        gate_out, gate_in = os.pipe()
        children = [_racer(path, log, i_round, number, gate_out) for number in range(5)]
        os.close(gate_out)
        os.write(gate_in, b"gogog")
        os.close(gate_in)
        ends = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
        assert set(ends) <= {0, 9, -9}, ends
        assert any(end in (0, -9) for end in ends)
    lines = (tmp_path / "log").read_text().splitlines()
    inside = ""
    for line in lines:
        event, who = line.split(" ", 1)
        if event == "in":
            assert inside == "", f"{who} came in while {inside} was in"
            inside = who
        else:
            assert inside == who
            inside = ""
    assert len(lines) >= 2 * rounds


def _racer(path, log, i_round, number, gate) -> int:
    child = os.fork()
    if child:
        return child
    os.read(gate, 1)
    try:
        with RunFolder(path):
            os.write(log, f"in {i_round} {number}\n".encode())
            time.sleep(0.005)
            os.write(log, f"out {i_round} {number}\n".encode())
            if number == i_round % 5:
                die()
    except UnderoakError as error:
        os._exit(error.exit_code)
    except BaseException:
        os._exit(1)
    os._exit(0)
