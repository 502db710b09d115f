"""Hosts: only those of the catalogue, only at public addresses, and each name resolved once."""

from __future__ import annotations

import socket

import pytest

from underoak.base.errors import UnderoakError
from underoak.sources.fetch.blob_store import BlobStore
from underoak.sources.fetch.hosts import Hosts, is_public


def answers(monkeypatch, *numbers: str) -> list[str]:
    """Have the name server answer with one number after the other."""
    asked: list[str] = []

    def getaddrinfo(host, port, **options):
        number = numbers[min(len(asked), len(numbers) - 1)]
        asked.append(host)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (number, port))]

    monkeypatch.setattr(socket, "getaddrinfo", getaddrinfo)
    return asked


@pytest.mark.parametrize(
    "number",
    ["127.0.0.1", "10.0.0.8", "192.168.1.1", "172.16.3.3", "169.254.169.254", "0.0.0.0", "224.0.0.1", "::1", "fe80::1",
     "fd00::1", "::ffff:10.0.0.8", "100.64.0.1"],
)  # fmt: skip
def test_a_name_at_a_private_number_is_refused_unless_trusted(monkeypatch, number):
    answers(monkeypatch, number)
    with pytest.raises(UnderoakError, match="E715"):
        Hosts(frozenset({"data.example"})).target("https://data.example/a.tif")
    trusting = Hosts(frozenset({"data.example"}), frozenset({"data.example"}))
    assert trusting.target("https://data.example/a.tif").number == number


def test_a_second_answer_of_the_name_server_changes_nothing(monkeypatch):
    asked = answers(monkeypatch, "93.184.216.34", "127.0.0.1")
    hosts = Hosts(frozenset({"data.example"}))
    first = hosts.target("https://data.example/a.tif?x=1")
    assert (first.number, first.port, first.path) == ("93.184.216.34", 443, "/a.tif?x=1")
    assert hosts.target("https://DATA.example/b.tif").number == first.number
    assert asked == ["data.example"]


@pytest.mark.parametrize(
    "address",
    ["http://data.example/a", "ftp://data.example/a", "https://other.example/a", "https://me:pw@data.example/a",
     "file:///etc/passwd", "https://data.example/a b", "https://data.example/a\r\nX: y", "https://data.example:99999/"],
)  # fmt: skip
def test_addresses_that_are_not_of_the_catalogue_or_not_encrypted_are_refused(monkeypatch, address):
    answers(monkeypatch, "93.184.216.34")
    with pytest.raises(UnderoakError, match="E715"):
        Hosts(frozenset({"data.example"})).target(address)


def test_public_numbers_are_public():
    assert is_public("93.184.216.34")
    assert is_public("2606:2800:220:1::1")


def test_the_store_keeps_within_its_bound_and_drops_what_was_used_longest_ago(tmp_path):
    import os

    store = BlobStore(tmp_path)
    names = [store.put(bytes([n]) * 1000) for n in range(8)]
    for n, name in enumerate(names):
        os.utime(tmp_path / "blobs" / name[:2] / name, (1000 + n, 1000 + n))
    fresh = BlobStore(tmp_path)
    assert fresh.get(names[0]) is not None  # used again
    fresh.prune(3000)
    left = {path.name for path in tmp_path.glob("blobs/*/*")}
    assert left == {names[0], names[6], names[7]}


def test_a_damaged_blob_is_not_given_out(tmp_path):
    store = BlobStore(tmp_path)
    name = store.put(b"cells")
    (tmp_path / "blobs" / name[:2] / name).write_bytes(b"cellz")
    assert store.get(name) is None
    assert store.get(store.put(b"cells")) == b"cells"
