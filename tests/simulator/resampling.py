"""Reading a sound at any times: windowed-sinc interpolation with a time-varying step.

The kernel is a sinc under a Kaiser window, tabulated at fine steps and interpolated
linearly between them. The step may vary from sample to sample, which is what a
turning cylinder does to its groove.
"""

from __future__ import annotations

import functools

import numpy as np

from tests.simulator.draws import Samples

__all__ = ["sound_at"]

_HALF_WIDTH = 32
_PHASES = 2048
_BETA = 12.0
_CHUNK = 1 << 14


@functools.cache
def _kernel() -> Samples:
    """Tabulate the kernel, shape (phases + 1, taps); every row sums to 1."""
    phase = np.arange(_PHASES + 1)[:, None] / _PHASES
    tap = np.arange(1 - _HALF_WIDTH, _HALF_WIDTH + 1)[None, :]
    distance = tap - phase
    edge = np.clip(1.0 - (distance / _HALF_WIDTH) ** 2, 0.0, None)
    table = np.sinc(distance) * np.i0(_BETA * np.sqrt(edge)) / np.i0(_BETA)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def sound_at(sounds: Samples, positions: Samples) -> Samples:
    """Return band-limited sounds at fractional sample positions.

    Parameters
    ----------
    sounds : ndarray, shape (..., frames)
        Silence is assumed on either side.
    positions : ndarray, shape (n,)
        In samples from the first one; any order, any spacing. Steps much over one
        sample alias, as the kernel passes the whole band of the input.

    Returns
    -------
    ndarray, shape (..., n)
    """
    table = _kernel()
    rows = np.atleast_2d(sounds)
    padded = np.pad(rows, ((0, 0), (_HALF_WIDTH, _HALF_WIDTH)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _HALF_WIDTH, axis=1)
    result = np.zeros((rows.shape[0], positions.size))
    inside = np.flatnonzero((positions > -1.0) & (positions < rows.shape[1]))
    for start in range(0, inside.size, _CHUNK):
        where = inside[start : start + _CHUNK]
        whole = np.floor(positions[where])
        fine = (positions[where] - whole) * _PHASES
        row = np.minimum(fine.astype(np.int64), _PHASES - 1)
        share = (fine - row)[:, None]
        weights = table[row] + share * (table[row + 1] - table[row])
        begin = whole.astype(np.int64) + 1
        for index, window in enumerate(windows):
            result[index, where] = np.einsum("ij,ij->i", window[begin], weights)
    return result.reshape(*sounds.shape[:-1], positions.size)
