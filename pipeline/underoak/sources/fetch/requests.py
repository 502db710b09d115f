"""One request to a host: a range or a whole body, with a limit on its size and its time."""

from __future__ import annotations

import contextlib
import http.client
import socket
import ssl
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urljoin

from underoak.base.errors import Fault, UnderoakError
from underoak.sources.fetch.hosts import Hosts, Target

SILENCE_SECONDS = 20.0  # of a host, after which an attempt ends
ATTEMPT_SECONDS = 120.0  # for one answer
_MOST_REDIRECTS = 3
_CHUNK = 1 << 18
_REDIRECTS = (301, 302, 303, 307, 308)


class FailedAttempt(Exception):
    """An answer that cannot be used; another attempt may do better."""

    def __init__(self, reason: str, code: str = "E711") -> None:
        super().__init__(reason)
        self.reason, self.code = reason, code


@dataclass(frozen=True, slots=True)
class Answer:
    """What a host answered: status, headers with names in lower case, and body."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class _Pinned(http.client.HTTPConnection):
    """A connection to a pinned number, whatever its host's name resolves to now."""

    def __init__(self, target: Target, tls: ssl.SSLContext | None) -> None:
        super().__init__(target.host, target.port, timeout=SILENCE_SECONDS)
        self._number, self._tls = target.number, tls

    def connect(self) -> None:
        """Connect to the number, and have the host prove its name."""
        self.sock = socket.create_connection((self._number, self.port), self.timeout)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._tls is not None:
            self.sock = self._tls.wrap_socket(self.sock, server_hostname=self.host)


class Requests:
    """Requests to allowed hosts. No proxy is used, and no setting of the surroundings changes where they go."""

    def __init__(self, hosts: Hosts) -> None:
        self._hosts = hosts
        self._local = threading.local()
        self._tls = ssl.create_default_context()

    def get(self, address: str, headers: Mapping[str, str], most: int) -> Answer:
        """Return the answer to one request, after redirects within the same host.

        Raises:
            FailedAttempt: for no answer, a cut or endless body, or one of more than `most` bytes.
            UnderoakError: E715 for a host that may not be asked.
        """
        first = self._hosts.target(address)
        for _ in range(_MOST_REDIRECTS + 1):
            answer = self._once(self._hosts.target(address), headers, most)
            if answer.status not in _REDIRECTS:
                return answer
            following = urljoin(address, answer.headers.get("location", ""))
            target = self._hosts.target(following)
            if (target.host, target.port, target.scheme) != (first.host, first.port, first.scheme):
                what = f"it is redirected to another host, {target.host}:{target.port}"
                raise UnderoakError(Fault("E715", what, address, "correct the address in the catalogue"))
            address = following
        raise FailedAttempt("is redirected again and again")

    def close(self) -> None:
        """Close this thread's connections, so that the next request makes a new one."""
        for connection in self._connections().values():
            connection.close()
        self._connections().clear()

    def _connections(self) -> dict[tuple[str, str, int], _Pinned]:
        connections: dict[tuple[str, str, int], _Pinned] = self._local.__dict__.setdefault("connections", {})
        return connections

    def _once(self, target: Target, headers: Mapping[str, str], most: int) -> Answer:
        key = (target.scheme, target.host, target.port)
        connections = self._connections()
        connection = connections.get(key)
        if connection is None:
            connection = connections[key] = _Pinned(target, self._tls if target.scheme == "https" else None)
        try:
            connection.request("GET", target.path, headers={"Accept-Encoding": "identity", **headers})
            response = connection.getresponse()
            body = _body(response, most)
        except (OSError, http.client.HTTPException) as error:
            with contextlib.suppress(OSError):
                connection.close()
            connections.pop(key, None)
            if isinstance(error, ssl.SSLCertVerificationError):
                what = f"the host does not prove its name ({error.verify_message})"
                raise UnderoakError(Fault("E715", what, target.host, "do not switch this check off")) from error
            raise FailedAttempt(f"gave no answer ({type(error).__name__}: {error})"[:200]) from error
        except FailedAttempt:
            connection.close()
            connections.pop(key, None)
            raise
        return Answer(response.status, {name.lower(): value for name, value in response.getheaders()}, body)


def _body(response: http.client.HTTPResponse, most: int) -> bytes:
    """Return the body, all of it."""
    length = response.length  # None where it comes in chunks
    if length is not None and length > most:
        raise FailedAttempt(f"answers with {length} bytes, more than the {most} that may come", "E710")
    deadline, parts, size = time.monotonic() + ATTEMPT_SECONDS, [], 0
    while True:
        part = response.read(_CHUNK)
        if not part:
            break
        parts.append(part)
        size += len(part)
        if size > most:
            raise FailedAttempt(f"answers with more than the {most} bytes that may come", "E710")
        if time.monotonic() > deadline:
            raise FailedAttempt(f"sent {size} bytes in {ATTEMPT_SECONDS:.0f} seconds")
    if length is not None and size != length:
        raise FailedAttempt(f"sent {size} of {length} bytes")
    return b"".join(parts)
