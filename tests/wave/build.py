"""Wave files put together byte by byte, so that tests need no writer to be right."""

from __future__ import annotations

import struct
from pathlib import Path

PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")
FLOAT_GUID = bytes.fromhex("0300000000001000800000aa00389b71")


def chunk(chunk_id: bytes, payload: bytes, *, size: int | None = None, pad: bool = True) -> bytes:
    """A chunk with its true size, or with another one."""
    declared = len(payload) if size is None else size
    padding = b"\0" if pad and len(payload) % 2 else b""
    return chunk_id + struct.pack("<I", declared) + payload + padding


def fmt(
    *,
    tag: int = 1,
    channels: int = 1,
    rate: int = 48000,
    bits: int = 16,
    block_align: int | None = None,
    byte_rate: int | None = None,
    rest: bytes = b"",
) -> bytes:
    """A ``fmt `` chunk that is right, or wrong where told."""
    align = channels * ((bits + 7) // 8) if block_align is None else block_align
    rate_bytes = rate * align if byte_rate is None else byte_rate
    payload = struct.pack("<HHIIHH", tag, channels, rate, rate_bytes & 0xFFFFFFFF, align, bits)
    return chunk(b"fmt ", payload + rest)


def extensible(
    *, channels: int, bits: int, valid: int, guid: bytes = PCM_GUID, mask: int = 0
) -> bytes:
    """A 40-byte ``fmt `` chunk."""
    return fmt(
        tag=0xFFFE,
        channels=channels,
        bits=bits,
        rest=struct.pack("<HHI", 22, valid, mask) + guid,
    )


def riff(*chunks: bytes, form: bytes = b"RIFF", size: int | None = None) -> bytes:
    """A file of these chunks with its true size, or with another one."""
    body = b"WAVE" + b"".join(chunks)
    return form + struct.pack("<I", len(body) if size is None else size) + body


def ds64(
    riff_bytes: int, data_bytes: int, frames: int, table: bytes = b"", length: int | None = None
) -> bytes:
    """A ``ds64`` chunk."""
    count = len(table) // 12 if length is None else length
    return chunk(b"ds64", struct.pack("<QQQI", riff_bytes, data_bytes, frames, count) + table)


def wave(samples: bytes = b"\1\2\3\4", *more: bytes) -> bytes:
    """The smallest mono file of 16 bits with these samples, and more chunks behind them."""
    return riff(fmt(), chunk(b"data", samples), *more)


def put(folder: Path, content: bytes, name: str = "take.wav") -> Path:
    """Write a file and return where."""
    path = folder / name
    path.write_bytes(content)
    return path
