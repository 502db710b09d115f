"""The address of a cluster, checked to be safe before any connection."""

from __future__ import annotations

import contextlib
import ipaddress
import re
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from underoak.base.errors import Fault, UnderoakError

_FORMS = (
    'write "local:N" for N processes of this machine, or a scheduler\'s "tls://host:port" or "tcp://127.0.0.1:port"'
)
BY_TLS = "start scheduler and workers with certificates and write tls://; see docs/cluster.md"


@dataclass(frozen=True, slots=True)
class Address:
    """The address of workers: `local:N`, or a scheduler.

    >>> Address.parse("local:4"), Address.parse("tls://head:8786")
    (Address(text='local:4', processes=4), Address(text='tls://head:8786', processes=0))
    """

    text: str
    processes: int = 0  # of this machine; 0: a scheduler's workers

    @classmethod
    def parse(cls, text: str) -> Address:
        """Parse an address.

        Raises:
            ValueError: when it has no known form.
        """
        if match := re.fullmatch(r"local:([1-9]\d{0,3})", text):
            return cls(text, int(match[1]))
        with contextlib.suppress(ValueError):
            parts = urlsplit(text)
            plain = not parts.username and parts.netloc == text[6:]
            if parts.scheme in ("tcp", "tls") and parts.hostname and parts.port and plain:
                return cls(text)
        raise ValueError(f'"{text}" names no cluster: {_FORMS}')

    @classmethod
    def usable(cls, text: str | None) -> Address | None:
        """Return the address if a run may use it, before any connection; None for None.

        Raises:
            ValueError: when it has no known form.
            UnderoakError: E703 without the libraries for it, E704 for a plain connection to another machine.
        """
        if text is None:
            return None
        address = cls.parse(text)
        library()
        if not address.processes:
            refuse_plain(address.text, "it")
        return address


def library() -> Any:
    """Return the module `distributed`, which has no types.

    Raises:
        UnderoakError: E703 when it is not installed.
    """
    try:
        import distributed
    except ImportError as error:
        what = f"dask and distributed are not installed ({error})"
        raise UnderoakError(Fault("E703", what, "cluster", "pip install underoak[cluster]")) from error
    return distributed


def refuse_plain(address: str, who: str) -> None:
    """Refuse an address that others can reach without a certificate.

    Raises:
        UnderoakError: E704.
    """
    parts = urlsplit(address)
    if parts.scheme == "tcp" and not _is_loopback(parts.hostname or ""):
        what = f"{who} speaks plain tcp on a network: anyone there could send code to the workers and to this process"
        raise UnderoakError(Fault("E704", what, address, BY_TLS))


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
