"""The raster library's settings and open files."""

from __future__ import annotations

import threading

import pytest
from rasterio.env import getenv, hasenv

from underoak.layers.formats.gdal import gdal_settings


def in_force() -> bool:
    return hasenv() and getenv().get("GDAL_PAM_ENABLED") == "NO"


def test_the_settings_stay_in_force_until_the_outermost_use_ends():
    with gdal_settings():
        with gdal_settings():
            assert in_force()
        assert in_force()
    assert not in_force()


def test_a_failure_ends_them():
    with pytest.raises(ValueError, match="stop"), gdal_settings(), gdal_settings():
        raise ValueError("stop")
    assert not in_force()
    with gdal_settings():
        assert in_force()


def test_every_thread_has_its_own():
    found = []
    with gdal_settings():
        thread = threading.Thread(target=lambda: found.append(in_force()))
        thread.start()
        thread.join()
    assert found == [False]
