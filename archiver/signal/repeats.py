"""Repeated blocks: a driver that hands the same buffer over twice.

Looked for at the distances of the buffers in use (powers of two from 64 to 8192
frames, and 5, 10 and 20 ms): common practice. Sound that repeats more than four
times over is a synthetic tone, not a fault.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.signal.samples import Block

__all__ = ["Repeat", "RepeatMeter"]

_GRID = 16
_LEAST_FRAMES = 64
_LEAST_VALUES = 8
_LEAST_PART = 0.75
_MOST_TIMES = 4.25
_MOST = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """A stretch that equals the one ``distance`` frames before it, to within 16 frames."""

    start_frame: int
    frames: int
    distance: int


def _distances(sample_rate_hz: int) -> tuple[int, ...]:
    powers = {1 << k for k in range(6, 14)}
    times = {sample_rate_hz * ms // 1000 for ms in (5, 10, 20)}
    return tuple(sorted(value for value in powers | times if value >= _LEAST_FRAMES))


class _Distance:
    """Equal stretches at one distance."""

    def __init__(self, distance: int) -> None:
        self.distance = distance
        self.checked = 0
        self.found: list[Repeat] = []
        self._start = 0
        self._end = -1
        self._values = 0

    def add(self, starts: NDArray[np.int64], cells: NDArray[np.float32]) -> None:
        """Take in the grid cells that are equal, in order of their first frame."""
        for start, cell in zip(starts.tolist(), cells, strict=True):
            # Two samples that happen to be equal hide a cell; the stretch goes on.
            if start > self._end + 2 * _GRID:
                self.close()
                self._start, self._values = start, 0
            self._end = start + _GRID
            self._values = max(self._values, len(np.unique(cell)))

    def close(self) -> None:
        """Judge the stretch that has ended."""
        frames = self._end - self._start
        if (
            frames >= max(_LEAST_FRAMES - 2 * _GRID, _LEAST_PART * self.distance)
            and frames <= _MOST_TIMES * self.distance
            and self._values >= _LEAST_VALUES
            and len(self.found) < _MOST
        ):
            self.found.append(
                Repeat(start_frame=self._start, frames=frames, distance=self.distance)
            )
        self._end = -1


class RepeatMeter:
    """Meters repeated blocks in the first channel that carries sound.

    All channels of a buffer are repeated together, so every other channel would
    tell the same.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self._distances = [_Distance(value) for value in _distances(sample_rate_hz)]
        self._memory = self._distances[-1].distance + 2 * _GRID
        self._past = np.zeros(0, np.float32)
        self._frames = 0
        self._channel: int | None = None

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        if self._channel is None:
            sounding = np.flatnonzero(block.values.any(axis=1))
            self._channel = int(sounding[0]) if len(sounding) else None
        samples = block.values[0 if self._channel is None else self._channel]
        first = self._frames - len(self._past)
        self._frames += block.frames
        samples = np.concatenate((self._past, samples))
        if self._channel is not None:
            grid = np.ascontiguousarray(samples[-first % _GRID :: _GRID])
            for distance in self._distances:
                _compare(distance, samples, grid, first)
        self._past = samples[-self._memory :].copy()

    def result(self) -> tuple[Repeat, ...]:
        """Return the repeats, each at the shortest distance at which it shows."""
        kept: list[Repeat] = []
        for distance in self._distances:
            distance.close()
            for repeat in distance.found:
                end = repeat.start_frame + repeat.frames
                if not any(
                    one.start_frame < end and repeat.start_frame < one.start_frame + one.frames
                    for one in kept
                ):
                    kept.append(repeat)
        return tuple(sorted(kept, key=lambda repeat: repeat.start_frame))


def _compare(
    distance: _Distance, samples: NDArray[np.float32], grid: NDArray[np.float32], first: int
) -> None:
    """Compare on a grid that is fixed in the take; look closer only where the grid agrees."""
    start = max(distance.checked, first + distance.distance)
    start += -start % _GRID
    count = (first + len(samples) - 1 - start) // _GRID
    if count < 1:
        return
    distance.checked = start + count * _GRID
    here = start - first
    on_grid = (start - (first + -first % _GRID)) // _GRID
    later = grid[on_grid : on_grid + count + 1]
    if distance.distance % _GRID:
        earlier = samples[here - distance.distance :][: count * _GRID + 1 : _GRID]
    else:
        earlier = grid[on_grid - distance.distance // _GRID :][: count + 1]
    equal = later == earlier
    # A cell whose ends are alike may lie in silence, which repeats at any distance.
    cells = np.flatnonzero(equal[1:] & equal[:-1] & (later[1:] != later[:-1]))
    if not len(cells):
        return
    places = here + cells[:, np.newaxis] * _GRID + np.arange(_GRID)
    values = samples[places]
    same = (values == samples[places - distance.distance]).all(axis=1)
    distance.add(start + cells[same] * _GRID, values[same])
