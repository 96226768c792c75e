"""Access copies: FLAC, lossless, and Opus, small, with tags, a picture and loudness tags.

The samples keep their level: a player that knows the loudness tags evens takes out by
itself. A FLAC copy decodes to the samples of the master, bit for bit; an Opus copy is
resampled to 48 kHz where need be. Both are encoded by libsndfile; the tags are
written by mutagen afterwards. MP3 is not offered: Opus has an open specification (RFC 6716) and
loudness tags of its own, and a second small copy would only be one more file to keep.

Sources: RFC 9639 (FLAC; picture block 8.8), RFC 7845 (Ogg Opus; R128 tags 5.2.1),
ReplayGain 2.0 (reference of -18 LUFS; from memory).
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, BinaryIO

import mutagen.flac
import mutagen.ogg
import mutagen.oggopus
import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from archiver.errors import ArchiverError, InputError, SurroundingsError
from archiver.signal.sampleformat import Bytes, SampleFormat
from archiver.signal.samples import decode
from archiver.wave.accesskind import AccessKind
from archiver.wave.guarded import GuardedFile

__all__ = [
    "AccessKind",
    "AccessWriter",
    "Cover",
    "Loudness",
    "Tag",
    "accepted_for",
    "opus_gain",
    "replay_gain",
]

OPUS_RATE_HZ = 48_000

# mutagen is typed in parts only, which a strict check takes for untyped calls.
_flac: Any = mutagen.flac
_ogg: Any = mutagen.ogg
_opus: Any = mutagen.oggopus

_FLAC_SUBTYPES = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}
_FLAC_CHANNELS = 8
_FLAC_HIGHEST_HZ = 655_350
_OPUS_CHANNELS = 2
# libsndfile maps 0..1 to 256..6 kbit/s a channel: about 96 kbit/s, plenty for a horn.
_OPUS_LEVEL = 0.64
# libsndfile 1.2 overflows its stack with long blocks of a lossy coding.
_OPUS_BLOCK = 4_096
_FRONT_COVER = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """A Vorbis comment: field name, ASCII without ``=``, and text."""

    name: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """A picture for players; 0 where width or height is not known."""

    content: bytes
    media_type: str
    description: str = ""
    width: int = 0
    height: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """What was measured on the take; None where it could not be measured."""

    integrated_lufs: float | None
    true_peak_dbtp: float | None


def accepted_for(kind: AccessKind, samples: SampleFormat) -> str:
    """Say why a copy of this kind cannot be made of such samples; empty if it can."""
    if kind is AccessKind.OPUS:
        if samples.channels > _OPUS_CHANNELS:
            return f"a listening copy has one or two channels, not {samples.channels}"
        return ""
    if samples.encoding != "pcm":
        return (
            f"the samples are {samples.valid_bits}-bit floating point, and FLAC holds integers of "
            "8, 16 or 24 bits only"
        )
    if samples.container_bits not in _FLAC_SUBTYPES:
        return (
            f"the samples are integers of {samples.container_bits} bits, and FLAC holds those of "
            "8, 16 or 24 bits only"
        )
    if samples.channels > _FLAC_CHANNELS:
        return f"FLAC holds up to {_FLAC_CHANNELS} channels, not {samples.channels}"
    if samples.sample_rate_hz > _FLAC_HIGHEST_HZ:
        return f"FLAC holds up to {_FLAC_HIGHEST_HZ} Hz, not {samples.sample_rate_hz}"
    return ""


def replay_gain(loudness: Loudness) -> tuple[Tag, ...]:
    """Return the ReplayGain 2.0 tags of a take: gain to -18 LUFS, and true peak."""
    if loudness.integrated_lufs is None:
        return ()
    tags = [
        Tag(name="REPLAYGAIN_REFERENCE_LOUDNESS", text="-18.00 LUFS"),
        Tag(name="REPLAYGAIN_TRACK_GAIN", text=f"{-18 - loudness.integrated_lufs:+.2f} dB"),
    ]
    if loudness.true_peak_dbtp is not None:
        peak = 10 ** (loudness.true_peak_dbtp / 20)
        tags.append(Tag(name="REPLAYGAIN_TRACK_PEAK", text=f"{peak:.6f}"))
    return tuple(tags)


def opus_gain(loudness: Loudness) -> tuple[Tag, ...]:
    """Return the R128 tag of a take: gain to -23 LUFS in 256ths of a decibel, 16 bits."""
    if loudness.integrated_lufs is None:
        return ()
    gain = round(256 * (-23 - loudness.integrated_lufs))
    return (Tag(name="R128_TRACK_GAIN", text=str(max(-32_768, min(32_767, gain)))),)


class AccessWriter:
    """Encodes a take while its bytes pass.

    Parameters
    ----------
    file : BinaryIO
        Empty, open for reading and writing; stays open.
    name : str
        For messages.
    kind : AccessKind
    samples : SampleFormat
        Of the bytes that will come.

    Raises
    ------
    InputError
        Such samples cannot be put into a copy of this kind.
    """

    def __init__(self, file: BinaryIO, name: str, kind: AccessKind, samples: SampleFormat) -> None:
        refusal = accepted_for(kind, samples)
        if refusal:
            raise InputError(refusal, where=name)
        self._file = GuardedFile(file)
        self._name = name
        self._kind = kind
        self._samples = samples
        self._rest = b""
        self._any = False
        self._resampler: soxr.ResampleStream | None = None
        if kind is AccessKind.OPUS and samples.sample_rate_hz != OPUS_RATE_HZ:
            self._resampler = soxr.ResampleStream(
                samples.sample_rate_hz, OPUS_RATE_HZ, samples.channels, dtype="float32"
            )
        self._sound = self._opened()

    def _opened(self) -> soundfile.SoundFile:
        settings: dict[str, Any] = {"channels": self._samples.channels}
        if self._kind is AccessKind.FLAC:
            settings |= {
                "samplerate": self._samples.sample_rate_hz,
                "format": "FLAC",
                "subtype": _FLAC_SUBTYPES[self._samples.container_bits],
            }
        else:
            settings |= {
                "samplerate": OPUS_RATE_HZ,
                "format": "OGG",
                "subtype": "OPUS",
                "compression_level": _OPUS_LEVEL,
            }
        try:
            return soundfile.SoundFile(self._file, "w", **settings)
        except soundfile.SoundFileError as error:
            self._file.raise_pending()
            raise self._failed(error) from error

    def _failed(self, error: Exception) -> SurroundingsError:
        return SurroundingsError(
            f"the copy cannot be encoded ({error})",
            where=self._name,
            remedy="Look whether the disk is full; the master is not touched by this",
        )

    def write(self, raw: Bytes) -> None:
        """Take bytes in, in order, in pieces of any length."""
        joined = self._rest + bytes(raw)
        whole = len(joined) - len(joined) % self._samples.frame_bytes
        self._rest = joined[whole:]
        if not whole:
            return
        self._any = True
        if self._kind is AccessKind.FLAC:
            self._put(_integers(joined[:whole], self._samples))
        else:
            self._listening(decode(joined[:whole], self._samples))

    def _listening(self, frames: NDArray[np.float32], *, last: bool = False) -> None:
        frames = np.ascontiguousarray(frames)
        if self._resampler is not None:
            frames = self._resampler.resample_chunk(frames, last=last)
        for start in range(0, len(frames), _OPUS_BLOCK):
            self._put(frames[start : start + _OPUS_BLOCK])

    def _put(self, frames: NDArray[Any]) -> None:
        try:
            self._sound.write(frames)
        except (soundfile.SoundFileError, AssertionError) as error:
            # soundfile asserts that libsndfile took every frame.
            self._file.raise_pending()
            raise self._failed(error) from error
        self._file.raise_pending()

    def finish(
        self,
        tags: Iterable[Tag] = (),
        *,
        cover: Cover | None = None,
        loudness: Loudness | None = None,
    ) -> None:
        """Encode what is left and write tags, picture and loudness.

        Raises
        ------
        InputError
            There was no sound; libsndfile writes no file then.
        SurroundingsError
            The file cannot be written.
        """
        if self._resampler is not None:
            self._listening(np.zeros((0, self._samples.channels), np.float32), last=True)
        self._sound.close()
        self._file.raise_pending()
        if not self._any:
            raise InputError("a take without sound has no access copy", where=self._name)
        try:
            self._tag(tuple(tags), cover, loudness)
        except ArchiverError:
            raise
        except Exception as error:
            # mutagen raises whatever its parser meets; the file's own trouble comes first.
            self._file.raise_pending()
            raise self._failed(error) from error
        self._file.raise_pending()

    def _tag(self, tags: tuple[Tag, ...], cover: Cover | None, loudness: Loudness | None) -> None:
        self._file.seek(0)
        flac = self._kind is AccessKind.FLAC
        audio = _flac.FLAC(self._file) if flac else _opus.OggOpus(self._file)
        if audio.tags is None:
            audio.add_tags()
        if loudness is not None:
            tags += replay_gain(loudness) if flac else opus_gain(loudness)
        for tag in tags:
            held = audio.get(tag.name, [])
            # A lone surrogate is no UTF-8.
            audio[tag.name] = [*held, tag.text.encode("utf-8", "replace").decode()]
        if cover is not None:
            picture = _picture(cover)
            if flac:
                audio.add_picture(picture)
            else:
                block = base64.b64encode(picture.write()).decode("ascii")
                audio["METADATA_BLOCK_PICTURE"] = [block]
        self._file.seek(0)
        audio.save(self._file)
        if not flac:
            self._number()

    def _number(self) -> None:
        """Replace the random serial number of the stream, so that two runs give the same bytes.

        Source: RFC 3533, 6: the serial number is of the writer's choice.
        """
        serial = zlib.crc32(self._name.encode("utf-8", "replace"))
        place = self._file.seek(0)
        while True:
            try:
                page = _ogg.OggPage(self._file)
            except EOFError:
                return
            page.serial = serial
            self._file.seek(place)
            self._file.write(page.write())
            # A write that failed does not move on: the same page would come again for ever.
            self._file.raise_pending()
            place = self._file.tell()

    @property
    def samples_md5(self) -> str | None:
        """MD5 of the samples that the encoder states in a finished FLAC copy; None in others.

        It covers signed samples, so it equals that of a master's sample bytes for 16 and
        24 bits (RFC 9639, 8.2).
        """
        if self._kind is not AccessKind.FLAC:
            return None
        self._file.seek(0)
        stated: int = _flac.FLAC(self._file).info.md5_signature
        return f"{stated:032x}"


def _integers(raw: bytes, samples: SampleFormat) -> NDArray[Any]:
    """Return whole frames as libsndfile takes them: left-justified, shape (frames, channels)."""
    bits = samples.container_bits
    flat: NDArray[Any]
    if bits == 16:
        flat = np.frombuffer(raw, "<i2")
    elif bits == 8:
        flat = (np.frombuffer(raw, np.uint8).astype(np.int32) - 128) << 24
    else:
        wide = np.zeros((len(raw) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(raw, np.uint8).reshape(-1, 3)
        flat = wide.view("<i4")
    return flat.reshape(-1, samples.channels)


def _picture(cover: Cover) -> Any:
    picture = _flac.Picture()
    picture.type = _FRONT_COVER
    picture.mime = cover.media_type
    picture.desc = cover.description.encode("utf-8", "replace").decode()
    picture.width, picture.height = cover.width, cover.height
    picture.data = cover.content
    return picture
