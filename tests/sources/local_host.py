"""A local host of open data, with ranges and the faults of real ones; and files as the catalogue describes them."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin
from rasterio.windows import Window

from underoak.base import crs as _crs

SHIPPED = Path(__file__).parents[2] / "configs" / "sources"
IGH = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"
PLACE = (4.93, 44.13)  # longitude and latitude: hills in Provence

Fault = Callable[[int, str, "tuple[int, int] | None"], str]  # of request number, path and span: a mode


class Host:
    """A server of a dictionary of files; `fault` says what goes wrong with a request."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.etags: dict[str, str] = {}
        self.fault: Fault = lambda n, path, span: ""
        self.requests: list[tuple[str, str]] = []  # path and range
        self._lock = threading.Lock()
        host = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *args: object) -> None:
                pass

            def do_GET(self) -> None:
                host.answer(self)

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    @property
    def root(self) -> str:
        return f"http://127.0.0.1:{self.server.server_port}"

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        span = None
        match = re.fullmatch(r"bytes=(\d+)-(\d+)", request.headers.get("Range", ""))
        with self._lock:
            self.requests.append((request.path, request.headers.get("Range", "")))
            n = len(self.requests)
        data = self.files.get(request.path)
        if match and data is not None:
            span = int(match[1]), min(int(match[2]) + 1, len(data))
        mode = self.fault(n, request.path, span)
        if mode == "drop":
            request.connection.close()
            request.close_connection = True
            return
        if mode in ("503", "404", "429") or data is None:
            self._send(request, int(mode) if mode.isdigit() else 404, b"no")
            return
        if mode.startswith("redirect "):
            self._send(request, 302, b"", {"Location": mode.split(" ", 1)[1]})
            return
        tag = self.etags.get(request.path, '"' + hashlib.md5(data).hexdigest() + '"')
        headers = {"ETag": tag if mode != "swap" else '"other"', "Last-Modified": "Mon, 02 Nov 2026 10:00:00 GMT"}
        if mode == "html" or (mode == "no ranges" and span):
            self._send(request, 200, b"<html>busy</html>" if mode == "html" else data, headers)
            return
        if span is None:
            self._send(request, 200, changed(data, 0, mode), headers, cut=mode == "cut")
            return
        start, end = span
        if mode == "honest wrong range":
            shift = min(16, len(data) - end) or -16
            start, end = start + shift, end + shift
        body = data[start:end]
        if mode == "short":
            end, body = end - 7, body[:-7]
        if mode == "lying wrong range":
            body = (data + bytes(64))[start + 16 : end + 16]
        headers["Content-Range"] = f"bytes {start}-{end - 1}/{len(data)}"
        self._send(request, 206, changed(body, start, mode), headers, cut=mode == "cut")

    def _send(self, request: BaseHTTPRequestHandler, status: int, body: bytes, headers: dict[str, str] | None = None,
              cut: bool = False) -> None:  # fmt: skip
        request.send_response(status)
        for name, value in (headers or {}).items():
            request.send_header(name, value)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body[: len(body) // 2] if cut else body)
        if cut:
            request.wfile.flush()
            request.close_connection = True

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


def changed(body: bytes, start: int, mode: str) -> bytes:
    """Return a body whose cells are zeroed or shifted, with the header of the file as it was."""
    n_head = max(4096 - start, 0)
    if mode == "zeros":
        return body[:n_head] + bytes(max(len(body) - n_head, 0))
    if mode == "shifted":
        cells = body[n_head:]
        return body[:n_head] + cells[2000:] + cells[:2000]
    return body


def local_catalogue(folder: Path, root: str, *names: str) -> Path:
    """Write the shipped entries of some sets with addresses at a local host."""
    folder.mkdir(exist_ok=True)
    for name in names:
        text = (SHIPPED / f"{name}.yaml").read_text(encoding="utf-8")
        (folder / f"{name}.yaml").write_text(re.sub(r"https://", f"{root}/", text), encoding="utf-8")
    return folder


def tif(path: Path, cells: np.ndarray, left: float, top: float, cell: float, crs: str, **options: object) -> bytes:
    """Return the bytes of a GeoTIFF."""
    tags = options.pop("tags", {})
    scales = options.pop("scales", None)
    with rasterio.open(
        path, "w", driver="GTiff", height=cells.shape[0], width=cells.shape[1], count=1, dtype=cells.dtype, crs=crs,
        transform=from_origin(left, top, cell, cell), **options,
    ) as raster:  # fmt: skip
        raster.update_tags(**tags)
        if scales:
            raster.scales, raster.offsets = [scales[0]], [scales[1]]
        raster.write(cells, 1)
    return path.read_bytes()


def soil_tile(path: Path, seed: int = 1, **changes: object) -> tuple[str, bytes]:
    """Return name and bytes of a tile of soil pH: plain strips of int16 on the homolosine."""
    x, y = _crs.transformer("EPSG:4326", IGH).transform(*PLACE)
    col, row = int((x + 20037500) // 150000), int((8600750 - y) // 150000)
    name = f"tileSG-{row // 3:03d}-{col // 3:03d}"
    chance = np.random.default_rng(seed)
    cells = (60 + 20 * chance.random((600, 600))).astype(np.int16)
    options = {"nodata": -32768, "blockysize": 6} | changes
    left, top = options.pop("left", -20037500 + col * 150000), 8600750 - row * 150000
    data = tif(path, cells, left, top, options.pop("cell", 250.0), IGH, **options)
    return f"{name}/{name}_{row % 3 + 1}-{col % 3 + 1}", data


def sparse(path: Path, shape: tuple[int, int], left: float, top: float, cell: float, dtype: str, values: Callable,
           **options: object) -> bytes:  # fmt: skip
    """Return the bytes of a large tiled GeoTIFF that holds blocks around the place only."""
    scales, registration = options.pop("scales", None), options.pop("area_or_point", "Area")
    with rasterio.open(
        path, "w", driver="GTiff", height=shape[0], width=shape[1], count=1, dtype=dtype, crs="EPSG:4326",
        transform=from_origin(left, top, cell, cell), tiled=True, SPARSE_OK=True, **options,
    ) as raster:  # fmt: skip
        if scales:
            raster.scales, raster.offsets = [scales[0]], [scales[1]]
        raster.update_tags(AREA_OR_POINT=registration)
        side = options.get("blockxsize", 512)
        row = int((top - PLACE[1]) / cell) // side * side - side
        col = int((PLACE[0] - left) / cell) // side * side - side
        row, col = max(row, 0), max(col, 0)
        end_row, end_col = min(row + 3 * side, shape[0]), min(col + 3 * side, shape[1])
        window = Window(col, row, end_col - col, end_row - row)
        rows, cols = np.mgrid[row:end_row, col:end_col]
        raster.write(values(rows, cols).astype(dtype), 1, window=window)
    return path.read_bytes()
