"""Checksums inside one stored block: Adler-32 at the end of a deflate stream, the content checksum of a zstd frame.

A deflate stream always has one (RFC 1950). A zstd frame may have one (RFC 8878), and the raster library writes none.
LERC has its own, which its decoder verifies at every read. LZW, PackBits and plain blocks have none.
"""

from __future__ import annotations

import zlib

DEFLATE, OLD_DEFLATE, ZSTD = 8, 32946, 50000  # codes of TIFF's compression tag
VERIFIED = frozenset({DEFLATE, OLD_DEFLATE, ZSTD})
_MAGIC = b"\x28\xb5\x2f\xfd"  # of a zstd frame
_HAS_CHECKSUM, _IS_SINGLE_SEGMENT = 0x04, 0x20


def damage(compression: int, data: bytes, most_bytes: int) -> str:
    """Return what is wrong with the bytes of a stored block; empty if nothing is, or if it carries no checksum.

    Args:
        compression: the code of the compression.
        data: the stored bytes.
        most_bytes: what a block unpacks to, at most.

    >>> data = zlib.compress(bytes(100))
    >>> damage(DEFLATE, data, 100), damage(DEFLATE, data[:-1] + b"x", 100)
    ('', 'its checksum does not match')
    """
    return _zstd_damage(data, most_bytes) if compression == ZSTD else _deflate_damage(data, most_bytes)


def _deflate_damage(data: bytes, most_bytes: int) -> str:
    stream = zlib.decompressobj()
    try:
        unpacked = len(stream.decompress(data, most_bytes + 1))
    except zlib.error as error:
        return "its checksum does not match" if "data check" in str(error) else "it cannot be unpacked"
    if unpacked > most_bytes:
        return "it unpacks to more than a block"
    return "" if stream.eof else "it is cut short"


def _zstd_damage(data: bytes, most_bytes: int) -> str:
    size = _checked_size(data)
    if size < 0:
        return ""
    if size > most_bytes:
        return "it unpacks to more than a block"
    from numcodecs import zstd  # only such frames need it

    try:
        zstd.decompress(data)
    except RuntimeError as error:
        return "its checksum does not match" if "checksum" in str(error) else "it cannot be unpacked"
    return ""


def _checked_size(data: bytes) -> int:
    """Return the unpacked size of a zstd frame with a checksum; -1 if it has none or does not state its size."""
    if data[:4] != _MAGIC or len(data) < 5 or not data[4] & _HAS_CHECKSUM:
        return -1
    descriptor = data[4]
    is_single = bool(descriptor & _IS_SINGLE_SEGMENT)
    width = (1 if is_single else 0, 2, 4, 8)[descriptor >> 6]
    start = 5 + (0 if is_single else 1) + (0, 1, 2, 4)[descriptor & 3]
    if not width or len(data) < start + width:
        return -1
    return int.from_bytes(data[start : start + width], "little") + (256 if width == 2 else 0)
