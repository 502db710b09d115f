"""What all tests share."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from hypothesis import settings

from noise import noise_country


@pytest.fixture(scope="session")
def country(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict, Path]:
    """The plan and the folder its files lie in."""
    folder = tmp_path_factory.mktemp("country")
    return noise_country(folder), folder


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The cluster's tests come last: they leave threads behind, beside which every run starts an interpreter."""
    items.sort(key=lambda item: item.path.name == "test_cluster.py")


# a shell starts what it puts in the background with Ctrl-C ignored, and so would be what the tests start
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# compiling kernels the first time takes longer than any deadline
settings.register_profile("underoak", deadline=None)
settings.load_profile("underoak")
