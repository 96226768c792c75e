"""What videos and pictures say beside what they show: private values, and where they were made.

Such files go into the bag as they are. Of a video everything but its samples is searched: the
boxes of MP4 and QuickTime (ISO/IEC 14496-12, 4.2) and the elements of Matroska (RFC 9559), and
what FFmpeg's libraries read as its metadata. Of JPEG, PNG, TIFF, WebP and HEIC every byte is
searched, texts that PNG keeps compressed included (PNG Specification, 11.3.3).
"""

from __future__ import annotations

import contextlib
import html
import re
import struct
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from archiver import files
from archiver.describe import rules
from archiver.describe.withholding import Secret, Secrets
from archiver.errors import InputError
from archiver.findings import Finding, Where
from archiver.wave.capture import HEAD_BYTES, CaptureKind, identify

__all__ = ["in_media"]

_LARGEST_BYTES = 64 << 20
_LARGEST_TEXT_BYTES = 1 << 22
_PNG = b"\x89PNG\r\n\x1a\n"
_TIFF = (b"II*\0", b"MM\0*")
_HEIF = (b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"avif")

# ISO 6709, as ``©xyz`` and com.apple.quicktime.location.ISO6709 hold it: +48.7758+009.1829/
_PLACE = re.compile(r"[+-]\d{2,6}(?:\.\d+)?[+-]\d{3,7}(?:\.\d+)?")
_PLACE_KEY = re.compile(r"location|gps|xyz", re.IGNORECASE)
_PLACE_BOX = re.compile(rb"\xa9xyz.{4}[+-]\d{2,6}(?:\.\d+)?[+-]\d{3,7}", re.DOTALL)
_PLACE_KEYED = re.compile(rb"location\.ISO6709")
_XMP = re.compile(rb"<x:xmpmeta.*?</x:xmpmeta", re.DOTALL)
_PLACE_XMP = re.compile(rb"GPSL(?:ati|ongi)tude")

# Tags of Exif 2.32, 4.6.3 and 4.6.6: where the GPS directory lies, latitude, longitude.
_GPS_DIRECTORY = 0x8825
_LATITUDE, _LONGITUDE = 2, 4
_MOST_ENTRIES = 1000

_CLUSTER = 0x1F43B675
_SEGMENT = 0x18538067


def in_media(path: Path, name: str, secrets: Secrets) -> Iterator[Finding]:
    """Find what a video or a picture says of private values and of its place.

    Parameters
    ----------
    path : Path
        A file of any kind; of other kinds nothing is said.
    name : str
        What findings call it.
    secrets : Secrets
        What must not be found in public.

    Raises
    ------
    SurroundingsError
        It cannot be read.
    """
    with files.open_read(path, follow=False) as file, files.translated(path, "read"):
        head = file.read(HEAD_BYTES)
    if _is_picture(head):
        yield from _in_picture(path, name, secrets)
    elif _is_video(head):
        yield from _in_video(path, name, secrets)


def _is_video(head: bytes) -> bool:
    try:
        return identify(head, "") is CaptureKind.VIDEO
    except InputError:
        return False


def _is_picture(head: bytes) -> bool:
    return (
        head.startswith((b"\xff\xd8\xff", _PNG, *_TIFF))
        or (head[:4] == b"RIFF" and head[8:12] == b"WEBP")
        or (head[4:8] == b"ftyp" and head[8:12] in _HEIF)
    )


def _in_video(path: Path, name: str, secrets: Secrets) -> Iterator[Finding]:
    found: dict[str, tuple[Secret, str]] = {}
    placed = False
    for key, text in _metadata(path):
        for secret in secrets.found_in(text):
            found.setdefault(secret.text, (secret, f"the entry {key!r} of the video"))
        placed = placed or (_PLACE_KEY.search(key) is not None and bool(_PLACE.search(text)))
    with files.open_read(path, follow=False) as file, files.translated(path, "read"):
        for what, raw in _parts(file, files.status(path).size):
            for secret in _in_bytes(raw, secrets):
                found.setdefault(secret.text, (secret, f"the video, in its part {what!r},"))
            placed = placed or _PLACE_BOX.search(raw) is not None
            placed = placed or _PLACE_KEYED.search(raw) is not None
    for secret, what in found.values():
        yield rules.PRIVATE_IN_VIDEO.at(
            Where(file=name), f"{what} holds what is withheld at {secret.where}"
        )
    if placed:
        yield rules.POSITION.at(Where(file=name), "the video says where on earth it was made")


def _in_picture(path: Path, name: str, secrets: Secrets) -> Iterator[Finding]:
    if files.status(path).size > _LARGEST_BYTES:
        yield rules.PICTURE_TOO_LARGE.at(
            Where(file=name),
            f"the picture is larger than {_LARGEST_BYTES >> 20} MiB and was not looked into",
        )
        return
    raw = files.read_bytes(path, limit=_LARGEST_BYTES, follow=False)
    inner = b"\0".join(_png_texts(raw)) if raw.startswith(_PNG) else b""
    known = {one.text: one for part in (raw, inner) for one in _in_bytes(part, secrets)}
    for secret in known.values():
        yield rules.PRIVATE_IN_PICTURE.at(
            Where(file=name), f"the picture holds what is withheld at {secret.where}"
        )
    if _PLACE_XMP.search(raw) or _PLACE_XMP.search(inner) or _has_exif_place(raw):
        yield rules.POSITION.at(Where(file=name), "the picture says where on earth it was made")


def _in_bytes(raw: bytes, secrets: Secrets) -> list[Secret]:
    found = {one.text: one for one in secrets.found_in_bytes(raw)}
    for packet in _XMP.findall(raw):
        text = html.unescape(packet.decode("utf-8", errors="replace"))
        found |= {one.text: one for one in secrets.found_in(text)}
    return list(found.values())


def _metadata(path: Path) -> Iterator[tuple[str, str]]:
    """Yield the entries that FFmpeg's libraries read from a video and from its tracks."""
    import av  # noqa: PLC0415 - slow to load, and most sessions have no video
    import av.error  # noqa: PLC0415

    faults = (av.error.FFmpegError, OSError, ValueError, EOFError, UnicodeError)
    with files.open_read(path, follow=False) as file:
        try:
            with av.open(file, metadata_errors="replace") as container:
                groups: list[Mapping[str, str]] = [container.metadata]
                groups += [stream.metadata for stream in container.streams]
        except faults:
            return  # that it cannot be opened is said where its sound is read
    for group in groups:
        yield from group.items()


def _parts(file: BinaryIO, size: int) -> Iterator[tuple[str, bytes]]:
    """Yield everything in a video but its samples."""
    file.seek(0)
    if file.read(4) == b"\x1a\x45\xdf\xa3":
        yield from _elements(file, 0, size)
    else:
        yield from _boxes(file, size)


def _boxes(file: BinaryIO, size: int) -> Iterator[tuple[str, bytes]]:
    at = 0
    while at + 8 <= size:
        file.seek(at)
        head = file.read(16)
        length, kind = struct.unpack(">I4s", head[:8])
        if length == 1 and len(head) == 16:
            (length,) = struct.unpack(">Q", head[8:])
        elif length == 0:
            length = size - at
        if length < 8:
            return
        if kind != b"mdat":
            file.seek(at)
            yield kind.decode("latin-1"), file.read(min(length, size - at, _LARGEST_BYTES))
        at += length


def _elements(file: BinaryIO, at: int, end: int) -> Iterator[tuple[str, bytes]]:
    while at < end:
        file.seek(at)
        head = file.read(12)
        number, width = _vint(head, keep=True)
        length, more = _vint(head[width:], keep=False)
        if not width or not more:
            return
        begin = at + width + more
        # All ones mean that the length is not known (RFC 8794, 6.2): only to the end, then.
        unknown = length == (1 << (7 * more)) - 1
        stop = end if unknown else min(begin + length, end)
        if number == _SEGMENT:
            yield from _elements(file, begin, stop)
        elif number == _CLUSTER:
            if unknown:
                return
        else:
            file.seek(begin)
            yield f"0x{number:X}", file.read(min(stop - begin, _LARGEST_BYTES))
        at = stop


def _vint(raw: bytes, *, keep: bool) -> tuple[int, int]:
    """Read a number of variable length (RFC 8794, 4): its value and bytes; 0 bytes if broken."""
    width = 9 - raw[0].bit_length() if raw and raw[0] else 0
    if not width or len(raw) < width:
        return 0, 0
    value = int.from_bytes(raw[:width], "big")
    return (value if keep else value & ~(1 << (7 * width))), width


def _png_texts(raw: bytes) -> Iterator[bytes]:
    """Yield the compressed texts of a PNG, unpacked."""
    at = len(_PNG)
    while at + 12 <= len(raw):
        length, kind = struct.unpack(">I4s", raw[at : at + 8])
        body = raw[at + 8 : at + 8 + length]
        packed = b""
        if kind == b"zTXt":
            packed = body.partition(b"\0")[2][1:]
        elif kind == b"iTXt":
            rest = body.partition(b"\0")[2]
            if rest[:1] == b"\1":
                packed = rest[2:].partition(b"\0")[2].partition(b"\0")[2]
        if packed:
            with contextlib.suppress(zlib.error):
                yield zlib.decompressobj().decompress(packed, _LARGEST_TEXT_BYTES)
        at += 12 + length


def _has_exif_place(raw: bytes) -> bool:
    """Say whether a TIFF header stands anywhere whose first directory leads to a position.

    Exif begins so in each kind of picture, at a place that differs from kind to kind.
    """
    return any(
        _leads_to_place(raw, header.start()) for header in re.finditer(rb"II\*\0|MM\0\*", raw)
    )


def _leads_to_place(raw: bytes, base: int) -> bool:
    order = "<" if raw[base : base + 2] == b"II" else ">"

    def directory(offset: int) -> dict[int, int]:
        at = base + offset
        if at + 2 > len(raw):
            return {}
        (count,) = struct.unpack_from(f"{order}H", raw, at)
        if count > _MOST_ENTRIES or at + 2 + 12 * count > len(raw):
            return {}
        entries = (struct.unpack_from(f"{order}HHII", raw, at + 2 + 12 * n) for n in range(count))
        return {tag: value for tag, _, _, value in entries}

    if base + 8 > len(raw):
        return False
    (first,) = struct.unpack_from(f"{order}I", raw, base + 4)
    pointer = directory(first).get(_GPS_DIRECTORY)
    return pointer is not None and {_LATITUDE, _LONGITUDE} <= directory(pointer).keys()
