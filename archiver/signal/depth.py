"""True bit depth: whether the samples use the steps that the file has room for.

Two signs: low bits that are never set, and, after a gain was applied to samples of
fewer bits, values around zero that never occur.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from archiver.signal.samples import Block, Floats

__all__ = ["DepthMeter"]

_CELL = 256
_CELLS_EACH_SIDE = 64
_STRETCH = 16_384
_WHOLE_STRETCHES = 61
_EVERY = 8
_LAST_FRAME = _STRETCH * 1_000
_LEAST_BITS = 24
_LEAST_PER_VALUE = 0.1
_LEAST_CELLS = 8


class DepthMeter:
    """Estimates the depth of 24- and 32-bit samples from the values that occur.

    Only samples near zero are looked at: all of the first million frames, then every
    eighth stretch of 16384 frames up to the sixteen-millionth.

    Parameters
    ----------
    channels, valid_bits : int
        Of the file; samples of fewer than 24 bits tell nothing here.
    """

    def __init__(self, channels: int, valid_bits: int) -> None:
        half = _CELL * _CELLS_EACH_SIDE
        self._half = half
        self._counts = np.zeros((channels, 2 * half), np.int64)
        self._frame = 0 if valid_bits >= _LEAST_BITS else _LAST_FRAME

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        if block.bits is None:
            return
        at = 0
        while at < block.frames and self._frame < _LAST_FRAME:
            index, inside = divmod(self._frame, _STRETCH)
            size = min(_STRETCH - inside, block.frames - at)
            if index < _WHOLE_STRETCHES or index % _EVERY == 0:
                self._count(block.values[:, at : at + size])
            at += size
            self._frame += size

    def _count(self, values: Floats) -> None:
        for channel, samples in enumerate(values):
            near = np.floor(samples * np.float32(2.0**23)).astype(np.int32) + self._half
            near = near[(near >= 0) & (near < 2 * self._half)]
            self._counts[channel] += np.bincount(near, minlength=2 * self._half)

    def result(self) -> tuple[float | None, ...]:
        """Return the share of possible 24-bit values that occur in each channel.

        Near 1 for sound captured with 24 bits, 1/256 for 16 bits with a gain; None
        where there are too few samples near zero to tell.
        """
        return tuple(_occupancy(counts.reshape(-1, _CELL)) for counts in self._counts)


def _occupancy(cells: NDArray[np.int64]) -> float | None:
    density = cells.sum(axis=1) / _CELL
    dense = density >= _LEAST_PER_VALUE
    if np.count_nonzero(dense) < _LEAST_CELLS:
        return None
    occupied = np.count_nonzero(cells[dense], axis=1) / _CELL
    # What chance leaves empty at this density does not count against the samples.
    expected = 1.0 - np.exp(-density[dense])
    return float(min(1.0, np.mean(occupied / expected)))
