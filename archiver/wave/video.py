"""The sound track of a video: decoded by FFmpeg's libraries (PyAV).

What is linear, lossless or lossy, the libraries' own description of each codec says
(``AVCodecDescriptor.props``). A linear track keeps its depth, and so does a lossless one (FLAC, ALAC). A lossy track
(AAC, MP3, Opus) becomes 32-bit float, because that is what its decoder delivers:
rounding it to 24 bits would clip what exceeds full scale between the encoder's
samples, and would be a change that nobody asked for. Decoding is set to bit-exact
functions, so that one version of the libraries gives the same bytes each time; the
video itself is kept beside the master.

An encoder starts before the first sample (priming) and fills its last frame up; what the
file says of both, in an edit list (ISO/IEC 14496-12, 8.6.6) or in Matroska's CodecDelay
and DiscardPadding, is followed as far as the libraries follow it: the filling behind the
last sample may stay, and no sample is taken away here. An edit list may also hide sound
that was recorded, as when a telephone trims a video: then that is said.

FFmpeg's decoders of lossless codings pass over wrong checksums unless they are told not
to; here they are told, and the MD5 that FLAC keeps of its samples is compared (RFC 9639,
8.2). ALAC and most lossy codings have no checksum, so that damage in them may not show.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import av
import av.error
import numpy as np

from archiver.errors import InputError
from archiver.files import open_read, translated
from archiver.findings import Finding, Rule, Where
from archiver.signal.sampleformat import SampleFormat
from archiver.wave import rules
from archiver.wave.capture import Capture, CaptureKind
from archiver.wave.coding import Fidelity, SoundCoding
from archiver.wave.decoded import pack, regroup
from archiver.wave.format import format_of

__all__ = ["VideoCapture"]

_LINEAR = re.compile(r"pcm_([suf])(8|16|24|32|64)(?:le|be)?(?:_planar)?")
_FAULTS = (av.error.FFmpegError, OSError, ValueError, EOFError, UnicodeError)
_GAP_S = Fraction(1, 50)
_STEREO = 2
_LEAST_GAP_S = Fraction(3, 1000)
_FRAME_SHARE = Fraction(3, 4)
_HIDDEN_S = Fraction(1, 4)
_TOLERANCE_S = Fraction(1, 10)
_LOOSE_TOLERANCE_S = Fraction(1, 2)

_CODECS = {
    "aac": "AAC", "aac_latm": "AAC", "ac3": "AC-3", "alac": "ALAC", "dts": "DTS", "eac3": "E-AC-3",
    "flac": "FLAC", "mlp": "MLP", "mp1": "MPEG-1 layer I", "mp2": "MPEG-1 layer II",
    "mp3": "MPEG-1 layer III", "opus": "Opus", "pcm_alaw": "A-law", "pcm_mulaw": "mu-law",
    "truehd": "TrueHD", "tta": "TTA", "vorbis": "Vorbis", "wavpack": "WavPack",
}  # fmt: skip
_HALF_RATES = ("mp1", "mp2", "mp3")
_HALF_RATE_HZ = 32_000
_CHECKED = ("flac", "mlp", "truehd", "tta", "wavpack")
_FLAC_FRAMES = slice(13, 18)
_FLAC_MD5 = slice(18, 34)
_DURATION = re.compile(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)")
_LOSSLESS_PROFILES = ("DTS-HD MA",)


def _fidelity(context: Any) -> Fidelity:
    codec = context.codec
    if _LINEAR.fullmatch(codec.canonical_name):
        return Fidelity.LINEAR
    if codec.lossy and codec.lossless:
        is_known = context.profile in _LOSSLESS_PROFILES
        return Fidelity.LOSSLESS if is_known else Fidelity.UNKNOWN
    if codec.lossless:
        return Fidelity.LOSSLESS
    return Fidelity.LOSSY if codec.lossy else Fidelity.UNKNOWN


def _codec_name(context: Any) -> str:
    name: str = context.codec.canonical_name
    if _LINEAR.fullmatch(name):
        return "IEEE float" if name.startswith("pcm_f") else "PCM"
    # Below 32 kHz the layers are those of ISO/IEC 13818-3.
    if name in _HALF_RATES and context.sample_rate < _HALF_RATE_HZ:
        return _CODECS[name].replace("MPEG-1", "MPEG-2")
    return _CODECS.get(name, name)


def _container_name(container: Any) -> str:
    name: str = container.format.name
    if "matroska" in name:
        return "Matroska"
    if "mov" not in name.split(","):
        return name
    brand = container.metadata.get("major_brand", "qt").strip()
    # Files from before the brand are QuickTime's own.
    return "QuickTime" if brand == "qt" else "MP4"


def _begin_of(track: Any) -> float | None:
    """Return where the sound begins in the time of the file."""
    if track.start_time is None or track.time_base is None:
        return None
    return float(track.start_time * track.time_base)


def _tagged_s(track: Any) -> Fraction | None:
    """Return the length of a track that the writer of a Matroska file kept as a tag."""
    found = _DURATION.fullmatch(track.metadata.get("DURATION", "").strip())
    if found is None:
        return None
    return Fraction(found[1]) * 3600 + Fraction(found[2]) * 60 + Fraction(found[3])


def _decoder() -> str:
    version = ".".join(map(str, av.library_versions["libavcodec"]))
    return f"FFmpeg libavcodec {version}"


def _depth(name: str, sample: str, extra: bytes | None) -> tuple[str, int, int] | None:
    """Return encoding, container and valid bits for a decoder's output; None if not taken.

    Decoders deliver integers that fill their type from the top.
    """
    width = {"u8": 8, "s16": 16, "s32": 32, "flt": 32, "dbl": 64}.get(sample.removesuffix("p"))
    if width is None:
        return None
    if sample.startswith(("flt", "dbl")):
        return "float", width, width
    valid = width
    linear = _LINEAR.fullmatch(name)
    if linear is not None:
        valid = int(linear[2])
    elif name == "alac" and extra is not None and len(extra) > 17:
        valid = extra[17]  # ALACSpecificConfig.bitDepth behind the 12 bytes of its atom
    elif name == "flac" and extra is not None and len(extra) >= 34:
        valid = ((extra[12] & 1) << 4 | extra[13] >> 4) + 1  # RFC 9639, 8.2
    if not 1 <= valid <= width:
        valid = width
    return "pcm", (valid + 7) // 8 * 8, valid


class VideoCapture(Capture):
    """The first sound track of an MP4, MOV or Matroska file.

    :attr:`frames` is None until :meth:`blocks` came to its end once.

    Raises
    ------
    InputError
        The file is broken, has no sound track, or one that cannot be decoded.
    """

    kind = CaptureKind.VIDEO

    def __init__(self, file: BinaryIO, path: Path, name: str) -> None:
        super().__init__(file, path, name)
        with self._container(file) as container:
            tracks = container.streams.audio
            self.is_video = bool(container.streams.video)
            if not tracks:
                raise InputError(
                    "the video has no sound track",
                    where=name,
                    accepted="a video with sound",
                    remedy="List it among the documents instead of the takes",
                )
            if len(tracks) > 1:
                self._say(
                    rules.MORE_SOUND_TRACKS, f"{len(tracks)} sound tracks; the first is taken"
                )
            track = tracks[0]
            context = track.codec_context
            # FFmpeg has no decoder for an unknown coding, and then there is no context.
            self.codec: str = "an unknown kind" if context is None else context.name
            depth = None
            if context is not None and context.format is not None and context.sample_rate:
                depth = _depth(context.name, context.format.name, context.extradata)
            if depth is None:
                raise InputError(
                    f"the sound track, coded as {self.codec}, cannot be decoded",
                    where=name,
                    accepted="a sound track in PCM, AAC, ALAC, FLAC, MP3, Opus or AC-3",
                    remedy="Decode it with a video editor to a wave file and hand that in as well",
                )
            encoding, container_bits, valid_bits = depth
            self.sample_format = SampleFormat(
                encoding=encoding,  # type: ignore[arg-type]
                container_bits=container_bits,
                valid_bits=valid_bits,
                channels=context.layout.nb_channels,
                sample_rate_hz=context.sample_rate,
            )
            self._decoder_format: str = context.format.name
            self.coding = SoundCoding(
                container=_container_name(container),
                codec=_codec_name(context),
                profile=context.profile or "",
                fidelity=_fidelity(context),
                decoder=_decoder(),
            )
            self.format = format_of(self.sample_format)
            self.frames = None
            self._stored_md5 = self._md5_of_flac(context)
            self.begins_s = _begin_of(track)
            if context.layout.nb_channels > _STEREO:
                self.speakers = tuple(channel.name for channel in context.layout.channels)
            self._loose = not track.duration and _tagged_s(track) is None
            self.declared_frames = self._declared(track, container)
        self._say_if_lossy()
        self._say_if_edited()

    def _say_if_lossy(self) -> None:
        coding = self.coding
        if coding.is_exact:
            return
        what = f"the sound track is coded as {coding.name}, "
        if coding.fidelity is Fidelity.LOSSY:
            what += "which leaves part of the sound out for good"
        else:
            what += "which may be lossless or lossy; the file does not say"
        self._say(rules.LOSSY, what)

    def _say_if_edited(self) -> None:
        """Compare the track with what the file holds when its edit list is not followed."""
        if self.coding.container == "Matroska" or self.declared_frames is None or self._loose:
            return
        with open_read(self._path) as file, self._container(file, ignore_editlist="1") as whole:
            held = self._declared(whole.streams.audio[0], whole)
        rate = self.sample_format.sample_rate_hz
        hidden = Fraction((held or 0) - self.declared_frames, rate)
        if hidden > _HIDDEN_S:
            self._say(
                rules.SOUND_HIDDEN,
                f"the file holds {float(Fraction(held or 0, rate)):.3f} s of sound, and its edit "
                f"list shows {float(Fraction(self.declared_frames, rate)):.3f} s of them",
            )

    def _md5_of_flac(self, context: Any) -> tuple[int, bytes] | None:
        """Return frames and MD5 that a FLAC track declares; None if it does not keep them."""
        extra = context.extradata
        whole = self.sample_format.valid_bits == self.sample_format.container_bits > 8
        if context.name != "flac" or extra is None or len(extra) < _FLAC_MD5.stop or not whole:
            return None
        frames = int.from_bytes(extra[_FLAC_FRAMES], "big") & 0xF_FFFF_FFFF
        digest = bytes(extra[_FLAC_MD5])
        return (frames, digest) if any(digest) else None

    def _declared(self, track: Any, container: Any) -> int | None:
        if track.duration and track.time_base:
            seconds = Fraction(track.duration * track.time_base)
        elif (tagged := _tagged_s(track)) is not None:
            seconds = tagged
        elif container.duration:
            seconds = Fraction(container.duration, av.time_base)
        else:
            return None
        return round(seconds * self.sample_format.sample_rate_hz)

    def _say(self, rule: Rule, message: str, start_s: float | None = None) -> None:
        found: Finding = rule.at(Where(file=self.name, start_s=start_s), message)
        if found not in self._findings:
            self._findings.append(found)

    def _container(self, file: BinaryIO, **options: str) -> Any:
        try:
            return av.open(file, metadata_errors="replace", options=options)
        except _FAULTS as error:
            raise self._broken("the file cannot be opened as video", error) from error

    def _broken(self, found: str, error: Exception) -> InputError:
        reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
        return InputError(
            f"{found} ({reason})",
            where=self.name,
            accepted="a whole MP4, MOV or MKV file",
            remedy="Copy the file again from the camera",
        )

    def blocks(self, frames_per_block: int | None = None) -> Iterator[bytes]:
        """Yield the decoded samples; see :meth:`Capture.blocks`."""
        size = self._block_bytes(frames_per_block)
        count = 0
        self._coded_bytes = 0
        digest = None if self._stored_md5 is None else hashlib.md5(usedforsecurity=False)
        for block in regroup(self._decoded(), size):
            count += len(block)
            if digest is not None:
                digest.update(block)
            yield block
        self.frames = count // self.sample_format.frame_bytes
        if self.frames and self.coding.fidelity is not Fidelity.LINEAR:
            rate = self._coded_bytes * 8 * self.sample_format.sample_rate_hz / self.frames
            self.coding = dataclasses.replace(self.coding, bit_rate_bit_s=round(rate))
        self._judge(self.frames)
        # An edit list may leave a part out, and then the digest of the whole says nothing.
        if (
            self._stored_md5 is not None
            and digest is not None
            and self.frames == self._stored_md5[0]
            and digest.digest() != self._stored_md5[1]
        ):
            self._say(
                rules.DECODED_DIGEST,
                f"the track says MD5 {self._stored_md5[1].hex()}, decoding gives "
                f"{digest.hexdigest()}",
            )

    def _decoded(self) -> Iterator[bytes]:
        bits = self.sample_format.container_bits
        with open_read(self._path) as file, self._container(file) as container:
            track = container.streams.audio[0]
            track.codec_context.flags |= av.codec.context.Flags.bitexact
            if track.codec_context.name in _CHECKED:
                track.codec_context.options = {"err_detect": "crccheck+explode"}
            frames = self._frames(container, track)
            at = 0
            ahead: Fraction | None = None
            while True:
                try:
                    with translated(self._path, f"read past frame {at}"):
                        frame, is_damaged = next(frames, (None, False))
                except _FAULTS as error:
                    raise self._broken(f"decoding stops at frame {at}", error) from error
                if frame is None:
                    return
                if is_damaged:
                    self._say_once(
                        rules.SOUND_DAMAGED,
                        "the decoder was given damaged data, first here",
                        at / self.sample_format.sample_rate_hz,
                    )
                ahead = self._continuity(frame, ahead, at)
                yield self._packed(frame, bits, at)
                at += frame.samples

    def _frames(self, container: Any, track: Any) -> Iterator[tuple[Any, bool]]:
        """Decode a track; with each frame, whether it comes from a damaged packet."""
        for packet in container.demux(track):
            self._coded_bytes += packet.size
            for frame in packet.decode():
                yield frame, packet.is_corrupt or frame.is_corrupt

    def _say_once(self, rule: Rule, message: str, start_s: float) -> None:
        if all(finding.code != rule.code for finding in self._findings):
            self._say(rule, message, start_s)

    def _continuity(self, frame: Any, expected: Fraction | None, at: int) -> Fraction | None:
        if frame.pts is None or frame.time_base is None:
            return expected
        start = Fraction(frame.pts * frame.time_base)
        length = Fraction(frame.samples, self.sample_format.sample_rate_hz)
        # A frame of the coding that is lost must be noticed; Matroska rounds to milliseconds.
        most = max(_LEAST_GAP_S, min(_GAP_S, length * _FRAME_SHARE))
        if expected is not None and abs(start - expected) > most:
            self._say(
                rules.SOUND_GAP,
                f"the track jumps by {float(start - expected):+.3f} s",
                at / self.sample_format.sample_rate_hz,
            )
        return start + length

    def _packed(self, frame: Any, bits: int, at: int) -> bytes:
        found = (frame.layout.nb_channels, frame.sample_rate)
        declared = (self.sample_format.channels, self.sample_format.sample_rate_hz)
        if found != declared:
            raise InputError(
                f"at frame {at} the sound track changes from {declared[0]} channels at "
                f"{declared[1]} Hz to {found[0]} at {found[1]} Hz",
                where=self.name,
                accepted="one format throughout",
                remedy="Decode it with a video editor to a wave file and hand that in as well",
            )
        if frame.format.name != self._decoder_format:
            raise InputError(
                f"at frame {at} the samples change from {self._decoder_format} to "
                f"{frame.format.name}",
                where=self.name,
                accepted="one format throughout",
                remedy="Decode it with a video editor to a wave file and hand that in as well",
            )
        samples = frame.to_ndarray()
        if frame.format.is_planar:
            samples = samples.T
        if samples.dtype == np.uint8:
            # The decoder delivers eight bits unsigned, as a wave file holds them.
            return np.ascontiguousarray(samples).tobytes()
        return pack(samples, bits)

    def _judge(self, frames: int) -> None:
        if not frames:
            self._say(rules.NO_SAMPLES, "the sound track holds no sample")
            return
        if self.declared_frames is None:
            return
        off = Fraction(frames - self.declared_frames, self.sample_format.sample_rate_hz)
        # Without a length of its own the track is compared with that of the whole file.
        if abs(off) <= (_LOOSE_TOLERANCE_S if self._loose else _TOLERANCE_S):
            return
        rule = rules.TRUNCATED if off < 0 and not self._loose else rules.DECODED_LENGTH
        self._say(rule, f"the file declares {self.declared_frames} frames; {frames} were decoded")
