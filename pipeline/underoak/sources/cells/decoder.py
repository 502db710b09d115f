"""The decoder: cells of TIFFs from the network, decoded in a process of its own with limits."""

from __future__ import annotations

import contextlib
import json
import os
import struct
import subprocess
import sys
import threading
from multiprocessing import spawn
from typing import IO

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError

LIMIT_SECONDS = 120.0
_START = "from underoak.sources.cells.decoder_child import serve; serve()"
_MOST_HEADER = 4096


class Decoder:
    """A decoding process, started when it is needed and anew after a crash; use it in a `with` block."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Decoder:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def cells(self, data: bytes, band: int, shape: tuple[int, int], dtype: str, name: str) -> npt.NDArray[np.generic]:
        """Return the cells of one band of a TIFF, shape (rows, cols), which must be as its index says.

        Raises:
            UnderoakError: E230 what cannot be decoded, E232 what makes the decoder crash or hang.
        """
        with self._lock:
            process = self._running()
            assert process.stdin is not None
            assert process.stdout is not None
            watch = threading.Timer(LIMIT_SECONDS, process.kill)
            watch.start()
            most = shape[0] * shape[1] * np.dtype(dtype).itemsize
            try:
                process.stdin.write(struct.pack("<QI", len(data), band) + data)
                process.stdin.flush()
                header, body = _answer(process.stdout, most)
            except (OSError, EOFError, ValueError, struct.error) as error:
                self._end()
                what = f"decoding it ended the process that did so ({error})"
                fix = "the file is damaged and makes its decoder crash or hang: report it to its publisher"
                raise UnderoakError(Fault("E232", what, name, fix)) from error
            finally:
                watch.cancel()
        if "error" in header:
            what = f"cannot be decoded ({header['error']})"
            raise UnderoakError(
                Fault("E230", what, name, "run the same command again; if it stays, the file is damaged")
            )
        if header.get("dtype") != dtype or header.get("shape") != list(shape) or len(body) != most:
            what = f"decodes to {header.get('shape')} cells of {header.get('dtype')}; its index says {shape} of {dtype}"
            raise UnderoakError(Fault("E230", what, name, "the file is damaged: report it to its publisher"))
        return np.frombuffer(body, np.dtype(dtype).newbyteorder("<")).reshape(shape).astype(dtype)

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(
                [spawn.get_executable(), "-c", _START], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            )  # fmt: skip
        return self._process

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            self._process = None


def _answer(stream: IO[bytes], most: int) -> tuple[dict[str, object], bytes]:
    """Read an answer. The process may be in the hands of a hostile file: nothing in it is unpickled or run."""
    n_header, n_body = struct.unpack("<IQ", _exactly(stream, 12))
    if n_header > _MOST_HEADER or n_body > most:
        raise ValueError("its answer is too long")
    header = json.loads(_exactly(stream, n_header))
    if not isinstance(header, dict):
        raise ValueError("its answer is no answer")
    return header, _exactly(stream, n_body)


def _exactly(stream: IO[bytes], size: int) -> bytes:
    data = stream.read(size)
    if len(data) < size:
        raise EOFError("it ended")
    return data
