"""Hands signals to meters the way the pass does."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from archiver.signal.samples import Block, SampleFormat, block_frames
from archiver.signal.stream import Meter, run_pass
from archiver.signal.take import TakeMeasurements, TakeMeter
from tests.signal.synthesis import Signal, pcm

ResultT = TypeVar("ResultT")


def blocks_of(signal: Signal, cuts: Sequence[int] = ()) -> list[Block]:
    """The signal as blocks, cut at these frames and at the usual length."""
    frames = signal.shape[1]
    edges = sorted({0, frames, *(cut for cut in cuts if 0 < cut < frames)})
    if not cuts:
        edges = sorted({*range(0, frames, 49_152), frames})
    values = np.ascontiguousarray(signal, dtype=np.float32)
    return [
        Block(start_frame=start, values=np.ascontiguousarray(values[:, start:end]))
        for start, end in itertools.pairwise(edges)
    ]


def metered(meter: Meter[ResultT], signal: Signal, cuts: Sequence[int] = ()) -> ResultT:
    """The result of a meter over the signal."""
    for block in blocks_of(signal, cuts):
        meter.feed(block)
    return meter.result()


def floats(rate: int, channels: int = 1) -> SampleFormat:
    """The format of 32-bit floats."""
    return SampleFormat(
        encoding="float",
        container_bits=32,
        valid_bits=32,
        channels=channels,
        sample_rate_hz=rate,
    )


def integers(rate: int, bits: int, channels: int = 1) -> SampleFormat:
    """The format of PCM."""
    return SampleFormat(
        encoding="pcm",
        container_bits=bits,
        valid_bits=bits,
        channels=channels,
        sample_rate_hz=rate,
    )


def interleaved(signal: Signal | NDArray[np.float32]) -> bytes:
    """32-bit floats as they lie in a file."""
    return np.ascontiguousarray(signal.T, dtype="<f4").tobytes()


def measured(
    raw: bytes, fmt: SampleFormat, weights: Sequence[float] | None = None
) -> TakeMeasurements:
    """The measurements of a take, through the threads of the pass."""
    meter = TakeMeter(fmt, weights)
    step = block_frames(fmt) * fmt.frame_bytes
    run_pass((raw[at : at + step] for at in range(0, len(raw), step)), meter.consumers())
    return meter.result()


def measured_floats(
    signal: Signal, rate: int, weights: Sequence[float] | None = None
) -> TakeMeasurements:
    """The measurements of a signal handed over as a file of floats."""
    return measured(interleaved(signal), floats(rate, len(signal)), weights)


def measured_pcm(signal: Signal, rate: int, bits: int = 24) -> TakeMeasurements:
    """The measurements of a signal handed over as a PCM file."""
    return measured(pcm(signal, bits), integers(rate, bits, len(signal)))
