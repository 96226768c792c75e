"""Compress a tar as it is read; the same tar gives the same bytes with the same library.

Sources: RFC 1952 section 2.3 (gzip header without name and time), RFC 8878 section 3.1.1
(Zstandard frame with its content size and checksum).
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Callable, Iterator
from typing import Protocol

import zstandard

__all__ = ["Compressed", "Sized", "gzip_blocks", "zstd_blocks"]

_GZIP_LEVEL = 6
_ZSTD_LEVEL = 3
# The library keeps several such pieces waiting, the more the more threads: this many bytes
# and threads hold it below 100 MiB. Another size would give other bytes.
_ZSTD_JOB_BYTES = 1 << 21
_MOST_THREADS = 4
# Deflate, no flags, no time, no extra flags, unknown system.
_GZIP_HEADER = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
_FEW_BYTES = 1 << 18


class Sized(Protocol):
    """A stream of known size that can be begun anywhere."""

    @property
    def size(self) -> int:
        """Bytes of the whole stream."""

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield the bytes from an offset on."""


class Compressed:
    """A compressed stream; to begin in its middle all before is made again and left out.

    Parameters
    ----------
    name : str
        File name of the package.
    inner : Sized
        What is compressed.
    compress : callable
        Turns the inner stream into compressed blocks.
    """

    size: None = None

    def __init__(
        self, name: str, inner: Sized, compress: Callable[[Sized], Iterator[bytes]]
    ) -> None:
        self.name = name
        self._inner = inner
        self._compress = compress

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield the compressed bytes from an offset on."""
        position = 0
        for block in self._compress(self._inner):
            position += len(block)
            if position > start:
                yield block[max(0, len(block) - (position - start)) :]


def gzip_blocks(inner: Sized) -> Iterator[bytes]:
    """Compress as one gzip member."""
    deflate = zlib.compressobj(_GZIP_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    checksum = size = 0
    waiting = bytearray(_GZIP_HEADER)
    for block in inner.blocks():
        checksum = zlib.crc32(block, checksum)
        size += len(block)
        waiting += deflate.compress(block)
        if len(waiting) >= _FEW_BYTES:
            yield bytes(waiting)
            waiting.clear()
    waiting += deflate.flush()
    waiting += struct.pack("<2L", checksum, size & 0xFFFFFFFF)
    yield bytes(waiting)


def zstd_blocks(inner: Sized, threads: int | None = None) -> Iterator[bytes]:
    """Compress as one Zstandard frame, which is the same whatever the number of threads."""
    parameters = zstandard.ZstdCompressionParameters.from_level(
        _ZSTD_LEVEL,
        threads=threads or min(os.cpu_count() or 1, _MOST_THREADS),
        job_size=_ZSTD_JOB_BYTES,
        write_content_size=True,
        write_checksum=True,
    )
    deflate = zstandard.ZstdCompressor(compression_params=parameters).compressobj(size=inner.size)
    waiting = bytearray()
    for block in inner.blocks():
        waiting += deflate.compress(block)
        if len(waiting) >= _FEW_BYTES:
            yield bytes(waiting)
            waiting.clear()
    waiting += deflate.flush()
    yield bytes(waiting)
