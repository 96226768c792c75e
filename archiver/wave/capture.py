"""A capture: the sound of a take as it came from the recorder, block by block.

What a file is, its first bytes say, not its name. Wave files are read by our own walk
alone; FLAC and AIFF are decoded to linear samples of the same depth, and so is the
sound track of a video.
"""

from __future__ import annotations

import abc
import enum
from collections.abc import Iterator
from pathlib import Path, PurePath
from types import TracebackType
from typing import BinaryIO, Self, assert_never

from archiver.errors import InputError
from archiver.files import open_read, translated
from archiver.findings import Finding, Severity, Where
from archiver.signal.sampleformat import SampleFormat
from archiver.wave import format as fmt_chunk
from archiver.wave import rules
from archiver.wave.bext import Bext
from archiver.wave.coding import Fidelity, SoundCoding
from archiver.wave.container import Walk, walk
from archiver.wave.existing import NOTHING, Existing, carried_findings, read_existing
from archiver.wave.format import Format
from archiver.wave.subchunks import RawChunk, id_text

__all__ = [
    "ACCEPTED",
    "HEAD_BYTES",
    "Capture",
    "CaptureKind",
    "WaveCapture",
    "identify",
    "open_capture",
]

ACCEPTED = "WAV, RF64, BW64, FLAC, AIFF, or video as MP4, MOV or MKV"
_BLOCK_BYTES = 1 << 20
HEAD_BYTES = 64
"""What :func:`identify` needs of a file."""


class CaptureKind(enum.StrEnum):
    """What a file is by its content."""

    WAVE = "wave"
    FLAC = "FLAC"
    AIFF = "AIFF"
    VIDEO = "video"


_SUFFIXES = {
    CaptureKind.WAVE: (".wav", ".wave", ".bwf", ".rf64", ".bw64"),
    CaptureKind.FLAC: (".flac", ".fla"),
    CaptureKind.AIFF: (".aif", ".aiff", ".aifc"),
    CaptureKind.VIDEO: (".mp4", ".m4v", ".m4a", ".mov", ".qt", ".mkv", ".mka", ".webm"),
}
_QUICKTIME = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
_OTHER = {
    b"OggS": "Ogg",
    b"ID3": "MP3 or another file behind an ID3 tag",
    b"wvpk": "WavPack",
    b"MAC ": "Monkey's Audio",
    b".snd": "Sun audio",
    b"caff": "Core Audio Format",
    b"MThd": "MIDI",
    b"\x30\x26\xb2\x75": "Windows Media",
    b"riff\x2e\x91\xcf\x11": "Wave64",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a ZIP archive",
}


class Capture(abc.ABC):
    """The sound of a take.

    Attributes
    ----------
    name : str
        As handed in; findings and errors name it.
    kind : CaptureKind
    format : Format
        ``fmt `` of the master: that of the capture where it has one.
    sample_format : SampleFormat
        Of the bytes that :meth:`blocks` yields.
    coding : SoundCoding
        How the sound is coded in the file; decoding to the end may add the bit rate.
    frames : int, optional
        Frames that :meth:`blocks` yields; None where only decoding can tell.
    declared_frames : int, optional
        Frames that the file says it has; None when it does not say.
    existing : Existing
        Chunks that the capture brings along.
    is_video : bool
        Whether there is a picture beside the sound.
    begins_s : float, optional
        Where the sound begins in the time of the file, beside a picture.
    speakers : tuple of str
        Positions of more than two channels in their order, as the decoder names them.
    """

    name: str
    kind: CaptureKind
    format: Format
    sample_format: SampleFormat
    coding: SoundCoding
    frames: int | None
    declared_frames: int | None
    existing: Existing = NOTHING
    is_video: bool = False
    begins_s: float | None = None
    speakers: tuple[str, ...] = ()

    def __init__(self, file: BinaryIO, path: Path, name: str) -> None:
        self._file = file
        self._path = path
        self.name = name
        self._findings: list[Finding] = []
        suffix = PurePath(name).suffix.lower()
        if suffix and suffix not in _SUFFIXES[self.kind]:
            self._findings.append(
                rules.KIND_UNEXPECTED.at(
                    Where(file=name),
                    f"the name ends in {suffix}, the content is {self.kind}",
                    accepted=" or ".join(_SUFFIXES[self.kind]),
                )
            )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found so far; decoding to the end may add to it."""
        return tuple(self._findings)

    @property
    def data_bytes(self) -> int | None:
        """Bytes that :meth:`blocks` yields; None where only decoding can tell."""
        return None if self.frames is None else self.frames * self.sample_format.frame_bytes

    def bring(self, existing: Existing) -> None:
        """Let the capture bring along less than it holds, and say of chunks only what is true."""
        self.existing = existing
        told = (f for f in self._findings if f.code != rules.CARRIED.code)
        self._findings = [*told, *carried_findings(existing, self.name)]

    @property
    def keeps_original(self) -> bool:
        """Whether the file holds more than a master can, so that it should be kept as well."""
        return self.kind is CaptureKind.VIDEO

    @property
    def bext(self) -> Bext | None:
        """The broadcast extension of the capture; None when it has none."""
        return self.existing.bext

    @property
    def carried_before(self) -> tuple[RawChunk, ...]:
        """Chunks to carry byte for byte, from before the sound."""
        return self.existing.before

    @property
    def carried_after(self) -> tuple[RawChunk, ...]:
        """Chunks to carry byte for byte, from behind the sound."""
        return self.existing.after

    @abc.abstractmethod
    def blocks(self, frames_per_block: int | None = None) -> Iterator[bytes]:
        """Yield the samples from the start: interleaved, little-endian, whole frames.

        Every block is a new object, so that other threads may keep it.

        Parameters
        ----------
        frames_per_block : int, optional
            About a mebibyte when not given. Only the last block is shorter.

        Raises
        ------
        InputError
            The file changed since it was opened, or cannot be decoded.
        SurroundingsError
            It cannot be read; the position is named.
        """

    def examine(self) -> tuple[Finding, ...]:
        """Find also what only decoding to the end can show; return all findings."""
        if self.kind is not CaptureKind.WAVE:
            for _ in self.blocks():
                pass
        return self.findings

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _block_bytes(self, frames_per_block: int | None) -> int:
        frame_bytes = self.sample_format.frame_bytes
        if frames_per_block is None:
            return max(1, _BLOCK_BYTES // frame_bytes) * frame_bytes
        if frames_per_block < 1:
            raise ValueError(f"frames_per_block is {frames_per_block}; 1 or more is accepted")
        return frames_per_block * frame_bytes


class WaveCapture(Capture):
    """A RIFF, RF64 or BW64 file, read by our own walk.

    Raises
    ------
    InputError
        The walk finds no samples that can be read, or a coding other than linear PCM
        and IEEE float. What the walk found besides stands in :attr:`findings`.
    """

    kind = CaptureKind.WAVE

    def __init__(self, file: BinaryIO, path: Path, name: str) -> None:
        super().__init__(file, path, name)
        self.walk: Walk = walk(file, name)
        self._findings += self.walk.findings
        if self.walk.format is None or self.walk.data is None:
            raise self._unusable()
        self.format = self.walk.format
        try:
            self.sample_format = fmt_chunk.sample_format(self.format)
        except InputError as error:
            raise InputError(
                error.found,
                where=f"{name}, {error.where}" if error.where else name,
                accepted=error.accepted,
                remedy=error.remedy,
            ) from error
        self.coding = SoundCoding(
            container="WAVE",
            codec="IEEE float" if self.sample_format.encoding == "float" else "PCM",
            fidelity=Fidelity.LINEAR,
        )
        self.frames = self.walk.data.frames
        declared = self.walk.data.declared_bytes
        self.declared_frames = (
            None if declared is None else declared // self.sample_format.frame_bytes
        )
        self.existing, found = read_existing(file, self.walk)
        self._findings += found

    def _unusable(self) -> InputError:
        worst = next(f for f in self._findings if f.severity is Severity.ERROR)
        return InputError(
            worst.message, where=str(worst.where), accepted=worst.accepted, remedy=worst.remedy
        )

    def blocks(self, frames_per_block: int | None = None) -> Iterator[bytes]:
        """Yield the samples as they stand in the file; see :meth:`Capture.blocks`."""
        size = self._block_bytes(frames_per_block)
        span = self.walk.data
        if span is None:  # the constructor refused this already
            return
        at, end = span.offset_bytes, span.offset_bytes + span.sample_bytes
        # Unbuffered: a block goes from the system into its own bytes object, once.
        with open_read(self._path, buffering=0) as file:
            with translated(self._path, "read"):
                file.seek(at)
            while at < end:
                block = self._block(file, at, min(size, end - at))
                yield block
                at += len(block)

    def _block(self, file: BinaryIO, at: int, count: int) -> bytes:
        with translated(self._path, f"read past byte {at}"):
            block = file.read(count)
            while len(block) < count:
                more = file.read(count - len(block))
                if not more:
                    raise InputError(
                        f"the file became shorter while it was read: it ends at byte "
                        f"{at + len(block)}",
                        where=self.name,
                        remedy="Make sure that nothing writes to it, then run again",
                    )
                block += more
        return block


def identify(head: bytes, name: str) -> CaptureKind:
    """Say what a file is by its first 64 bytes.

    Raises
    ------
    InputError
        It is empty, sound of a kind that is not taken, or no sound.
    """
    if not head:
        raise InputError(
            "the file is empty", where=name, accepted=ACCEPTED, remedy=rules.TRUNCATED.remedy
        )
    if head[:4] in (b"RIFF", b"RF64", b"BW64", b"RIFX") and head[8:12] != b"AVI ":
        return CaptureKind.WAVE
    if head[:4] == b"fLaC":
        return CaptureKind.FLAC
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return CaptureKind.AIFF
    if head[4:8] in _QUICKTIME or head[:4] == b"\x1a\x45\xdf\xa3":
        return CaptureKind.VIDEO
    other = next((kind for magic, kind in _OTHER.items() if head.startswith(magic)), "")
    if head[8:12] == b"AVI " and head[:4] == b"RIFF":
        other = "AVI"
    elif head[0] == 0xFF and len(head) > 1 and head[1] & 0xE0 == 0xE0 and not other:
        other = "MPEG audio such as MP3, or ADTS"
    if other:
        raise InputError(
            f"the file is {other}",
            where=name,
            accepted=ACCEPTED,
            remedy="Hand in the recorder's own file, or convert a copy with an audio editor",
        )
    raise InputError(
        f"the file is no sound file that is known here; it begins with {id_text(head[:8])}",
        where=name,
        accepted=ACCEPTED,
        remedy="Check that it is the file that is meant",
    )


def open_capture(path: Path, name: str) -> Capture:
    """Open a capture for reading.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What findings and errors call it: its path in the session folder.

    Returns
    -------
    Capture
        A context manager; :meth:`Capture.close` ends it.

    Raises
    ------
    InputError
        The file is empty, no sound, sound of a kind that is not taken, or broken so
        that no sample can be read.
    SurroundingsError
        It cannot be opened or read.
    """
    file = open_read(path)
    try:
        with translated(path, "read"):
            head = file.read(HEAD_BYTES)
            file.seek(0)
        kind = identify(head, name)
        return _opened(kind, file, path, name)
    except BaseException:
        file.close()
        raise


def _opened(kind: CaptureKind, file: BinaryIO, path: Path, name: str) -> Capture:
    # The decoders' libraries take long to load, and most sessions hold wave files only.
    match kind:
        case CaptureKind.WAVE:
            return WaveCapture(file, path, name)
        case CaptureKind.FLAC:
            from archiver.wave.decoded import FlacCapture  # noqa: PLC0415

            return FlacCapture(file, path, name)
        case CaptureKind.AIFF:
            from archiver.wave.decoded import AiffCapture  # noqa: PLC0415

            return AiffCapture(file, path, name)
        case CaptureKind.VIDEO:
            from archiver.wave.video import VideoCapture  # noqa: PLC0415

            return VideoCapture(file, path, name)
        case _:
            assert_never(kind)
