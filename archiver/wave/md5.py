"""The ``MD5 `` chunk: digest of the payload of ``data`` alone.

Practice beside the United States federal audio guideline: 16 bytes, over the
sample bytes without header and pad byte. Files exist in both byte orders, so both
are taken on reading; digest order is written. It guards against damage, not forgery.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from archiver.wave.layout import broken

__all__ = ["ByteOrder", "Md5", "agreement", "decode", "encode"]

_BYTES = 16


class ByteOrder(enum.StrEnum):
    """How the sixteen bytes of a digest stand in the chunk."""

    DIGEST = "digest order"
    REVERSED = "reversed order"


@dataclass(frozen=True, slots=True, kw_only=True)
class Md5:
    """An ``MD5 `` payload: sixteen bytes as they stand."""

    stored: bytes

    def __post_init__(self) -> None:
        """Refuse any other length."""
        if len(self.stored) != _BYTES:
            raise ValueError(f"an MD5 digest has {_BYTES} bytes, not {len(self.stored)}")


def decode(payload: bytes) -> Md5:
    """Read an ``MD5 `` payload.

    Raises
    ------
    InputError
        It is not sixteen bytes long.
    """
    if len(payload) != _BYTES:
        raise broken("MD5", 0, f"is {len(payload)} bytes long", f"{_BYTES} bytes")
    return Md5(stored=payload)


def encode(record: Md5) -> bytes:
    """Write an ``MD5 `` payload."""
    return record.stored


def agreement(record: Md5, digest: bytes) -> ByteOrder | None:
    """Say in which order the chunk holds this digest; None when it holds another one."""
    if record.stored == digest:
        return ByteOrder.DIGEST
    if record.stored[::-1] == digest:
        return ByteOrder.REVERSED
    return None
