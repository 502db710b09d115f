"""NetCDF files and Zarr folders, opened undecoded, after a check that they can do no more than hold arrays."""

from __future__ import annotations

import contextlib
import json
import math
import os
import threading
import warnings
from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.base.errors import Fault, UnderoakError
from underoak.layers.files import MAX_BLOCK_BYTES, FileStamp, read_shortage
from underoak.layers.formats.read_watch import watch_read

if TYPE_CHECKING:
    import xarray as xr

MAX_ALONG_AXIS = 10_000_000
_MAX_FILES = 200_000
_MAX_JSON_BYTES = 64 * 2**20
_MAX_OPEN = 32
_HDF5 = b"\x89HDF\r\n\x1a\n"
# Compressors and filters that only turn bytes into bytes. Others may run what a file brings (pickled objects, for one).
_CODECS = {
    "adler32", "astype", "bitround", "blosc", "bytes", "bz2", "crc32", "crc32c", "delta", "fixedscaleoffset",
    "fletcher32", "gzip", "lz4", "lzma", "packbits", "quantize", "sharding_indexed", "shuffle", "transpose", "zlib",
    "zstd",
}  # fmt: skip

_lock = threading.RLock()  # the HDF5 library serves one thread at a time
_open: OrderedDict[tuple[str, FileStamp], xr.Dataset] = OrderedDict()


def store_engine(path: Path) -> str:
    """Return the library for a store: `h5netcdf` or `scipy` by the first bytes, `zarr` for a folder, "" for neither."""
    if path.is_dir():
        return "zarr"
    with path.open("rb") as stream:
        head = stream.read(8)
    if head == _HDF5:
        return "h5netcdf"
    return "scipy" if head[:4] in (b"CDF\x01", b"CDF\x02") else ""


def check_store(path: Path, where: str) -> tuple[str, ...]:
    """Refuse a store that could read or run something else; return every file it consists of.

    Raises:
        UnderoakError: E230 not a store, E231 sizes out of bounds, E240 links, raw or virtual arrays and unknown
            codecs, E241 a Zarr folder with links that lead out of it.
    """
    kind = store_engine(path)
    try:
        with watch_read("its description", where):
            if kind == "zarr":
                return _check_zarr(path, where)
            if kind == "h5netcdf":
                _check_hdf5(path, where)
    except UnderoakError:
        raise
    except Exception as error:  # a damaged file makes the libraries raise almost anything
        raise read_shortage(error, "its description", where) or _read_fault(path, where, error) from error
    if not kind:
        what = f"{path} is not a NetCDF file: its first bytes are others"
        raise UnderoakError(Fault("E230", what, where, "give a classic or an HDF5-based NetCDF file"))
    return (str(path),)


@contextlib.contextmanager
def open_dataset(path: Path | str, stamp: FileStamp, what: str, where: str) -> Iterator[xr.Dataset]:
    """Open the store's undecoded dataset, once per process; failures inside the block become E230.

    One thread at a time for NetCDF; a Zarr store may be read by several.
    """
    guard = contextlib.nullcontext() if os.path.isdir(path) else _lock
    with guard:
        try:
            with watch_read(what, where):
                yield _dataset(str(path), stamp)
        except UnderoakError:
            raise
        except Exception as error:  # a damaged file makes the libraries raise almost anything
            raise read_shortage(error, what, where) or _read_fault(path, where, error, what) from error


def close_stores() -> None:
    """Close every store this process holds open."""
    with _lock:
        while _open:
            _open.popitem()[1].close()


def _dataset(path: str, stamp: FileStamp) -> xr.Dataset:
    import xarray as xr

    with _lock:
        key = (path, stamp)
        if key not in _open:
            engine = store_engine(Path(path))
            # Zarr's consolidated metadata is a copy that may differ from the descriptions that were checked
            options = {"consolidated": False} if engine == "zarr" else None
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # the libraries' remarks on a store are not for our user
                _open[key] = xr.open_dataset(path, engine=engine, decode_cf=False, cache=False, backend_kwargs=options)
            while len(_open) > _MAX_OPEN:
                (old_path, _), old = _open.popitem(last=False)
                if not os.path.isdir(old_path):  # others may be reading a Zarr store; it holds no file open
                    old.close()
        _open.move_to_end(key)
        return _open[key]


def _read_fault(path: Path | str, where: str, error: BaseException, what: str = "") -> UnderoakError:
    reason = (str(error).strip() or type(error).__name__).splitlines()[0][:200]
    fix = "the file is cut short or damaged: fetch it again and compare its checksum"
    return UnderoakError(Fault("E230", f"{what or path} cannot be read ({reason})", where, fix))


def _refuse(where: str, what: str) -> UnderoakError:
    fix = "write its arrays into a plain NetCDF file with a tool you trust, and name that"
    return UnderoakError(Fault("E240", what, where, fix))


def _check_hdf5(path: Path, where: str) -> None:
    import h5py

    with _lock, h5py.File(path, "r") as file:
        for name in file:
            link = file.get(name, getlink=True)
            if not isinstance(link, h5py.HardLink):
                raise _refuse(where, f'"{name}" in {path} is a link out of the file')
            item = file[name]
            if isinstance(item, h5py.Dataset):
                if item.is_virtual or item.external:
                    raise _refuse(where, f'"{name}" in {path} reads its numbers from another file')
                _check_shape(name, item.shape or (), item.chunks, item.dtype.itemsize, where)


def _check_shape(name: str, shape: tuple[int, ...], chunks: tuple[int, ...] | None, item: int, where: str) -> None:
    if any(n > MAX_ALONG_AXIS for n in shape):
        what = f'"{name}" claims {" x ".join(map(str, shape))} numbers'
        fix = f"an axis of more than {MAX_ALONG_AXIS:,} is not read: cut out your region first"
        raise UnderoakError(Fault("E231", what, where, fix))
    block = math.prod(chunks) * item if chunks else 0
    if block > MAX_BLOCK_BYTES:
        what = f'one stored block of "{name}" takes {block >> 20:,} MiB in memory'
        raise UnderoakError(Fault("E231", what, where, "write it again in smaller chunks"))


def _check_zarr(path: Path, where: str) -> tuple[str, ...]:
    files, is_described = [], False
    for folder, folders, names in os.walk(path):
        for name in (*folders, *names):
            full = os.path.join(folder, name)
            if os.path.islink(full):
                what = f"{full} is a link: a Zarr folder must hold its own files"
                raise UnderoakError(Fault("E241", what, where, "copy the store with its links resolved"))
        for name in names:
            full = os.path.join(folder, name)
            files.append(full)
            if name in {".zarray", ".zgroup", ".zmetadata", "zarr.json"}:
                is_described = True
                _check_document(full, where)
        if len(files) > _MAX_FILES:
            what = f"{path} consists of more than {_MAX_FILES:,} files"
            raise UnderoakError(Fault("E243", what, where, "write it again in larger chunks, or cut out your region"))
    if not is_described:
        raise UnderoakError(
            Fault("E230", f"{path} is not a Zarr store: it has no description of its arrays", where, "check the name")
        )
    return tuple(sorted(files))


def _check_document(full: str, where: str) -> None:
    if os.path.getsize(full) > _MAX_JSON_BYTES:
        raise UnderoakError(Fault("E231", f"{full} is too large for a description", where, "write the store again"))
    with open(full, encoding="utf-8") as stream:
        _check_node(json.load(stream), full, where)


def _check_node(node: Any, full: str, where: str) -> None:
    """Check every array description inside a document, consolidated ones too."""
    if isinstance(node, list):
        for part in node:
            _check_node(part, full, where)
        return
    if not isinstance(node, dict):
        return
    for key in ("compressor", "filters", "codecs", "index_codecs", "storage_transformers", "serializer"):
        for codec in _as_list(node.get(key)):
            name = codec.get("id", codec.get("name")) if isinstance(codec, dict) else codec
            if str(name).removeprefix("numcodecs.") not in _CODECS:
                raise _refuse(where, f'{full} uses "{str(name)[:40]}", which is not on the list of safe codecs')
    if "shape" in node and isinstance(node["shape"], list):
        kind = str(node.get("dtype", node.get("data_type", "")))
        if "O" in kind or "object" in kind:
            raise _refuse(where, f"{full} holds objects rather than numbers")
        grid = node.get("chunk_grid")
        chunks = node.get("chunks") or (grid or {}).get("configuration", {}).get("chunk_shape") or ()
        _check_shape(os.path.dirname(full), tuple(node["shape"]), tuple(chunks) or None, _item_bytes(kind), where)
    for key, value in node.items():
        if key != "attributes":
            _check_node(value, full, where)


def _as_list(value: Any) -> list[Any]:
    return [] if value is None else value if isinstance(value, list) else [value]


def _item_bytes(kind: str) -> int:
    """Return the bytes of one number, from type names such as `<f4` and `float32`."""
    digits = "".join(c for c in kind if c.isdigit())
    size = int(digits) if digits else 8
    return size if kind[:1] in "<>|" else max(size // 8, 1)
