"""Sample formats: how sound lies in bytes. Needs no numerical library."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from archiver.errors import InputError

__all__ = ["Bytes", "SampleFormat", "block_frames"]

Bytes: TypeAlias = bytes | bytearray | memoryview

_BLOCK_SAMPLES = 393_216
_BLOCK_QUANTUM = 1536

_CONTAINERS = {"pcm": (8, 16, 24, 32), "float": (32, 64)}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFormat:
    """How samples lie in bytes: interleaved, little-endian.

    Parameters
    ----------
    encoding : {"pcm", "float"}
        Two's complement integers (8-bit ones unsigned) or IEEE 754 floats.
    container_bits : int
        8, 16, 24 or 32 for ``pcm``; 32 or 64 for ``float``.
    valid_bits : int
        Bits that carry sound according to the header, left-justified.
    channels : int
        At least 1.
    sample_rate_hz : int
        At least 1.

    Raises
    ------
    InputError
        A value lies outside these limits; it is named.
    """

    encoding: Literal["pcm", "float"]
    container_bits: int
    valid_bits: int
    channels: int
    sample_rate_hz: int

    def __post_init__(self) -> None:
        """Refuse what cannot be decoded."""
        containers = _CONTAINERS.get(self.encoding)
        if containers is None:
            raise InputError(f"sample encoding {self.encoding!r}", accepted="pcm or float")
        if self.container_bits not in containers:
            raise InputError(
                f"{self.encoding} samples in containers of {self.container_bits} bits",
                accepted=" or ".join(str(bits) for bits in containers) + " bits",
            )
        if not 1 <= self.valid_bits <= self.container_bits:
            raise InputError(
                f"{self.valid_bits} valid bits in containers of {self.container_bits}",
                accepted=f"1 to {self.container_bits}",
            )
        if self.channels < 1:
            raise InputError(f"{self.channels} channels", accepted="1 or more")
        if self.sample_rate_hz < 1:
            raise InputError(f"a sample rate of {self.sample_rate_hz} Hz", accepted="1 Hz or more")

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample of one channel."""
        return self.container_bits // 8

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample of every channel."""
        return self.sample_bytes * self.channels

    def __str__(self) -> str:
        """Say the format as people write it."""
        kind = "float" if self.encoding == "float" else "bit"
        channels = {1: "mono", 2: "stereo"}.get(self.channels, f"{self.channels} channels")
        return f"{self.valid_bits} {kind}, {self.sample_rate_hz / 1000:g} kHz, {channels}"


def block_frames(fmt: SampleFormat) -> int:
    """Return the number of frames that the meters like best in one block.

    About 393,000 samples in all: enough that what each block costs beside its samples
    does not count, and 1.5 MiB decoded. A multiple of 1536 frames, which the filters
    divide without a rest.
    """
    return max(1, _BLOCK_SAMPLES // (fmt.channels * _BLOCK_QUANTUM)) * _BLOCK_QUANTUM
