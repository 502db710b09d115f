"""The raster library's settings and open files."""

from __future__ import annotations

import threading

import pytest
from rasterio.env import getenv, hasenv

from underoak.layers.formats.gdal import env


def in_force() -> bool:
    return hasenv() and getenv().get("GDAL_PAM_ENABLED") == "NO"


def test_the_settings_stay_in_force_until_the_outermost_use_ends():
    with env():
        with env():
            assert in_force()
        assert in_force()
    assert not in_force()


def test_a_failure_ends_them():
    with pytest.raises(ValueError, match="stop"), env(), env():
        raise ValueError("stop")
    assert not in_force()
    with env():
        assert in_force()


def test_every_thread_has_its_own():
    found = []
    with env():
        thread = threading.Thread(target=lambda: found.append(in_force()))
        thread.start()
        thread.join()
    assert found == [False]
