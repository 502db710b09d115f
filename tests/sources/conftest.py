from __future__ import annotations

import pytest

from local_host import Host


@pytest.fixture
def host():
    served = Host()
    yield served
    served.close()


@pytest.fixture(autouse=True)
def no_long_pauses(monkeypatch):
    monkeypatch.setattr("underoak.sources.fetch.remote_file._FIRST_PAUSE", 0.001)
