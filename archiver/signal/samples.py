"""Decoding of samples: interleaved little-endian bytes to planar float32.

Full scale is 1.0. The meters work in float32: every 24-bit value has an exact
float32 image, and what a meter sums it sums in float64.

Sources: WAVE sample containers are little-endian, 8-bit ones unsigned
(Microsoft/IBM RIFF multimedia specification 1.0, 1991); values with fewer valid
bits than their container lie left-justified in it (WAVEFORMATEXTENSIBLE).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from archiver.errors import InputError
from archiver.signal.sampleformat import Bytes, SampleFormat, block_frames

__all__ = [
    "LARGEST_VALUE",
    "Block",
    "BlockReader",
    "Bytes",
    "Floats",
    "Integers",
    "SampleFormat",
    "block_frames",
    "decode",
    "decode_block",
]

Floats: TypeAlias = NDArray[np.float32]
Integers: TypeAlias = NDArray[np.int32]

LARGEST_VALUE = 1e9
"""A float sample beyond this magnitude (+180 dBFS) counts as not a number: no
converter delivers it, and its square would leave float32."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Consecutive frames, decoded once and shared by all meters, which must not write to it.

    Parameters
    ----------
    start_frame : int
        Index of the first frame in the take.
    values : ndarray, shape (channels, frames), float32
        Full scale 1.0; values that are no number are replaced by 0.
    bits : ndarray, shape (channels,), int32, or None
        All samples of a channel, left-justified and joined by OR; None for float formats.
    invalid : ndarray, shape (channels, frames), bool, or None
        Where a float sample was NaN, infinite or beyond ``LARGEST_VALUE``; None when nowhere.
    """

    start_frame: int
    values: Floats
    bits: Integers | None = None
    invalid: NDArray[np.bool_] | None = None

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.values.shape[1])

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.values.shape[0])


def _int24(raw: memoryview, fmt: SampleFormat, channel: int, out: Integers) -> None:
    # Each sample is read as four bytes that begin one byte early; the mask drops the
    # foreign byte. The first frame may have nothing before it and is put together by hand.
    step = fmt.frame_bytes
    first = 3 * channel
    out[0] = int.from_bytes(raw[first : first + 3], "little", signed=True) << 8
    if len(out) > 1:
        early: NDArray[np.int32] = np.ndarray(
            (len(out) - 1,), "<i4", raw, step + first - 1, (step,)
        )
        np.bitwise_and(early, -256, out=out[1:])


def _int_channel(raw: memoryview, fmt: SampleFormat, channel: int, out: Integers) -> None:
    """Put the samples of one channel into ``out``, left-justified."""
    if fmt.container_bits == 24:
        _int24(raw, fmt, channel, out)
        return
    kind = {8: "u1", 16: "<i2", 32: "<i4"}[fmt.container_bits]
    flat: NDArray[Any] = np.frombuffer(raw, kind)[channel :: fmt.channels]
    out[:] = flat
    if fmt.container_bits == 8:
        np.subtract(out, 128, out=out)
    if fmt.container_bits < 32:
        np.left_shift(out, 32 - fmt.container_bits, out=out)


def _decode_integers(raw: memoryview, fmt: SampleFormat, frames: int) -> tuple[Floats, Integers]:
    values = np.empty((fmt.channels, frames), np.float32)
    bits = np.empty(fmt.channels, np.int32)
    # One channel after the other through one small array, which stays in the cache.
    integers = np.empty(frames, np.int32)
    for channel in range(fmt.channels):
        _int_channel(raw, fmt, channel, integers)
        bits[channel] = np.bitwise_or.reduce(integers)
        values[channel] = integers
        np.multiply(values[channel], np.float32(2.0**-31), out=values[channel])
    return values, bits


def _without_faults(values: NDArray[Any]) -> tuple[Floats, NDArray[np.bool_] | None]:
    # A NaN fails the comparison too, so one test covers all three kinds.
    lowest, highest = values.min(initial=0.0), values.max(initial=0.0)
    if highest <= LARGEST_VALUE and lowest >= -LARGEST_VALUE:
        return np.ascontiguousarray(values.T, dtype=np.float32), None
    valid = (values <= LARGEST_VALUE) & (values >= -LARGEST_VALUE)
    planar = np.where(valid, values, 0.0).T
    return np.ascontiguousarray(planar, dtype=np.float32), np.ascontiguousarray(~valid.T)


def decode_block(raw: Bytes, fmt: SampleFormat, start_frame: int = 0) -> Block:
    """Decode whole frames.

    Parameters
    ----------
    raw : bytes-like
        Interleaved little-endian samples.
    fmt : SampleFormat
        Their format.
    start_frame : int
        Index of the first frame in the take.

    Raises
    ------
    InputError
        The bytes are not a whole number of frames.
    """
    view = memoryview(raw).cast("B")
    frames, rest = divmod(len(view), fmt.frame_bytes)
    if rest:
        raise InputError(
            f"{len(view)} bytes of samples are no whole number of frames",
            accepted=f"a multiple of {fmt.frame_bytes} bytes",
        )
    if not frames:
        return Block(start_frame=start_frame, values=np.empty((fmt.channels, 0), np.float32))
    if fmt.encoding == "pcm":
        values, bits = _decode_integers(view, fmt, frames)
        return Block(start_frame=start_frame, values=values, bits=bits)
    kind = "<f4" if fmt.container_bits == 32 else "<f8"
    with np.errstate(invalid="ignore"):
        values, invalid = _without_faults(np.frombuffer(view, kind).reshape(frames, fmt.channels))
    return Block(start_frame=start_frame, values=values, invalid=invalid)


def decode(raw: Bytes, fmt: SampleFormat) -> Floats:
    """Decode whole frames to an array of shape (frames, channels), full scale 1.0.

    Each channel is contiguous in memory. Values that are no number are 0.

    Raises
    ------
    InputError
        The bytes are not a whole number of frames.
    """
    return decode_block(raw, fmt).values.T


class BlockReader:
    """Cuts a stream of bytes into decoded blocks of one length, however the bytes arrive.

    Parameters
    ----------
    fmt : SampleFormat
        Format of the samples.
    frames : int, optional
        Frames of each block but the last; by default :func:`block_frames`.
    """

    def __init__(self, fmt: SampleFormat, frames: int | None = None) -> None:
        self._format = fmt
        self._bytes = (frames or block_frames(fmt)) * fmt.frame_bytes
        # Joined only when they fill a block: adding to one object would copy it each time.
        self._parts: list[bytes] = []
        self._waiting = 0
        self._start = 0

    def _block(self, raw: Bytes) -> Block:
        block = decode_block(raw, self._format, self._start)
        self._start += block.frames
        return block

    def feed(self, raw: Bytes) -> list[Block]:
        """Take bytes in and return the blocks that they complete."""
        view = memoryview(raw).cast("B")
        blocks: list[Block] = []
        if self._waiting:
            missing = self._bytes - self._waiting
            self._keep(view[:missing])
            view = view[missing:]
            if self._waiting < self._bytes:
                return blocks
            blocks.append(self._block(self._joined()))
        whole = len(view) - len(view) % self._bytes
        blocks += [self._block(view[at : at + self._bytes]) for at in range(0, whole, self._bytes)]
        self._keep(view[whole:])
        return blocks

    def _keep(self, view: memoryview) -> None:
        if len(view):
            self._parts.append(bytes(view))
            self._waiting += len(view)

    def _joined(self) -> bytes:
        joined = b"".join(self._parts)
        self._parts.clear()
        self._waiting = 0
        return joined

    def finish(self) -> tuple[list[Block], int]:
        """Return what is left as a shorter block, and the bytes that make no whole frame."""
        rest = self._joined()
        spare = len(rest) % self._format.frame_bytes
        raw = rest[: len(rest) - spare]
        return ([self._block(raw)] if raw else []), spare
