"""The first metadata blocks of a FLAC file: what its encoder says of the sound.

Source: RFC 9639, sections 8.1, 8.2 (STREAMINFO) and 8.6 (Vorbis comment). Numbers in
the Vorbis comment are little-endian, all others big-endian.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

from archiver.errors import InputError

__all__ = ["StreamInfo", "read_flac_head"]

_STREAMINFO_BYTES = 34
_COMMENT = 4
_MOST_BLOCKS = 128
_LARGEST_COMMENT_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """``STREAMINFO`` and the texts of the Vorbis comment.

    Parameters
    ----------
    sample_rate_hz, channels, bits_per_sample : int
    frames : int, optional
        None when the encoder did not know.
    md5 : bytes, optional
        Of the decoded samples, little-endian; None when the encoder did not keep it.
    comments : tuple of (str, str)
        Field name in capitals, and text, in order.
    """

    sample_rate_hz: int
    channels: int
    bits_per_sample: int
    frames: int | None
    md5: bytes | None
    comments: tuple[tuple[str, str], ...]


def _comments(block: bytes) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    at = 4 + int.from_bytes(block[:4], "little")
    count = int.from_bytes(block[at : at + 4], "little")
    at += 4
    for _ in range(count):
        size = int.from_bytes(block[at : at + 4], "little")
        raw = block[at + 4 : at + 4 + size]
        if at + 4 + size > len(block):
            break
        name, equals, text = raw.decode("utf-8", "replace").partition("=")
        if equals:
            found.append((name.upper(), text))
        at += 4 + size
    return tuple(found)


def read_flac_head(file: BinaryIO, name: str) -> StreamInfo:
    """Read the metadata blocks in front of the first frame.

    Raises
    ------
    InputError
        There is no whole ``STREAMINFO``.
    """
    file.seek(4)
    header, block = file.read(4), file.read(_STREAMINFO_BYTES)
    if len(block) < _STREAMINFO_BYTES or header[0] & 0x7F:
        raise InputError(
            "the file ends within its first metadata block, or does not begin with STREAMINFO",
            where=name,
            accepted="a FLAC file as RFC 9639 describes it",
            remedy="Copy the file again from the recorder",
        )
    packed = int.from_bytes(block[10:18], "big")
    comments: tuple[tuple[str, str], ...] = ()
    last = header[0] & 0x80
    for _ in range(_MOST_BLOCKS):
        if last:
            break
        header = file.read(4)
        if len(header) < 4:
            break
        last, size = header[0] & 0x80, int.from_bytes(header[1:], "big")
        if header[0] & 0x7F == _COMMENT and size <= _LARGEST_COMMENT_BYTES:
            comments = _comments(file.read(size))
        else:
            file.seek(size, 1)
    return StreamInfo(
        sample_rate_hz=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits_per_sample=(packed >> 36 & 31) + 1,
        frames=(packed & (1 << 36) - 1) or None,
        md5=block[18:] if any(block[18:]) else None,
        comments=comments,
    )
