"""K-weighting at any sample rate: coefficients, response, and a streaming filter.

Source: ITU-R BS.1770-5, Annex 1, which prints coefficients for 48 kHz (tables 1
and 2) and asks for the same response at other rates. The parametric form used
here reproduces the printed tables to all their decimals and is the convention of
the open reference libraries; the numerator of the high-pass stays 1, -2, 1 at
every rate, as printed.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from archiver.signal.products import tall_product
from archiver.signal.samples import Floats

__all__ = ["KWeighting", "Stage", "response", "stages"]

Stage = tuple[float, float, float, float, float]
"""Coefficients b0, b1, b2, a1, a2 of a second-order section; a0 is 1."""

_SHELF_HZ = 1681.974450955533
_SHELF_Q = 0.7071752369554196
_SHELF_DB = 3.999843853973347
_SHELF_BAND_EXPONENT = 0.4996667741545416
_HIGH_PASS_HZ = 38.13547087602444
_HIGH_PASS_Q = 0.5003270373238773


def stages(sample_rate_hz: float) -> tuple[Stage, Stage]:
    """Return the high shelf and the high-pass of the K-weighting.

    Source: BS.1770-5, Annex 1, tables 1 and 2 for 48 kHz; other rates by the
    bilinear transform of the same analogue prototypes.
    """
    k = math.tan(math.pi * _SHELF_HZ / sample_rate_hz)
    high = 10.0 ** (_SHELF_DB / 20.0)
    band = high**_SHELF_BAND_EXPONENT
    a0 = 1.0 + k / _SHELF_Q + k * k
    shelf = (
        (high + band * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _SHELF_Q + k * k) / a0,
    )
    k = math.tan(math.pi * _HIGH_PASS_HZ / sample_rate_hz)
    a0 = 1.0 + k / _HIGH_PASS_Q + k * k
    high_pass = (
        1.0,
        -2.0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _HIGH_PASS_Q + k * k) / a0,
    )
    return shelf, high_pass


def response(sample_rate_hz: float, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the gain of the K-weighting at frequencies, as a factor of amplitude."""
    z = np.exp(-2j * np.pi * frequency_hz / sample_rate_hz)
    gain = np.ones(len(frequency_hz))
    for b0, b1, b2, a1, a2 in stages(sample_rate_hz):
        gain *= np.abs((b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z))
    return gain


Matrix = NDArray[np.float64]

_STRETCH = 32
_GROUP = 8
_ORDER = 4


def _state_space(sample_rate_hz: float) -> tuple[Matrix, Matrix, Matrix, float]:
    """Return A, B, C, D of both stages in series, scaled so that white noise fills all states.

    With that scaling no state is large while its effect is small, so float32
    products keep their precision at any rate.
    """
    shelf, high_pass = stages(sample_rate_hz)
    a = np.zeros((_ORDER, _ORDER))
    b = np.zeros(_ORDER)
    parts = []
    for b0, b1, b2, a1, a2 in (shelf, high_pass):
        step = np.array([[-a1, 1.0], [-a2, 0.0]])
        parts.append((step, np.array([b1 - a1 * b0, b2 - a2 * b0]), b0))
    (step_1, in_1, through_1), (step_2, in_2, through_2) = parts
    out = np.array([1.0, 0.0])
    a[:2, :2], a[2:, 2:], a[2:, :2] = step_1, step_2, np.outer(in_2, out)
    b[:2], b[2:] = in_1, in_2 * through_1
    c = np.concatenate((through_2 * out, out))
    size = _ORDER * _ORDER
    gramian = np.linalg.solve(np.eye(size) - np.kron(a, a), np.outer(b, b).reshape(size))
    gramian = gramian.reshape(_ORDER, _ORDER)
    scale = np.linalg.cholesky((gramian + gramian.T) / 2.0)
    back = np.linalg.inv(scale)
    return back @ a @ scale, back @ b, c @ scale, through_1 * through_2


class _Level:
    """Constants to run the recursion s' = step·s + u over groups of eight u at once."""

    def __init__(self, step: Matrix) -> None:
        self.step = np.ascontiguousarray(step.T)
        powers = [np.eye(_ORDER)]
        for _ in range(_GROUP):
            powers.append(step @ powers[-1])
        self.group_step = powers[_GROUP]
        width = _GROUP * _ORDER
        # Rows: the eight u of a group, then the state at its start.
        # Columns: the states at the start of each of its eight steps.
        inside = np.zeros((width + _ORDER, width))
        self.end = np.zeros((width, _ORDER))
        for k in range(_GROUP):
            columns = slice(k * _ORDER, (k + 1) * _ORDER)
            inside[width:, columns] = powers[k].T
            for j in range(k):
                inside[j * _ORDER : (j + 1) * _ORDER, columns] = powers[k - 1 - j].T
            self.end[columns] = powers[_GROUP - 1 - k].T
        self.inside = inside


class KWeighting:
    """The K-weighting filter over a stream of planar samples.

    The recursion is solved in stretches of 32 frames: within a stretch the output
    is a matrix product of the samples and of the state at its start, and the
    states follow from each other by the same device at coarser steps.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate.
    channels : int
        Number of channels.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        a, b, c, d = _state_space(sample_rate_hz)
        self._a, self._b = a, b
        powers = [np.eye(_ORDER)]
        for _ in range(_STRETCH):
            powers.append(a @ powers[-1])
        impulse = [d] + [float(c @ powers[n] @ b) for n in range(_STRETCH - 1)]
        through = np.zeros((_STRETCH, _STRETCH))
        for row in range(_STRETCH):
            through[row, row:] = impulse[: _STRETCH - row]
        self._through = through.astype(np.float32)
        self._into_state = np.array([powers[_STRETCH - 1 - n] @ b for n in range(_STRETCH)])
        self._into_state32 = self._into_state.astype(np.float32)
        self._out_of_state = np.array([c @ powers[n] for n in range(_STRETCH)]).T
        self._out_of_state32 = self._out_of_state.astype(np.float32)
        self._powers = powers
        self._levels = [_Level(powers[_STRETCH])]
        self._state = np.zeros((channels, _ORDER))
        self._out = np.empty((channels, 0), np.float32)
        self._scratch = np.empty((0, _STRETCH), np.float32)

    def _starts(self, inputs: Matrix, start: Matrix, depth: int) -> tuple[Matrix, Matrix]:
        """Run the recursion: states at the start of every step, and after the last.

        ``inputs`` has shape (channels, steps, 4), ``start`` (channels, 4).
        """
        if depth == len(self._levels):
            self._levels.append(_Level(self._levels[-1].group_step))
        level = self._levels[depth]
        channels, steps, _ = inputs.shape
        states = np.empty_like(inputs)
        groups = steps // _GROUP
        whole = groups * _GROUP
        state = start
        if groups > 1:
            width = _GROUP * _ORDER
            grouped = np.empty((channels, groups, width + _ORDER))
            grouped[:, :, :width] = inputs[:, :whole].reshape(channels, groups, width)
            ends = np.matmul(grouped[:, :, :width], level.end)
            grouped[:, :, width:], state = self._starts(ends, start, depth + 1)
            states[:, :whole] = tall_product(
                grouped.reshape(channels * groups, -1), level.inside
            ).reshape(channels, whole, _ORDER)
        else:
            whole = 0
        for k in range(whole, steps):
            states[:, k] = state
            state = state @ level.step + inputs[:, k]
        return states, state

    def filter(self, values: Floats) -> Floats:
        """Filter the next frames.

        Parameters
        ----------
        values : ndarray, shape (channels, frames), float32
            Any number of frames.

        Returns
        -------
        ndarray, shape (channels, frames), float32
            Valid until the next call, which may use the same memory.
        """
        channels, frames = values.shape
        if self._out.shape != values.shape:
            self._out = np.empty((channels, frames), np.float32)
        out = self._out
        steps, rest = divmod(frames, _STRETCH)
        whole = steps * _STRETCH
        if steps:
            inputs = np.empty((channels, steps, _ORDER))
            rows = [
                np.ascontiguousarray(values[channel, :whole]).reshape(steps, _STRETCH)
                for channel in range(channels)
            ]
            for channel in range(channels):
                inputs[channel] = tall_product(rows[channel], self._into_state32)
            states, self._state = self._starts(inputs, self._state, 0)
            states32 = states.astype(np.float32)
            if len(self._scratch) != steps:
                self._scratch = np.empty((steps, _STRETCH), np.float32)
            for channel in range(channels):
                target = out[channel, :whole].reshape(steps, _STRETCH)
                tall_product(rows[channel], self._through, out=target)
                target += tall_product(states32[channel], self._out_of_state32, out=self._scratch)
        if rest:
            tail = values[:, whole:]
            out[:, whole:] = tail @ self._through[:rest, :rest] + (
                self._state @ self._out_of_state[:, :rest]
            )
            self._state = self._state @ self._powers[rest].T + (
                tail @ self._into_state[_STRETCH - rest :]
            )
        return out
