"""Portable Network Graphics, as far as the pictures need it: 8-bit RGB, written.

Source: W3C Portable Network Graphics (PNG) Specification, second edition, clauses 5, 9, 11.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt

__all__ = ["encode"]

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
Pixels = npt.NDArray[np.uint8]


def encode(pixels: Pixels) -> bytes:
    """Write a picture, shape (rows, columns, 3).

    Each row takes the filter whose differences are smallest in sum, as clause 12.8 of
    the specification advises.
    """
    rows, columns, _ = pixels.shape
    lines = pixels.reshape(rows, -1).astype(np.int16)
    left = np.pad(lines, ((0, 0), (3, 0)))[:, :-3]
    up = np.pad(lines, ((1, 0), (0, 0)))[:-1]
    corner = np.pad(left, ((1, 0), (0, 0)))[:-1]
    filtered = np.stack(
        [
            lines,
            lines - left,
            lines - up,
            lines - (left + up) // 2,
            lines - _paeth(left, up, corner),
        ]
    ).astype(np.uint8)
    cost = np.abs(filtered.view(np.int8).astype(np.int64)).sum(axis=2)
    best = cost.argmin(axis=0)
    raw = np.empty((rows, lines.shape[1] + 1), dtype=np.uint8)
    raw[:, 0] = best
    raw[:, 1:] = filtered[best, np.arange(rows)]
    header = struct.pack(">IIBBBBB", columns, rows, 8, 2, 0, 0, 0)
    return (
        _SIGNATURE
        + _chunk(b"IHDR", header)
        + _chunk(b"IDAT", zlib.compress(raw.tobytes(), 9))
        + _chunk(b"IEND", b"")
    )


def _chunk(name: bytes, payload: bytes) -> bytes:
    check = zlib.crc32(name + payload)
    return struct.pack(">I", len(payload)) + name + payload + struct.pack(">I", check)


def _paeth(
    left: npt.NDArray[np.integer], up: npt.NDArray[np.integer], corner: npt.NDArray[np.integer]
) -> npt.NDArray[np.integer]:
    guess = left + up - corner
    to_left, to_up, to_corner = abs(guess - left), abs(guess - up), abs(guess - corner)
    nearest_left = (to_left <= to_up) & (to_left <= to_corner)
    return np.where(nearest_left, left, np.where(to_up <= to_corner, up, corner))
