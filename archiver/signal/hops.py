"""Sums over a fixed time grid, for any sample rate and any blocks.

The k-th hop begins at frame round(k · rate / hops per second), so that the grid
does not drift where the rate is no multiple of it (11,025 Hz).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["HopSums", "hop_starts"]


def hop_starts(sample_rate_hz: int, per_second: int, hops: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the first frame of each hop."""
    return (2 * hops * sample_rate_hz + per_second) // (2 * per_second)


class HopSums:
    """Adds products of samples up in every hop, per channel.

    Parameters
    ----------
    sample_rate_hz, per_second : int
        The grid.
    channels : int
        Number of channels.
    """

    def __init__(self, sample_rate_hz: int, per_second: int, channels: int) -> None:
        self._rate = sample_rate_hz
        self._per_second = per_second
        self._frame = 0
        self._hop = 0
        self._open = np.zeros(channels)

    @property
    def hops(self) -> int:
        """Number of complete hops so far."""
        return self._hop

    def add(self, first: NDArray[Any], second: NDArray[Any]) -> NDArray[np.float64]:
        """Take the next frames in and sum the products of two signals over them.

        Parameters
        ----------
        first, second : ndarray, shape (channels, frames)
            The factors; the same array twice for energies.

        Returns
        -------
        ndarray, shape (channels, hops), float64
            The sums of the hops that these frames complete.
        """
        frames = first.shape[1]
        end = self._frame + frames
        candidates = self._hop + 1 + np.arange(2 + frames * self._per_second // self._rate)
        starts = hop_starts(self._rate, self._per_second, candidates)
        starts = starts[starts <= end]
        edges = np.concatenate(([0], starts - self._frame))
        if edges[-1] < frames:
            edges = np.append(edges, frames)
        sums = _piecewise(first, second, edges)
        done = len(starts)
        if not frames:
            return sums[:, :0]
        sums[:, 0] += self._open
        self._open = sums[:, done].copy() if done < sums.shape[1] else np.zeros(len(sums))
        self._hop += done
        self._frame = end
        return sums[:, :done]


def _piecewise(
    first: NDArray[Any], second: NDArray[Any], edges: NDArray[np.int64]
) -> NDArray[np.float64]:
    channels = len(first)
    sums = np.empty((channels, len(edges) - 1))
    lengths = np.diff(edges)
    # All pieces but the first and the last are alike at nearly every rate in use; a view
    # of them as rows then spares the copy that the general way makes.
    inner = slice(edges[1], edges[-2]) if len(edges) > 3 else slice(0, 0)
    length = int(lengths[1]) if len(edges) > 3 else 0
    alike = length > 0 and bool((lengths[1:-1] == length).all())
    for channel in range(channels):
        one, two = first[channel], second[channel]
        if alike:
            sums[channel, 1:-1] = np.vecdot(
                one[inner].reshape(-1, length), two[inner].reshape(-1, length)
            )
            outer = [0, len(lengths) - 1]
        else:
            outer = list(range(len(lengths)))
        for k in outer:
            piece = slice(edges[k], edges[k + 1])
            sums[channel, k] = one[piece] @ two[piece]
    return sums
