"""Inflate a package while counting, so that little never becomes too much.

Sources: RFC 1952 (gzip), RFC 8878 (Zstandard).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

import zstandard

from archiver.package.form import Form
from archiver.package.incoming import Incoming
from archiver.package.limits import RATIO_FROM_BYTES, Limits
from archiver.package.package_rules import (
    COMPRESSION_DAMAGED,
    RATIO,
    TRAILING_DATA,
    TRUNCATED,
    WINDOW,
)
from archiver.package.refusal import PackageDamagedError, PackageRefusedError

__all__ = ["content_bytes", "inflated"]

_OUT_BYTES = 1 << 20
# A block of Zstandard takes four bytes at least and gives 128 KiB at most; from so few bytes
# no more memory can be asked for than 128 MiB before the ratio is looked at.
_ZSTD_IN_BYTES = 1 << 12
_ZSTD_WINDOW_BYTES = 1 << 27
_GZIP = b"\x1f\x8b"


@dataclass(slots=True, kw_only=True)
class Inflation:
    """Counts what went in and came out, and stops what comes out of nearly nothing."""

    incoming: Incoming
    limits: Limits
    bytes_in: int = field(default=0)
    bytes_out: int = field(default=0)

    def count(self, consumed: int, produced: int) -> None:
        """Count; raise when there is too much of it."""
        self.bytes_in += consumed
        self.bytes_out += produced
        if (
            self.bytes_out > RATIO_FROM_BYTES
            and self.bytes_out > self.limits.most_ratio * self.bytes_in
        ):
            raise self.incoming.refused(
                RATIO,
                f"{self.bytes_in} bytes have unpacked to {self.bytes_out} so far",
                accepted=f"{self.limits.most_ratio:g} times at most",
            )


def content_bytes(incoming: Incoming, form: Form) -> int | None:
    """Tell how large the tar inside is said to be; None if nothing says it."""
    if form is Form.TAR:
        return incoming.size
    if form is Form.TAR_ZST:
        try:
            said = zstandard.get_frame_parameters(incoming.read_at(0, min(18, incoming.size)))
        except zstandard.ZstdError:
            return None
        # 2**64-1 and 2**64-2 stand for "not said" and "no frame".
        return said.content_size if 0 < said.content_size < 1 << 63 else None
    return None


def inflated(incoming: Incoming, form: Form, limits: Limits) -> Iterator[bytes]:
    """Yield the bytes of the tar in a package.

    Raises
    ------
    PackageDamagedError
        The compressed data is damaged or cut off.
    PackageRefusedError
        It unpacks to too much, or something stands behind it.
    """
    if form is Form.TAR:
        return incoming.blocks()
    inflation = Inflation(incoming=incoming, limits=limits)
    return (_gunzipped if form is Form.TAR_GZ else _unzstd)(incoming, inflation)


def _gunzipped(incoming: Incoming, inflation: Inflation) -> Iterator[bytes]:
    inflate = zlib.decompressobj(zlib.MAX_WBITS | 16)
    fresh = True
    for block in incoming.blocks():
        waiting = block
        while waiting:
            if inflate.eof:
                if not waiting.startswith(_GZIP[: len(waiting)]):
                    raise _behind(incoming)
                inflate = zlib.decompressobj(zlib.MAX_WBITS | 16)
            fresh = False
            try:
                out = inflate.decompress(waiting, _OUT_BYTES)
            except zlib.error as error:
                raise _broken(incoming, inflation, str(error)) from error
            rest = inflate.unused_data if inflate.eof else inflate.unconsumed_tail
            inflation.count(len(waiting) - len(rest), len(out))
            waiting = rest
            if out:
                yield out
    if fresh or not inflate.eof:
        raise incoming.damaged(TRUNCATED, "the compressed data ends before its end")


def _unzstd(incoming: Incoming, inflation: Inflation) -> Iterator[bytes]:
    decompressor = zstandard.ZstdDecompressor(max_window_size=_ZSTD_WINDOW_BYTES)
    inflate = decompressor.decompressobj()
    fresh = True
    for block in incoming.blocks():
        for begin in range(0, len(block), _ZSTD_IN_BYTES):
            waiting = block[begin : begin + _ZSTD_IN_BYTES]
            while waiting:
                if inflate.eof:
                    inflate = decompressor.decompressobj()
                fresh = False
                try:
                    out = inflate.decompress(waiting)
                except zstandard.ZstdError as error:
                    raise _zstd_error(incoming, inflation, str(error)) from error
                rest = inflate.unused_data if inflate.eof else b""
                inflation.count(len(waiting) - len(rest), len(out))
                waiting = rest
                if out:
                    yield out
    if fresh or not inflate.eof:
        raise incoming.damaged(TRUNCATED, "the compressed data ends before its end")


def _zstd_error(
    incoming: Incoming, inflation: Inflation, message: str
) -> PackageDamagedError | PackageRefusedError:
    if "memory" in message or "window" in message.lower():
        return incoming.refused(
            WINDOW, "unpacking takes more than 128 MiB of memory", accepted="128 MiB at most"
        )
    if "Unknown frame" in message:
        return _behind(incoming)
    return _broken(incoming, inflation, message)


def _broken(incoming: Incoming, inflation: Inflation, message: str) -> PackageDamagedError:
    return incoming.damaged(
        COMPRESSION_DAMAGED,
        f"the compressed data cannot be read on: {message}",
        offset=inflation.bytes_in,
    )


def _behind(incoming: Incoming) -> PackageRefusedError:
    return incoming.refused(
        TRAILING_DATA, "something stands behind the compressed data that is no part of it"
    )
