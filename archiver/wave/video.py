"""The sound track of a video: decoded by FFmpeg's libraries (PyAV).

A linear track keeps its depth, and so does a lossless one (FLAC, ALAC). A lossy track
(AAC, MP3, Opus) becomes 32-bit float, because that is what its decoder delivers:
rounding it to 24 bits would clip what exceeds full scale between the encoder's
samples, and would be a change that nobody asked for. Decoding is set to bit-exact
functions, so that one version of the libraries gives the same bytes each time; the
video itself is kept beside the master.
"""

from __future__ import annotations

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
from archiver.wave.decoded import pack, regroup
from archiver.wave.format import format_of

__all__ = ["VideoCapture"]

_LINEAR = re.compile(r"pcm_([suf])(8|16|24|32|64)(?:le|be)?(?:_planar)?")
_FAULTS = (av.error.FFmpegError, OSError, ValueError, EOFError, UnicodeError)
_GAP_S = Fraction(1, 50)
_TOLERANCE_S = Fraction(1, 10)
_LOOSE_TOLERANCE_S = Fraction(1, 2)


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
            self.format = format_of(self.sample_format)
            self.frames = None
            self._loose = not track.duration
            self.declared_frames = self._declared(track, container)

    def _declared(self, track: Any, container: Any) -> int | None:
        if track.duration and track.time_base:
            seconds = Fraction(track.duration * track.time_base)
        elif container.duration:
            seconds = Fraction(container.duration, av.time_base)
        else:
            return None
        return round(seconds * self.sample_format.sample_rate_hz)

    def _say(self, rule: Rule, message: str, start_s: float | None = None) -> None:
        found: Finding = rule.at(Where(file=self.name, start_s=start_s), message)
        if found not in self._findings:
            self._findings.append(found)

    def _container(self, file: BinaryIO) -> Any:
        try:
            return av.open(file, metadata_errors="replace")
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
        for block in regroup(self._decoded(), size):
            count += len(block)
            yield block
        self.frames = count // self.sample_format.frame_bytes
        self._judge(self.frames)

    def _decoded(self) -> Iterator[bytes]:
        bits = self.sample_format.container_bits
        with open_read(self._path) as file, self._container(file) as container:
            track = container.streams.audio[0]
            track.codec_context.flags |= av.codec.context.Flags.bitexact
            frames = container.decode(track)
            at = 0
            ahead: Fraction | None = None
            while True:
                try:
                    with translated(self._path, f"read past frame {at}"):
                        frame = next(frames, None)
                except _FAULTS as error:
                    raise self._broken(f"decoding stops at frame {at}", error) from error
                if frame is None:
                    return
                ahead = self._continuity(frame, ahead, at)
                yield self._packed(frame, bits, at)
                at += frame.samples

    def _continuity(self, frame: Any, expected: Fraction | None, at: int) -> Fraction | None:
        if frame.pts is None or frame.time_base is None:
            return expected
        start = Fraction(frame.pts * frame.time_base)
        if expected is not None and abs(start - expected) > _GAP_S:
            self._say(
                rules.SOUND_GAP,
                f"the track jumps by {float(start - expected):+.3f} s",
                at / self.sample_format.sample_rate_hz,
            )
        return start + Fraction(frame.samples, self.sample_format.sample_rate_hz)

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
