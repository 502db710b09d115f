"""Settings of the raster library, and the one place where it opens files: few drivers, no network, no code."""

from __future__ import annotations

import contextlib
import logging
import threading
import warnings
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator

import rasterio
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import DatasetReader

from underoak.base.errors import Fault, UnderoakError
from underoak.layers.files import read_shortage
from underoak.layers.formats.read_watch import watch_read

DRIVERS = ("GTiff", "COG", "VRT")
# Set for the thread that reads, which wins over environment variables of the same names.
OPTIONS: dict[str, str | int] = {
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
_MAX_HANDLES = 24

logging.getLogger("rasterio").addHandler(logging.NullHandler())  # failures are raised; nothing is printed


class _ThreadState(threading.local):
    """A thread's state: open files, the latest used last, and whether the settings are in force."""

    def __init__(self) -> None:
        self.handles: OrderedDict[Hashable, DatasetReader] = OrderedDict()
        self.is_inside = False


_thread = _ThreadState()
_open_lock = threading.Lock()  # filters of warnings hold for all threads


@contextlib.contextmanager
def gdal_settings() -> Iterator[None]:
    """Put the settings in force for a block; enter it around each use: a nested block costs little."""
    if _thread.is_inside:
        yield
        return
    with rasterio.Env(**OPTIONS):
        _thread.is_inside = True
        try:
            yield
        finally:
            _thread.is_inside = False


def open_raster(name: str, driver: str) -> DatasetReader:
    """Open a file (or a checked mosaic's text) with one named driver, inside `gdal_settings()`."""
    if driver not in DRIVERS:
        raise ValueError(f"{driver} is not read")
    with _open_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # it becomes a fault of its own
        return rasterio.open(name, driver=driver, sharing=False)


def cached_handle(key: Hashable, opener: Callable[[], DatasetReader]) -> DatasetReader:
    """Return this thread's handle for `key`, opened if need be; beyond a few dozen the oldest is closed."""
    handles = _thread.handles
    if key in handles:
        handles.move_to_end(key)
        return handles[key]
    handle = opener()
    handles[key] = handle
    while len(handles) > _MAX_HANDLES:
        _, oldest = handles.popitem(last=False)
        oldest.close()
    return handle


def close_handles() -> None:
    """Close all handles of this thread; call it before a thread ends."""
    while _thread.handles:
        _, handle = _thread.handles.popitem()
        handle.close()


@contextlib.contextmanager
def report_read_errors(what: str, where: str) -> Iterator[None]:
    """Turn the library's failures inside the block into one E230 that names what was being read."""
    try:
        with gdal_settings(), watch_read(what, where):
            yield
    except (RasterioError, OSError, MemoryError, UnicodeDecodeError) as error:
        raise read_shortage(error, what, where) or UnderoakError(_read_fault(what, where, error)) from error


def _read_fault(what: str, where: str, error: BaseException) -> Fault:
    deepest: BaseException = error
    while deepest.__cause__ is not None:
        deepest = deepest.__cause__
    reason = str(deepest).strip() or type(deepest).__name__
    fix = "the file is cut short or damaged: fetch it again and compare its checksum"
    return Fault("E230", f"{what} cannot be read ({reason[:200]})", where, fix)
