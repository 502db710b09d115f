"""Hosts that may be asked: those of the catalogue, at public addresses, each resolved once and then pinned."""

from __future__ import annotations

import ipaddress
import socket
import threading
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from underoak.base.errors import Fault, UnderoakError

_TRUST_FIX = "if the host is yours, name it under `trust: {allow_hosts: [...]}` in the plan"


@dataclass(frozen=True, slots=True)
class Target:
    """A parsed address, with the pinned number of its host."""

    scheme: str
    host: str
    port: int
    number: str  # the address that is connected to
    path: str  # with its query


@dataclass
class Hosts:
    """The hosts that may be asked.

    A host has a public address, unless the plan trusts it by name. A name is resolved once, and its number is pinned:
    a second answer of the name server changes nothing.
    """

    allowed: frozenset[str]
    trusted: frozenset[str] = frozenset()
    _numbers: dict[tuple[str, int], str] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def target(self, address: str) -> Target:
        """Return where to connect to for an address.

        Raises:
            UnderoakError: E715 a host that is not in the catalogue, is private, or would be asked without encryption;
                E711 one that cannot be resolved.
        """
        try:
            parts = urlsplit(address)
            port = parts.port or (443 if parts.scheme == "https" else 80)
        except ValueError:
            raise _refused(address, "is no address", "correct it in the catalogue") from None
        host = (parts.hostname or "").lower()
        if parts.scheme not in ("http", "https") or not host or parts.username is not None:
            raise _refused(address, "is not an address of a file on the web", "correct it in the catalogue")
        if host not in self.allowed:
            raise _refused(address, f"the host {host} is not in the catalogue", "correct the address in the catalogue")
        if parts.scheme != "https" and host not in self.trusted:
            raise _refused(address, f"{host} would be asked without encryption", f"use https; {_TRUST_FIX}")
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        if not (path.isascii() and path.isprintable() and " " not in path):
            raise _refused(address, "holds characters that no address has", "correct it in the catalogue")
        return Target(parts.scheme, host, port, self._number(address, host, port), path)

    def _number(self, address: str, host: str, port: int) -> str:
        with self._lock:
            if (host, port) not in self._numbers:
                self._numbers[host, port] = self._resolved(address, host, port)
            return self._numbers[host, port]

    def _resolved(self, address: str, host: str, port: int) -> str:
        try:
            answers = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except OSError as error:
            what = f"the host {host} cannot be reached ({error.strerror or error})"
            fix = "check the network connection, or use --offline"
            raise UnderoakError(Fault("E711", what, address, fix)) from error
        numbers = [str(answer[4][0]) for answer in answers]
        private = [number for number in numbers if not is_public(number)]
        if private and host not in self.trusted:
            what = f"the host {host} is at {private[0]}, which is not a public address"
            raise _refused(address, what, _TRUST_FIX)
        return numbers[0]


def is_public(number: str) -> bool:
    """Return whether an IP address is one of the public network.

    >>> [is_public(n) for n in ("8.8.8.8", "127.0.0.1", "10.1.2.3", "169.254.169.254", "::1", "::ffff:127.0.0.1")]
    [True, False, False, False, False, False]
    """
    parsed = ipaddress.ip_address(number.partition("%")[0])
    mapped = getattr(parsed, "ipv4_mapped", None)
    parsed = mapped if mapped is not None else parsed
    return parsed.is_global and not parsed.is_multicast


def host_of(address: str) -> str:
    """Return the host of an address or an address pattern, in lower case."""
    return (urlsplit(address).hostname or "").lower()


def _refused(address: str, what: str, fix: str) -> UnderoakError:
    return UnderoakError(Fault("E715", what, address, fix))
