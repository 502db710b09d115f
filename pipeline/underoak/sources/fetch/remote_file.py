"""A remote file: spans of it, each checked, repeated where it must be, and stored."""

from __future__ import annotations

import hashlib
import random
import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from underoak.base.errors import Fault, UnderoakError
from underoak.sources.fetch.blob_store import BlobStore
from underoak.sources.fetch.requests import Answer, FailedAttempt, Requests

ATTEMPTS = 5
READ_SECONDS = 300.0  # for all attempts at one span
_FIRST_PAUSE = 0.2  # seconds; doubled after each attempt
_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+)")
HEAD_BYTES = 1 << 16
_Usable = TypeVar("_Usable", bytes, Answer)


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells one version of a remote file from another."""

    length: int
    etag: str
    last_modified: str


@dataclass
class RemoteFile:
    """A file at an address. The first answer sets its stamp, and every later one must have the same.

    Offline, everything comes from the store.
    """

    address: str
    requests: Requests | None  # None: offline
    store: BlobStore
    stamp: Stamp | None = None
    spans: dict[str, str] = field(default_factory=dict)  # SHA-256 of the content by "start-end"
    used: set[str] = field(default_factory=set)  # the spans that this gathering needed
    fetched_bytes: int = 0

    def open_spans(self) -> None:
        """Read the first span, which sets the stamp.

        Raises:
            UnderoakError: E710 to E712, E715, E717.
        """
        record = self.store.record(self.address)
        if self.requests is None:
            self._take(record)
            if self.stamp is None:
                raise self._offline()
            return
        answer = self._attempts("0-", lambda: self._asked(0, HEAD_BYTES, None))
        self.stamp = stamp = _stamp(answer)
        if record.get("stamp") == [stamp.length, stamp.etag, stamp.last_modified]:
            self.spans = dict(record["spans"])
        end = min(HEAD_BYTES, stamp.length)
        if self.spans.get(f"0-{end}") == hashlib.sha256(answer.body).hexdigest():
            self._keep(f"0-{end}", answer.body)  # as when it was fetched before
        else:
            self._fetched(f"0-{end}", True, lambda: self._asked(0, end, stamp).body, answer.body)

    def span(self, start: int, end: int, *, twice: bool = False) -> bytes:
        """Return the bytes from `start` up to `end`; read twice where nothing else can tell a changed byte.

        Raises:
            UnderoakError: E710 to E713, E715, E717.
        """
        assert self.stamp is not None, "the file is open"
        if not 0 <= start < end <= self.stamp.length:
            what = f"its header points at bytes {start} to {end}, and it has {self.stamp.length}"
            raise UnderoakError(Fault("E714", what, self.address, "the file is damaged, or no such file"))
        key = f"{start}-{end}"
        return self._stored(key) or self._fetched(key, twice, lambda: self._asked(start, end, self.stamp).body)

    def whole(self, most: int, starts: tuple[bytes, ...] = (b"",)) -> bytes:
        """Return all bytes of a file that is fetched in one piece and begins as it must, read twice.

        Raises:
            UnderoakError: E710 to E713, E715, E717.
        """
        record = self.store.record(self.address)
        self._take(record)
        if self.requests is None:
            data = None if self.stamp is None else self._stored(f"0-{self.stamp.length}")
            if data is None:
                raise self._offline()
            return data
        before = self.stamp
        answer = self._attempts("whole", lambda: self._asked_all(most, starts))
        self.stamp = _stamp(answer)
        if before != self.stamp:
            self.spans = {}
        key = f"0-{self.stamp.length}"
        if self.spans.get(key) == hashlib.sha256(answer.body).hexdigest() and self._stored(key) is not None:
            return answer.body  # as when it was fetched before: that is the second read
        return self._fetched(key, True, lambda: self._asked_all(most, starts).body, answer.body)

    def save(self) -> None:
        """Record which spans are stored."""
        if self.requests is not None and self.stamp is not None:
            stamp = [self.stamp.length, self.stamp.etag, self.stamp.last_modified]
            self.store.write_record(self.address, {"stamp": stamp, "spans": self.spans})

    def _take(self, record: dict[str, Any]) -> None:
        if record:
            length, etag, last_modified = record["stamp"]
            self.stamp, self.spans = Stamp(int(length), str(etag), str(last_modified)), dict(record["spans"])

    def _stored(self, key: str) -> bytes | None:
        data = self.store.get(self.spans[key]) if key in self.spans else None
        if data is not None:
            self.used.add(key)
        elif self.requests is None:
            raise self._offline()
        return data

    def _keep(self, key: str, data: bytes) -> bytes:
        self.spans[key] = self.store.put(data)
        self.used.add(key)
        return data

    def _fetched(self, key: str, twice: bool, ask: Callable[[], bytes], first: bytes | None = None) -> bytes:
        """Return the bytes of a span; with `twice`, the first that two reads on two connections agree on."""
        last = first if first is not None else self._attempts(key, ask)
        if not twice:
            return self._keep(key, last)
        assert self.requests is not None
        for _ in range(ATTEMPTS):
            self.requests.close()  # another connection, and perhaps another machine behind the name
            again = self._attempts(key, ask)
            if again == last:
                return self._keep(key, last)
            last = again
        what = f"two reads of the same bytes ({key}) never agreed in {ATTEMPTS + 1} attempts"
        raise UnderoakError(Fault("E713", what, self.address, "the host or the network changes bytes: try again later"))

    def _attempts(self, key: str, ask: Callable[[], _Usable]) -> _Usable:
        """Return the first answer that can be used.

        Raises:
            UnderoakError: E710 to E712 with the last reason.
        """
        assert self.requests is not None
        deadline, pause = time.monotonic() + READ_SECONDS, _FIRST_PAUSE
        failures = []
        for n in range(ATTEMPTS):
            try:
                return ask()
            except FailedAttempt as failed:
                failures.append(failed)
                self.requests.close()
            if n + 1 == ATTEMPTS or time.monotonic() + pause > deadline:
                break
            time.sleep(pause * random.uniform(0.5, 1.5))  # so that many readers do not come back together
            pause *= 2.0
        last = failures[-1]
        what = f"{last.reason}, {len(failures)} times, for bytes {key}"
        fix = {
            "E710": "the host does not send parts of files as asked: correct the address, or fetch the file by hand",
            "E712": "the file was replaced meanwhile: run the same command again",
        }.get(last.code, "run the same command again later; what has come is stored")
        raise UnderoakError(Fault(last.code, what, self.address, fix))

    def _asked(self, start: int, end: int, stamp: Stamp | None) -> Answer:
        assert self.requests is not None
        if stamp is not None:
            end = min(end, stamp.length)
        headers = {"Range": f"bytes={start}-{end - 1}"}
        if stamp is not None and stamp.etag and not stamp.etag.startswith("W/"):
            headers["If-Range"] = stamp.etag
        answer = self.requests.get(self.address, headers, end - start)
        self.fetched_bytes += len(answer.body)
        if answer.status == 200:
            replaced = stamp is not None and answer.headers.get("etag", "") not in ("", stamp.etag)
            raise FailedAttempt("answers with all of a file, not with the part", "E712" if replaced else "E710")
        if answer.status != 206:
            raise FailedAttempt(f"answers with status {answer.status}")
        match = _RANGE.fullmatch(answer.headers.get("content-range", "").strip())
        if match is None:
            raise FailedAttempt("does not say which part of the file it sends", "E710")
        first, last, total = map(int, match.groups())
        if first != start or last != min(end, total) - 1:
            raise FailedAttempt(f"sends bytes {first} to {last}, and {start} to {min(end, total) - 1} were asked for")
        if len(answer.body) != last - first + 1:
            raise FailedAttempt(f"sends {len(answer.body)} of {last - first + 1} bytes")
        if stamp is not None and _stamp(answer) != stamp:
            raise FailedAttempt("has other bytes now than when reading began", "E712")
        return answer

    def _asked_all(self, most: int, starts: tuple[bytes, ...]) -> Answer:
        assert self.requests is not None
        answer = self.requests.get(self.address, {}, most)
        self.fetched_bytes += len(answer.body)
        if answer.status != 200:
            raise FailedAttempt(f"answers with status {answer.status}")
        if answer.headers.get("content-length", "") != str(len(answer.body)):
            raise FailedAttempt("does not state the length of what it sends", "E710")
        if not answer.body.startswith(starts):
            raise FailedAttempt(f"sends something else: it begins with {answer.body[:12]!r}")
        return answer

    def _offline(self) -> UnderoakError:
        what = "is not in the store, or not all that is needed of it"
        return UnderoakError(Fault("E717", what, self.address, "gather once with a network, without --offline"))


def _stamp(answer: Answer) -> Stamp:
    match = _RANGE.fullmatch(answer.headers.get("content-range", "").strip())
    length = int(match[3]) if match else len(answer.body)
    return Stamp(length, answer.headers.get("etag", ""), answer.headers.get("last-modified", ""))
