"""Digests of the sound alone: of each second, and of the whole.

With them a later reader tells altered metadata from altered sound, and finds the
seconds that are damaged. The record is kept in the bag as ``metadata/sound/<take>.json``;
its schema is ``sound-digests.schema.json``. The whole is covered by MD5 because stock
tools and the ``MD5 `` chunk of the file use it too; the blocks by SHA-256.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, cast

from archiver.errors import InputError
from archiver.signal.sampleformat import Bytes, SampleFormat

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = [
    "SOUND_DIRECTORY",
    "BlockDigester",
    "SoundDigests",
    "SpanDigester",
    "decode_sound_digests",
    "encode_sound_digests",
    "sound_digests_path",
]

SOUND_DIRECTORY = "metadata/sound"
_SCHEMA = "sound-digests 1"
_SHA256 = re.compile(r"[0-9a-f]{64}")
_MD5 = re.compile(r"[0-9a-f]{32}")
_LARGEST = 2**63 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDigests:
    """Where the samples of a master lie and what their digests are.

    Parameters
    ----------
    file : str
        Path of the master in the bag, such as ``data/masters/t01.wav``.
    file_bytes : int
        Size of the whole file.
    sample_format : SampleFormat
        How the samples lie in bytes.
    data_offset_bytes, data_bytes : int
        Place of the sample bytes in the file, and how many there are.
    frames_per_block : int
        Frames that one digest covers; the last block may be shorter.
    blocks : tuple of str
        SHA-256 of each block, lower-case hexadecimal.
    md5 : str
        MD5 of all sample bytes.

    Raises
    ------
    InputError
        A value contradicts another; it is named.
    """

    file: str
    file_bytes: int
    sample_format: SampleFormat
    data_offset_bytes: int
    data_bytes: int
    frames_per_block: int
    blocks: tuple[str, ...]
    md5: str

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for name in ("file_bytes", "data_offset_bytes", "data_bytes"):
            if not 0 <= getattr(self, name) <= _LARGEST:
                raise InputError(f"{name} is {getattr(self, name)}", accepted="0 or more")
        if self.data_offset_bytes + self.data_bytes > self.file_bytes:
            raise InputError(
                f"samples of {self.data_bytes} bytes from byte {self.data_offset_bytes} do not "
                f"fit into a file of {self.file_bytes} bytes"
            )
        if not 1 <= self.frames_per_block <= _LARGEST:
            raise InputError(f"blocks of {self.frames_per_block} frames", accepted="1 or more")
        count = -(-self.data_bytes // self.block_bytes)
        if len(self.blocks) != count:
            raise InputError(f"{len(self.blocks)} block digests", accepted=str(count))
        for number, digest in enumerate(self.blocks):
            if not _SHA256.fullmatch(digest):
                raise InputError(
                    f"digest {number} is {digest[:80]!r}", accepted="64 hexadecimal digits"
                )
        if not _MD5.fullmatch(self.md5):
            raise InputError(f"the MD5 is {self.md5[:80]!r}", accepted="32 hexadecimal digits")

    @property
    def block_bytes(self) -> int:
        """Bytes of a full block."""
        return self.frames_per_block * self.sample_format.frame_bytes

    @property
    def frames(self) -> int:
        """Whole frames of the sound."""
        return self.data_bytes // self.sample_format.frame_bytes

    @property
    def duration_s(self) -> float:
        """Length of the sound."""
        return self.frames / self.sample_format.sample_rate_hz

    def block_span(self, number: int) -> tuple[int, int]:
        """Return first frame and frame after the last of a block."""
        first = number * self.frames_per_block
        return first, min(first + self.frames_per_block, self.frames)


class BlockDigester:
    """Digests sample bytes as they pass, one SHA-256 a block and one MD5 of all.

    Parameters
    ----------
    sample_format : SampleFormat
        Gives the length of a frame and how many frames make a second.
    frames_per_block : int, optional
        One second by default.
    md5 : bool
        Whether to compute the MD5 of the whole.
    """

    def __init__(
        self,
        sample_format: SampleFormat,
        frames_per_block: int | None = None,
        *,
        md5: bool = True,
    ) -> None:
        self.sample_format = sample_format
        self.frames_per_block = frames_per_block or sample_format.sample_rate_hz
        self.data_bytes = 0
        self._block_bytes = self.frames_per_block * sample_format.frame_bytes
        self._whole = hashlib.md5(usedforsecurity=False) if md5 else None
        self._block = hashlib.sha256(usedforsecurity=False)
        self._missing = self._block_bytes
        self._digests: list[str] = []

    def feed(self, data: Bytes) -> None:
        """Take the next sample bytes, in pieces of any length."""
        view = memoryview(data).cast("B")
        if self._whole is not None:
            self._whole.update(view)
        self.data_bytes += len(view)
        while len(view) >= self._missing:
            self._block.update(view[: self._missing])
            self._digests.append(self._block.hexdigest())
            view = view[self._missing :]
            self._block = hashlib.sha256(usedforsecurity=False)
            self._missing = self._block_bytes
        if len(view):
            self._block.update(view)
            self._missing -= len(view)

    @property
    def blocks(self) -> tuple[str, ...]:
        """SHA-256 of each block so far, the last one maybe shorter."""
        if self._missing == self._block_bytes:
            return tuple(self._digests)
        return (*self._digests, self._block.hexdigest())

    @property
    def md5(self) -> str:
        """MD5 of all bytes so far; empty if it is not computed."""
        return "" if self._whole is None else self._whole.hexdigest()

    def result(self, *, file: str, file_bytes: int, data_offset_bytes: int) -> SoundDigests:
        """Make the record of a master whose samples were all fed.

        Parameters
        ----------
        file : str
            Path of the master in the bag.
        file_bytes : int
            Size of the whole file.
        data_offset_bytes : int
            Where its sample bytes begin.
        """
        return SoundDigests(
            file=file,
            file_bytes=file_bytes,
            sample_format=self.sample_format,
            data_offset_bytes=data_offset_bytes,
            data_bytes=self.data_bytes,
            frames_per_block=self.frames_per_block,
            blocks=self.blocks,
            md5=self.md5,
        )


@dataclass(slots=True, kw_only=True)
class SpanDigester:
    """Feeds a block digester with the sample bytes of a file that passes from its start.

    Parameters
    ----------
    digester : BlockDigester
        Gets the bytes of the span.
    offset_bytes, length_bytes : int
        The span in the file.
    """

    digester: BlockDigester
    offset_bytes: int
    length_bytes: int
    _position: int = field(default=0, init=False)

    def feed(self, data: ReadableBuffer) -> None:
        """Take the next bytes of the file."""
        view = memoryview(data).cast("B")
        first = max(0, self.offset_bytes - self._position)
        last = max(0, self.offset_bytes + self.length_bytes - self._position)
        self._position += len(view)
        if first < len(view) and last > first:
            self.digester.feed(view[first:last])


def sound_digests_path(take: str) -> str:
    """Name the record of a take in the bag."""
    return f"{SOUND_DIRECTORY}/{take}.json"


def encode_sound_digests(record: SoundDigests) -> bytes:
    """Write the record as JSON, always in the same bytes."""
    document = {
        "schema": _SCHEMA,
        "file": record.file,
        "file_bytes": record.file_bytes,
        "sample_format": {
            "encoding": record.sample_format.encoding,
            "container_bits": record.sample_format.container_bits,
            "valid_bits": record.sample_format.valid_bits,
            "channels": record.sample_format.channels,
            "sample_rate_hz": record.sample_format.sample_rate_hz,
        },
        "data_offset_bytes": record.data_offset_bytes,
        "data_bytes": record.data_bytes,
        "md5": record.md5,
        "frames_per_block": record.frames_per_block,
        "block_sha256": list(record.blocks),
    }
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()


def decode_sound_digests(content: bytes) -> SoundDigests:
    """Read the record from JSON.

    Raises
    ------
    InputError
        It is not JSON, or not of this form; what and where is named.
    """
    try:
        document = json.loads(content, object_pairs_hook=_once, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"is not usable JSON ({type(error).__name__}: {str(error)[:120]})",
            accepted="JSON as sound-digests.schema.json describes it",
        ) from error
    members = _Members(document, "")
    members.exactly(
        "schema",
        "file",
        "file_bytes",
        "sample_format",
        "data_offset_bytes",
        "data_bytes",
        "md5",
        "frames_per_block",
        "block_sha256",
    )
    if members.text("schema") != _SCHEMA:
        raise InputError(f"schema is {members.text('schema')[:40]!r}", accepted=_SCHEMA)
    form = members.object("sample_format")
    form.exactly("encoding", "container_bits", "valid_bits", "channels", "sample_rate_hz")
    encoding = form.text("encoding")
    return SoundDigests(
        file=members.text("file"),
        file_bytes=members.number("file_bytes"),
        sample_format=SampleFormat(
            # The record itself refuses other words.
            encoding=cast("Literal['pcm', 'float']", encoding),
            container_bits=form.number("container_bits"),
            valid_bits=form.number("valid_bits"),
            channels=form.number("channels"),
            sample_rate_hz=form.number("sample_rate_hz"),
        ),
        data_offset_bytes=members.number("data_offset_bytes"),
        data_bytes=members.number("data_bytes"),
        frames_per_block=members.number("frames_per_block"),
        blocks=members.texts("block_sha256"),
        md5=members.text("md5"),
    )


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise ValueError("a member stands twice")
    return members


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no JSON number")


class _Members:
    """Takes typed members out of a JSON object, and names the one that is wrong."""

    def __init__(self, value: object, path: str) -> None:
        if not isinstance(value, dict):
            raise InputError(f"{path or 'the document'} is not an object", accepted="an object")
        self.value: dict[str, Any] = value
        self.path = path

    def exactly(self, *names: str) -> None:
        """Demand these members and no other."""
        for name in names:
            if name not in self.value:
                raise InputError(f"{self.path}{name} is missing", accepted=", ".join(names))
        for name in self.value:
            if name not in names:
                raise InputError(f"{self.path}{name[:80]} is not known", accepted=", ".join(names))

    def number(self, name: str) -> int:
        """Return a whole number."""
        value = self.value[name]
        if not isinstance(value, int) or isinstance(value, bool):
            raise InputError(f"{self.path}{name} is no whole number", accepted="a whole number")
        return value

    def text(self, name: str) -> str:
        """Return a text."""
        value = self.value[name]
        if not isinstance(value, str):
            raise InputError(f"{self.path}{name} is no text", accepted="text")
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts."""
        value = self.value[name]
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise InputError(f"{self.path}{name} is no list of texts", accepted="a list of texts")
        return tuple(value)

    def object(self, name: str) -> _Members:
        """Return an object within."""
        return _Members(self.value[name], f"{self.path}{name}.")
