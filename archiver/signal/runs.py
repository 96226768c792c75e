"""Runs of equal samples: clipping, dropouts, digital silence.

Sources: common practice in the transfer of sound. A converter in order hardly
ever gives the same value three times at its extreme, and never for a millisecond
inside sound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from archiver.signal.samples import Block, Floats

__all__ = ["ClipRun", "EqualRun", "RunMeter", "Runs"]

_DROPOUT_S = 0.001
_LEAST_RUN = 24
_CLIP_RUN = 3
_MOST_RUNS = 10_000
_PEAKS_PER_SECOND = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualRun:
    """At least a millisecond of one value.

    ``step_before`` and ``step_after`` are the jumps into and out of the run,
    ``peak_before`` and ``peak_after`` the peaks of the tenths of a second that hold
    the samples beside it, full scale 1.0; all are 0 at the ends of the take.
    """

    start_frame: int
    frames: int
    value: float
    step_before: float
    step_after: float
    peak_before: float
    peak_after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipRun:
    """Three or more equal samples at the extreme of their sign; ``step`` is the jump into it."""

    start_frame: int
    frames: int
    value: float
    step: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Runs of one channel; ``complete`` is False when there were too many to keep."""

    equal: tuple[EqualRun, ...]
    clipped: tuple[ClipRun, ...]
    complete: bool


def _equal_runs(samples: Floats, least: int) -> list[tuple[int, int]]:
    """Find runs of at least ``least`` equal samples: pairs of start and end.

    A run that long covers two neighbouring points of a grid half as wide, so only
    the grid has to be looked at.
    """
    step = least // 2
    grid = samples[::step]
    places = np.flatnonzero(grid[1:] == grid[:-1]) * step
    # Quiet sound of few steps is often equal by chance on the grid, hardly ever between.
    for part in range(1, 8):
        places = places[samples[places] == samples[places + part * step // 8]]
    found: list[tuple[int, int]] = []
    for place in places.tolist():
        if found and place < found[-1][1]:
            continue
        value = samples[place]
        start = place
        while start and samples[start - 1] == value:
            start -= 1
        end = place + _leading(samples[place:], value)
        if end - start >= least:
            found.append((start, end))
    return found


def _leading(samples: Floats, value: float) -> int:
    """Count how many samples at the beginning have this value."""
    size = 256
    done = 0
    while done < len(samples):
        differ = np.flatnonzero(samples[done : done + size] != value)
        if len(differ):
            return done + int(differ[0])
        done += size
        size *= 2
    return len(samples)


class _Open(NamedTuple):
    start: int
    frames: int
    value: float
    step: float


class _Channel:
    def __init__(self, least: int) -> None:
        self.least = least
        self.equal: list[tuple[int, int, float, float, float]] = []
        self.clipped: dict[int, list[tuple[int, int, float]]] = {1: [], -1: []}
        self.extreme = {1: 0.0, -1: 0.0}
        self.open = _Open(start=0, frames=0, value=0.0, step=0.0)
        self.last: float | None = None
        self.complete = True

    def feed(self, samples: Floats, start: int) -> None:
        opened = self.open
        head = _leading(samples, opened.value) if opened.frames else 0
        if head == len(samples):
            self.open = opened._replace(frames=opened.frames + head)
            return
        if opened.frames + head >= self.least:
            step = abs(float(samples[head]) - opened.value)
            self._keep(opened._replace(frames=opened.frames + head), step)
        for first, end in _equal_runs(samples, self.least):
            if end < len(samples) and not (first == 0 and head):
                run = self._opened(samples, start, first, end)
                self._keep(run, abs(float(samples[end]) - run.value))
        tail = len(samples) - _leading(samples[::-1], samples[-1])
        self.open = self._opened(samples, start, tail, len(samples))

    def _opened(self, samples: Floats, start: int, first: int, end: int) -> _Open:
        value = float(samples[first])
        before = float(samples[first - 1]) if first else self.last
        return _Open(
            start=start + first,
            frames=end - first,
            value=value,
            step=0.0 if before is None else abs(before - value),
        )

    def close(self) -> None:
        if self.open.frames >= self.least:
            self._keep(self.open, 0.0)

    def _keep(self, run: _Open, step_after: float) -> None:
        if len(self.equal) < _MOST_RUNS:
            self.equal.append((run.start, run.frames, run.value, run.step, step_after))
        else:
            self.complete = False

    def clip(self, samples: Floats, start: int, sign: int, extreme: float) -> None:
        """Look for runs at the running extreme; those at a lower one are forgotten."""
        if extreme <= 0.0 or extreme < self.extreme[sign]:
            return
        if extreme > self.extreme[sign]:
            self.extreme[sign] = extreme
            self.clipped[sign] = []
        places = np.flatnonzero(samples == sign * extreme)
        breaks = np.flatnonzero(np.diff(places) != 1)
        firsts = places[np.concatenate(([0], breaks + 1))]
        lengths = places[np.concatenate((breaks, [len(places) - 1]))] - firsts + 1
        # A shorter run at the edge of the block may go on beyond it.
        at_edge = (firsts == 0) | (firsts + lengths == len(samples))
        kept = np.flatnonzero((lengths >= _CLIP_RUN) | at_edge)
        room = max(0, _MOST_RUNS - len(self.clipped[sign]))
        if len(kept) > room:
            self.complete = False
        for index in kept[:room]:
            first = int(firsts[index])
            before = float(samples[first - 1]) if first else self.last
            step = 0.0 if before is None else extreme - sign * before
            self.clipped[sign].append((start + first, int(lengths[index]), step))

    def clip_runs(self, sign: int) -> list[ClipRun]:
        """Join what the blocks cut apart, and return the runs that are long enough."""
        joined: list[tuple[int, int, float]] = []
        for start, frames, step in self.clipped[sign]:
            if joined and joined[-1][0] + joined[-1][1] == start:
                first, length, entry = joined[-1]
                joined[-1] = (first, length + frames, entry)
            else:
                joined.append((start, frames, step))
        value = sign * self.extreme[sign]
        return [
            ClipRun(start_frame=start, frames=frames, value=value, step=step)
            for start, frames, step in joined
            if frames >= _CLIP_RUN
        ]


class RunMeter:
    """Meters runs of equal samples."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._rate = sample_rate_hz
        least = max(_LEAST_RUN, round(_DROPOUT_S * sample_rate_hz))
        self._channels = [_Channel(least) for _ in range(channels)]
        self._hop = max(1, sample_rate_hz // _PEAKS_PER_SECOND)
        self._peaks: list[NDArray[np.float32]] = []
        self._open_peak = np.zeros(channels, np.float32)
        self._frames = 0

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        if not block.frames:
            return
        self._add_peaks(block.values)
        for channel, samples in zip(self._channels, block.values, strict=True):
            channel.feed(samples, self._frames)
            for sign in (1, -1):
                extreme = float(samples.max() if sign > 0 else -samples.min())
                channel.clip(samples, self._frames, sign, extreme)
            channel.last = float(samples[-1])
        self._frames += block.frames

    def _add_peaks(self, values: Floats) -> None:
        first = -self._frames % self._hop
        edges = np.arange(first, values.shape[1], self._hop)
        pieces = edges if first == 0 else np.concatenate(([0], edges))
        peaks = np.maximum(
            np.maximum.reduceat(values, pieces, axis=1),
            -np.minimum.reduceat(values, pieces, axis=1),
        )
        if first:
            self._open_peak = np.maximum(self._open_peak, peaks[:, 0])
            peaks = peaks[:, 1:]
            if not len(edges):
                return
        if self._frames:
            self._peaks.append(self._open_peak[:, np.newaxis])
        self._peaks.append(peaks[:, :-1])
        self._open_peak = peaks[:, -1]

    def result(self) -> tuple[Runs, ...]:
        """Return the runs of each channel."""
        peaks = np.concatenate((*self._peaks, self._open_peak[:, np.newaxis]), axis=1)
        return tuple(
            self._runs(channel, peaks[index]) for index, channel in enumerate(self._channels)
        )

    def _runs(self, channel: _Channel, peaks: NDArray[np.float32]) -> Runs:
        channel.close()
        equal = [
            EqualRun(
                start_frame=start,
                frames=frames,
                value=value,
                step_before=step_before,
                step_after=step_after,
                peak_before=float(peaks[(start - 1) // self._hop]) if start else 0.0,
                peak_after=(
                    float(peaks[(start + frames) // self._hop])
                    if start + frames < self._frames
                    else 0.0
                ),
            )
            for start, frames, value, step_before, step_after in channel.equal
        ]
        clipped = [*channel.clip_runs(1), *channel.clip_runs(-1)]
        clipped.sort(key=lambda run: run.start_frame)
        return Runs(equal=tuple(equal), clipped=tuple(clipped), complete=channel.complete)
