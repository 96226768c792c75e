"""Sound reduced to what a historic machine can hold: one channel at 16 kHz.

Everything that measures motion works on this, so that a take of any rate and length
is read once and kept small: 3.8 MB a minute.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr

from archiver.signal.estimate import Reals
from archiver.signal.samples import Block, Floats

__all__ = ["REDUCED_RATE_HZ", "ReducedSound", "SoundReducer", "reduced"]

REDUCED_RATE_HZ = 16_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReducedSound:
    """One channel of a take at the reduced rate.

    Parameters
    ----------
    samples : ndarray, shape (frames,), float32
        Full scale 1.0, at :data:`REDUCED_RATE_HZ`.
    """

    samples: Floats

    @property
    def duration_s(self) -> float:
        """Length of the take."""
        return self.samples.size / REDUCED_RATE_HZ


class SoundReducer:
    """Keeps one channel at the reduced rate while a take passes by: a meter.

    Parameters
    ----------
    sample_rate_hz : int
        Of the take.
    channel : int
        Which channel to keep, counted from 0.
    """

    def __init__(self, sample_rate_hz: int, channel: int = 0) -> None:
        self._channel = channel
        self._stream = (
            None
            if sample_rate_hz == REDUCED_RATE_HZ
            else soxr.ResampleStream(sample_rate_hz, REDUCED_RATE_HZ, 1, dtype="float32")
        )
        self._parts: list[Floats] = []

    def feed(self, block: Block) -> None:
        """Take the next frames."""
        values = block.values[self._channel]
        if self._stream is None:
            self._parts.append(values.copy())
        else:
            self._parts.append(self._stream.resample_chunk(np.ascontiguousarray(values)))

    def result(self) -> ReducedSound:
        """Return the reduced sound; call it once, after the last block."""
        if self._stream is not None:
            self._parts.append(self._stream.resample_chunk(np.empty(0, np.float32), last=True))
        whole = np.concatenate(self._parts) if self._parts else np.empty(0, np.float32)
        self._parts = []
        return ReducedSound(samples=whole)


def reduced(samples: Floats | Reals, sample_rate_hz: int) -> ReducedSound:
    """Reduce a whole sound of one channel, shape (frames,)."""
    reducer = SoundReducer(sample_rate_hz)
    reducer.feed(Block(start_frame=0, values=np.asarray(samples, np.float32)[None, :]))
    return reducer.result()
