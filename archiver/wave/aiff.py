"""The walk through AIFF and AIFF-C files: what is declared against what is there.

Source: Apple, Audio Interchange File Format 1.3 (1989), and AIFF-C draft (1991), from
memory. Integers are big-endian; chunks are padded to an even length.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from archiver.errors import InputError
from archiver.files import translated
from archiver.findings import Finding, Rule, Where
from archiver.wave import rules
from archiver.wave.subchunks import id_text
from archiver.wave.text import decode_text

__all__ = ["AiffWalk", "Marker", "walk_aiff"]

_MOST_CHUNKS = 4096
_LARGEST_TEXT_BYTES = 1 << 20
_TEXTS = (b"NAME", b"AUTH", b"(c) ", b"ANNO")
_PLAIN = (b"NONE", b"twos", b"sowt", b"fl32", b"FL32", b"fl64", b"FL64", b"in24", b"in32")
_FLOATS = {b"fl32": 32, b"FL32": 32, b"fl64": 64, b"FL64": 64}


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A marked position: identifier, frame and title."""

    identifier: int
    frame: int
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AiffWalk:
    """What a walk saw.

    Parameters
    ----------
    channels, frames, bits_per_sample : int
        From ``COMM``.
    float_bits : int, optional
        32 or 64 for IEEE floats; None for linear PCM.
    present_frames : int
        Whole frames that the file holds, at most the declared ones.
    texts : tuple of (str, str)
        Identifier of a text chunk, and its text, in order.
    markers : tuple of Marker
    findings : tuple of Finding
    """

    channels: int
    frames: int
    bits_per_sample: int
    float_bits: int | None
    present_frames: int
    texts: tuple[tuple[str, str], ...]
    markers: tuple[Marker, ...]
    findings: tuple[Finding, ...]


def _broken(name: str, found: str, accepted: str) -> InputError:
    return InputError(
        found, where=name, accepted=accepted, remedy="Copy the file again from the recorder"
    )


@dataclass(slots=True, kw_only=True)
class _Walker:
    file: BinaryIO
    name: str
    file_bytes: int = 0
    common: bytes | None = None
    sound: tuple[int, int] | None = None
    texts: list[tuple[str, str]] = field(default_factory=list)
    markers: tuple[Marker, ...] = ()
    findings: list[Finding] = field(default_factory=list)
    left: list[str] = field(default_factory=list)

    def say(self, rule: Rule, at: int, message: str) -> None:
        self.findings.append(rule.at(Where(file=self.name, offset_bytes=at), message))

    def read(self, at: int, count: int) -> bytes:
        with translated(Path(self.name), "read"):
            self.file.seek(at)
            return self.file.read(count)

    def run(self) -> AiffWalk:
        with translated(Path(self.name), "read"):
            self.file_bytes = self.file.seek(0, 2)
        start = self.read(0, 12)
        end = 8 + int.from_bytes(start[4:8], "big")
        at = 12
        for _ in range(_MOST_CHUNKS):
            header = self.read(at, 8)
            if len(header) < 8:
                break
            size = int.from_bytes(header[4:], "big")
            self._take(header[:4], at, size)
            at += 8 + size + size % 2
        if self.common is None or self.sound is None:
            missing = "COMM" if self.common is None else "SSND"
            raise _broken(self.name, f"no chunk {missing}", "AIFF with COMM and SSND")
        if end > self.file_bytes + 1:
            self.say(
                rules.SIZE_WRONG, 4, f"the file should have {end} bytes and has {self.file_bytes}"
            )
        if self.left:
            self.say(
                rules.NOT_CARRIED,
                12,
                f"chunks of AIFF are not carried over: {', '.join(self.left)}",
            )
        return self._result(self.common, self.sound, compressed=start[8:] == b"AIFC")

    def _take(self, chunk_id: bytes, at: int, size: int) -> None:
        if chunk_id == b"COMM" and self.common is None:
            self.common = self.read(at + 8, min(size, 64))
        elif chunk_id == b"SSND" and self.sound is None:
            self.sound = (at, size)
        elif chunk_id in _TEXTS and size <= _LARGEST_TEXT_BYTES:
            raw = self.read(at + 8, size).split(b"\0", 1)[0]
            self.texts.append((chunk_id.decode(), decode_text(raw)[0]))
        elif chunk_id == b"MARK" and size <= _LARGEST_TEXT_BYTES:
            self.markers = _markers(self.read(at + 8, size))
        elif chunk_id != b"FVER":
            self.left.append(repr(chunk_id)[2:-1])

    def _result(self, common: bytes, sound: tuple[int, int], *, compressed: bool) -> AiffWalk:
        if len(common) < (22 if compressed else 18):
            raise _broken(self.name, f"COMM has {len(common)} bytes", "at least 18, in AIFF-C 22")
        channels = int.from_bytes(common[:2], "big")
        frames = int.from_bytes(common[2:6], "big")
        bits = int.from_bytes(common[6:8], "big")
        coding = common[18:22] if compressed else b"NONE"
        if coding not in _PLAIN:
            raise InputError(
                f"the sound is compressed as {id_text(coding)}",
                where=f"{self.name}, chunk COMM",
                accepted="AIFF, or AIFF-C without compression",
                remedy="Decode it with an audio editor to linear PCM, and say so in the remarks",
            )
        float_bits = _FLOATS.get(coding)
        if not 1 <= channels <= 1024 or not 1 <= bits <= 64:
            raise _broken(
                self.name, f"COMM says {channels} channels of {bits} bits", "1 channel or more"
            )
        frame_bytes = channels * (((float_bits or bits) + 7) // 8)
        at, size = sound
        offset = int.from_bytes(self.read(at + 8, 4), "big")
        held = min(size, self.file_bytes - at - 8) - 8 - offset
        present = max(0, held) // frame_bytes
        if present < frames:
            self.say(rules.TRUNCATED, at, f"COMM declares {frames} frames; {present} are there")
        if not min(present, frames):
            self.say(rules.NO_SAMPLES, at, "SSND holds no sample")
        return AiffWalk(
            channels=channels,
            frames=frames,
            bits_per_sample=bits,
            float_bits=float_bits,
            present_frames=min(present, frames),
            texts=tuple(self.texts),
            markers=self.markers,
            findings=tuple(self.findings),
        )


def _markers(payload: bytes) -> tuple[Marker, ...]:
    found: list[Marker] = []
    at = 2
    for _ in range(int.from_bytes(payload[:2], "big")):
        if len(payload) - at < 7:
            break
        length = payload[at + 6]
        title = payload[at + 7 : at + 7 + length]
        found.append(
            Marker(
                identifier=int.from_bytes(payload[at : at + 2], "big"),
                frame=int.from_bytes(payload[at + 2 : at + 6], "big"),
                title=decode_text(title.split(b"\0", 1)[0])[0],
            )
        )
        # A Pascal string is padded so that its length byte and text are even together.
        at += 7 + length + (1 + length) % 2
    return tuple(found)


def walk_aiff(file: BinaryIO, name: str) -> AiffWalk:
    """Walk through an AIFF or AIFF-C file.

    Parameters
    ----------
    file : binary file
        Open for reading; its position is moved.
    name : str
        What findings and errors call the file.

    Raises
    ------
    InputError
        ``COMM`` or ``SSND`` is missing or broken, or the sound is compressed.
    """
    return _Walker(file=file, name=name).run()
