"""What all tests share."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from noise import noise_country


@pytest.fixture(scope="session", autouse=True)
def cache_of_the_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What runs remember of their inputs goes to a folder of the tests; one reader process serves many of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("UNDEROAK_CACHE", str(tmp_path_factory.mktemp("cache")))
        patch.setenv("UNDEROAK_READER_SECONDS", "300")
        yield


@pytest.fixture(scope="session")
def country(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict, Path]:
    """The plan and the folder its files lie in."""
    folder = tmp_path_factory.mktemp("country")
    return noise_country(folder), folder


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The slowest file comes first, so that no process waits for it at the end.

    The cluster's tests come last: they leave threads behind, beside which every run starts an interpreter.
    """
    order = {"test_unkillable.py": 0, "test_cluster.py": 2}
    items.sort(key=lambda item: order.get(item.path.name, 1))


# A shell starts what it puts in the background with Ctrl-C ignored, nohup what it starts with SIGHUP ignored, and so
# would be what the tests start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

# compiling kernels the first time takes longer than any deadline
settings.register_profile("underoak", deadline=None)
settings.load_profile("underoak")
