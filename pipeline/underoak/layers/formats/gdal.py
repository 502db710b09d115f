"""The one place where the raster library is set up and its files are opened: few drivers, no network, no code."""

from __future__ import annotations

import contextlib
import logging
import threading
import warnings
from collections import OrderedDict
from collections.abc import Callable, Iterator
from typing import Any

import rasterio
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from underoak.base.errors import Fault, UnderoakError
from underoak.layers.formats.read_watch import watch_read

DRIVERS = ("GTiff", "COG", "VRT")
# They are set for the thread that reads, which wins over the environment's own settings of the same names.
OPTIONS: dict[str, Any] = {
    "GDAL_VRT_ENABLE_PYTHON": "NO",  # a mosaic is data, never a program
    "GDAL_VRT_ENABLE_RAWRASTERBAND": "NO",
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",  # what lies beside a file does not change what it holds
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_GEOREF_SOURCES": "INTERNAL",
    "GDAL_CACHEMAX": 40 * 2**20,  # bytes: given as a number, it is not taken for megabytes
    "GDAL_NUM_THREADS": 1,  # the engine has its own workers
    "VRT_NUM_THREADS": 1,
    "VRT_SHARED_SOURCE": 0,  # a handle belongs to one thread
    "GDAL_FORCE_CACHING": "NO",
    "GTIFF_IGNORE_READ_ERRORS": "NO",  # a failed read is an error
    "GTIFF_POINT_GEO_IGNORE": "NO",  # coordinates of cell centres are shifted to the cells' corner
    "GTIFF_HONOUR_NEGATIVE_SCALEY": "NO",
    "GTIFF_REPORT_COMPD_CS": "YES",
    "TIFF_USE_OVR": "NO",
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "/none",
    "CPL_DEBUG": "OFF",
}
_HANDLES_KEPT = 24

logging.getLogger("rasterio").addHandler(logging.NullHandler())  # what matters is raised; nothing else is printed


class _Own(threading.local):
    """What is one thread's own: open files, the latest used last, and whether the settings are in force."""

    def __init__(self) -> None:
        self.open: OrderedDict[Any, Any] = OrderedDict()
        self.is_inside = False


_own = _Own()
_opening = threading.Lock()  # what is done to warnings is done for all threads


@contextlib.contextmanager
def gdal_settings() -> Iterator[None]:
    """The settings under which everything is read; enter it around each use, at little cost where it is in force."""
    if _own.is_inside:
        yield
        return
    with rasterio.Env(**OPTIONS):
        _own.is_inside = True
        try:
            yield
        finally:
            _own.is_inside = False


def open_raster(name: str, driver: str) -> Any:
    """A file (or a checked mosaic's text) opened by one named driver, inside `env()`."""
    if driver not in DRIVERS:
        raise ValueError(f"{driver} is not read")
    with _opening, warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # it becomes a fault of its own
        return rasterio.open(name, driver=driver, sharing=False)


def cached_handle(key: Any, opener: Callable[[], Any]) -> Any:
    """This thread's handle for `key`, opened when it is not; at most a few dozen are kept and the oldest is closed."""
    handles = _own.open
    if key in handles:
        handles.move_to_end(key)
        return handles[key]
    handle = opener()
    handles[key] = handle
    while len(handles) > _HANDLES_KEPT:
        _, oldest = handles.popitem(last=False)
        oldest.close()
    return handle


def close_handles() -> None:
    """Close what this thread holds open; a thread that ends closes its own."""
    while _own.open:
        _, handle = _own.open.popitem()
        handle.close()


@contextlib.contextmanager
def report_read_errors(what: str, where: str) -> Iterator[None]:
    """Turn the library's failures inside into one E230 that says what was being read."""
    try:
        with gdal_settings(), watch_read(what, where):
            yield
    except (RasterioError, OSError, MemoryError, UnicodeDecodeError) as error:
        raise UnderoakError(_unread(what, where, error)) from error


def _unread(what: str, where: str, error: BaseException) -> Fault:
    deepest: BaseException = error
    while deepest.__cause__ is not None:
        deepest = deepest.__cause__
    reason = str(deepest).strip() or type(deepest).__name__
    fix = "the file is cut short or damaged: fetch it again and compare its checksum"
    return Fault("E230", f"{what} cannot be read ({reason[:200]})", where, fix)
