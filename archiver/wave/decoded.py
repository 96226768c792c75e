"""FLAC and AIFF captures: decoded by libsndfile to linear samples of the same depth.

Our own reading of their headers comes first and says what the decoder has to
deliver; for FLAC the digest that its encoder stored is checked as well.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from archiver.errors import InputError
from archiver.files import open_read, translated
from archiver.findings import Where
from archiver.signal.sampleformat import SampleFormat
from archiver.wave import rules
from archiver.wave.adtl import Adtl, CueText, StoredText
from archiver.wave.aiff import AiffWalk, walk_aiff
from archiver.wave.capture import Capture, CaptureKind
from archiver.wave.coding import Fidelity, SoundCoding
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.existing import Existing
from archiver.wave.flac import StreamInfo, read_flac_head
from archiver.wave.format import format_of
from archiver.wave.info import Info, InfoEntry

__all__ = ["AiffCapture", "FlacCapture", "pack", "regroup"]

_FLAC_BITS = (8, 16, 24)
_FLAC_FRAMES = 4096
_VORBIS = {
    "TITLE": "INAM",
    "ARTIST": "IART",
    "ALBUM": "IPRD",
    "DATE": "ICRD",
    "GENRE": "IGNR",
    "COMMENT": "ICMT",
    "DESCRIPTION": "ICMT",
    "COPYRIGHT": "ICOP",
    "TRACKNUMBER": "ITRK",
    "ENCODED-BY": "ITCH",
}
_AIFF = {"NAME": "INAM", "AUTH": "IART", "(c) ": "ICOP", "ANNO": "ICMT"}


def pack(samples: NDArray[Any], bits: int) -> bytes:
    """Write samples as little-endian containers.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels) or flat, int16, int32 or float
        Integers fill their type from the top: a 24-bit sample lies in the upper three
        bytes of its int32.
    bits : int
        Container: 8, 16, 24, 32 or 64.
    """
    kind = samples.dtype.newbyteorder("<")
    values = np.ascontiguousarray(samples, dtype=kind)
    if bits == values.dtype.itemsize * 8:
        return values.tobytes()
    raw = values.view(np.uint8).reshape(-1, values.dtype.itemsize)
    upper = raw[:, -(bits // 8) :].tobytes()
    # Eight-bit samples of a wave file are unsigned.
    return _flipped(upper) if bits == 8 else upper


def regroup(pieces: Iterable[bytes], size: int) -> Iterator[bytes]:
    """Cut a stream of byte strings of any length into strings of one length."""
    held: list[bytes] = []
    count = 0
    for piece in pieces:
        held.append(piece)
        count += len(piece)
        if count >= size:
            joined = b"".join(held)
            whole = count - count % size
            yield from (joined[at : at + size] for at in range(0, whole, size))
            held, count = [joined[whole:]], count - whole
    if count:
        yield b"".join(held)


def _decoder() -> str:
    return f"libsndfile {soundfile.__libsndfile_version__}"


def _texts(pairs: Iterable[tuple[str, str]], ids: dict[str, str]) -> Info | None:
    entries: dict[str, InfoEntry] = {}
    for name, text in pairs:
        identifier = ids.get(name)
        plain = " ".join(text.replace("\0", " ").split())
        if identifier and plain and identifier not in entries:
            entries[identifier] = InfoEntry(id=identifier, text=plain)
    return Info(entries=tuple(entries.values())) if entries else None


class _SoundfileCapture(Capture):
    """What FLAC and AIFF have in common: libsndfile decodes them."""

    _dtype: str

    def _open(self, file: BinaryIO) -> soundfile.SoundFile:
        with translated(self._path, "read"):
            file.seek(0)
        try:
            sound = soundfile.SoundFile(file)
        except (soundfile.SoundFileError, OSError, ValueError) as error:
            raise InputError(
                f"the file cannot be decoded ({error})",
                where=self.name,
                accepted="a whole FLAC or AIFF file",
                remedy="Copy the file again from the recorder",
            ) from error
        declared = (self.sample_format.channels, self.sample_format.sample_rate_hz)
        found = (sound.channels, sound.samplerate)
        if found != declared:
            sound.close()
            raise InputError(
                f"the header says {declared[0]} channels at {declared[1]} Hz, the decoder "
                f"{found[0]} at {found[1]} Hz",
                where=self.name,
                remedy="Copy the file again from the recorder",
            )
        return sound

    def _decoded(self, frames: int) -> Iterator[bytes]:
        bits = self.sample_format.container_bits
        with open_read(self._path) as file, self._open(file) as sound:
            at = 0
            while True:
                try:
                    with translated(self._path, f"read past frame {at}"):
                        samples = sound.read(frames, dtype=self._dtype, always_2d=True)
                except (soundfile.SoundFileError, ValueError) as error:
                    raise InputError(
                        f"decoding stops at frame {at} ({error})",
                        where=self.name,
                        remedy=rules.TRUNCATED.remedy,
                    ) from error
                if not len(samples):
                    return
                at += len(samples)
                yield pack(samples, bits)


class FlacCapture(_SoundfileCapture):
    """A FLAC file of 8, 16 or 24 bits.

    :meth:`blocks` compares the number of frames and the stored MD5 with what it
    decoded, and adds findings when it comes to the end.

    Raises
    ------
    InputError
        The header is broken, or the depth another one.
    """

    kind = CaptureKind.FLAC

    def __init__(self, file: BinaryIO, path: Path, name: str) -> None:
        super().__init__(file, path, name)
        with translated(path, "read"):
            self.stream_info: StreamInfo = read_flac_head(file, name)
        bits = self.stream_info.bits_per_sample
        if bits not in _FLAC_BITS:
            raise InputError(
                f"the FLAC file has {bits} bits a sample",
                where=name,
                accepted="8, 16 or 24 bits",
                remedy="Decode a copy to a wave file and hand that in",
            )
        self._dtype = "int32" if bits == 24 else "int16"
        self.sample_format = SampleFormat(
            encoding="pcm",
            container_bits=bits,
            valid_bits=bits,
            channels=self.stream_info.channels,
            sample_rate_hz=self.stream_info.sample_rate_hz,
        )
        self.coding = SoundCoding(
            container="FLAC", codec="FLAC", fidelity=Fidelity.LOSSLESS, decoder=_decoder()
        )
        self.format = format_of(self.sample_format)
        self.frames = None
        self._stopped = ""
        self.declared_frames = self.stream_info.frames
        self.existing = Existing(info=_texts(self.stream_info.comments, _VORBIS))
        left = sorted({n for n, _ in self.stream_info.comments if n not in _VORBIS})
        if left:
            self._findings.append(
                rules.NOT_CARRIED.at(
                    Where(file=name), f"comments of FLAC are not carried over: {', '.join(left)}"
                )
            )
        self._open(file).close()

    def blocks(self, frames_per_block: int | None = None) -> Iterator[bytes]:
        """Yield the decoded samples; see :meth:`Capture.blocks`."""
        size = self._block_bytes(frames_per_block)
        digest = hashlib.md5(usedforsecurity=False)
        count = 0
        for block in regroup(self._until_it_stops(), size):
            # FLAC counts eight-bit samples as signed (RFC 9639, 8.2).
            digest.update(_flipped(block) if self.sample_format.container_bits == 8 else block)
            count += len(block)
            yield block
        self._judge(count // self.sample_format.frame_bytes, digest.digest())

    def _until_it_stops(self) -> Iterator[bytes]:
        # Where a file is cut or damaged the decoder gives up: that is a finding, and what
        # came before it is there. Short readings lose less of it.
        self._stopped = ""
        try:
            yield from self._decoded(_FLAC_FRAMES)
        except InputError as error:
            self._stopped = error.found

    def _judge(self, frames: int, digest: bytes) -> None:
        info = self.stream_info
        where = Where(file=self.name)
        known = {finding.code for finding in self._findings}
        self.frames = frames
        if self._stopped or (info.frames is not None and frames < info.frames):
            declared = "an unknown number of" if info.frames is None else info.frames
            message = f"STREAMINFO declares {declared} frames; {frames} could be decoded"
            if self._stopped:
                message += f" ({self._stopped})"
            found = rules.TRUNCATED.at(where, message)
        elif not frames:
            found = rules.NO_SAMPLES.at(where, "the file holds no sample")
        elif info.frames is not None and frames > info.frames:
            found = rules.DECODED_LENGTH.at(
                where, f"STREAMINFO declares {info.frames} frames; {frames} were decoded"
            )
        elif info.md5 is not None and info.md5 != digest:
            found = rules.DECODED_DIGEST.at(
                where, f"STREAMINFO says MD5 {info.md5.hex()}, decoding gives {digest.hex()}"
            )
        else:
            return
        if found.code not in known:
            self._findings.append(found)


def _flipped(block: bytes) -> bytes:
    return (np.frombuffer(block, np.uint8) ^ 0x80).tobytes()


class AiffCapture(_SoundfileCapture):
    """An AIFF file, or AIFF-C without compression.

    Texts (``NAME``, ``AUTH``, ``(c) ``, ``ANNO``) and markers come along as INFO and
    cue points.

    Raises
    ------
    InputError
        The walk finds no samples that can be read.
    """

    kind = CaptureKind.AIFF

    def __init__(self, file: BinaryIO, path: Path, name: str) -> None:
        super().__init__(file, path, name)
        walk: AiffWalk = walk_aiff(file, name)
        self._findings += walk.findings
        bits = walk.float_bits or (walk.bits_per_sample + 7) // 8 * 8
        with translated(path, "read"):
            file.seek(0)
        try:
            with soundfile.SoundFile(file) as sound:
                rate, channels = sound.samplerate, sound.channels
        except (soundfile.SoundFileError, OSError, ValueError) as error:
            raise InputError(
                f"the file cannot be decoded ({error})",
                where=name,
                accepted="AIFF, or AIFF-C without compression",
                remedy="Copy the file again from the recorder",
            ) from error
        self.sample_format = SampleFormat(
            encoding="pcm" if walk.float_bits is None else "float",
            container_bits=bits,
            valid_bits=walk.float_bits or walk.bits_per_sample,
            channels=channels,
            sample_rate_hz=rate,
        )
        self.coding = SoundCoding(
            container="AIFF",
            codec="PCM" if walk.float_bits is None else "IEEE float",
            fidelity=Fidelity.LINEAR,
            decoder=_decoder(),
        )
        self._dtype = {32: "float32", 64: "float64"}[bits] if walk.float_bits else "int32"
        self.format = format_of(self.sample_format)
        self.declared_frames = walk.frames
        self.frames = walk.present_frames
        self.existing = Existing(
            info=_texts(walk.texts, _AIFF),
            cue=Cue(
                points=tuple(
                    CuePoint(name=m.identifier, sample_offset=m.frame) for m in walk.markers
                )
            )
            if walk.markers
            else None,
            adtl=Adtl(
                entries=tuple(
                    CueText(kind=b"labl", cue=m.identifier, text=StoredText(text=m.title))
                    for m in walk.markers
                )
            )
            if walk.markers
            else None,
        )

    def blocks(self, frames_per_block: int | None = None) -> Iterator[bytes]:
        """Yield the decoded samples; see :meth:`Capture.blocks`."""
        size = self._block_bytes(frames_per_block)
        count = 0
        for block in regroup(self._decoded(size // self.sample_format.frame_bytes), size):
            count += len(block)
            yield block
        decoded = count // self.sample_format.frame_bytes
        if decoded != self.frames:
            raise InputError(
                f"{decoded} frames were decoded where {self.frames} are in the file",
                where=self.name,
                remedy="Make sure that nothing writes to it, then run again",
            )
