"""Spectra sorted by level: what lets a single pass tell the quiet parts from the sound.

Which frames are quiet is known only at the end. Spectra are therefore added up in
classes of 1 dB of the frame's own level, so that memory is bounded whatever the
length, and at the end the quietest classes are the noise.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["LevelSorted"]

_LOWEST_DB = -200
_HIGHEST_DB = 60


class LevelSorted:
    """Power spectra of one channel, added up by level.

    Parameters
    ----------
    bins : int
        Length of each spectrum.
    """

    def __init__(self, bins: int) -> None:
        self._bins = bins
        self._sums: dict[int, NDArray[np.float64]] = {}
        self._counts: dict[int, int] = {}
        self._levels: dict[int, float] = {}
        self.silent_frames = 0

    def add(self, power: float, spectrum: NDArray[Any]) -> None:
        """Add the spectrum of one frame, whose own power decides the class.

        Frames of digital silence are counted and left out: they are no noise.
        """
        if power <= 0.0:
            self.silent_frames += 1
            return
        level = min(max(math.floor(10.0 * math.log10(power)), _LOWEST_DB), _HIGHEST_DB)
        if level not in self._sums:
            self._sums[level] = np.zeros(self._bins)
            self._counts[level] = 0
            self._levels[level] = 0.0
        self._sums[level] += spectrum
        self._counts[level] += 1
        self._levels[level] += power

    @property
    def frames(self) -> int:
        """Number of frames that were not silent."""
        return sum(self._counts.values())

    def _mean(self, classes: list[int]) -> NDArray[np.float64]:
        total = np.zeros(self._bins)
        for level in classes:
            total += self._sums[level]
        return total / sum(self._counts[level] for level in classes)

    def mean(self) -> NDArray[np.float64] | None:
        """Return the mean spectrum of all frames; None when all were silent."""
        return self._mean(sorted(self._counts)) if self._counts else None

    def quiet(
        self, share: float, *, least_frames: int, least_chosen: int
    ) -> tuple[NDArray[np.float64], int] | None:
        """Return the mean spectrum of the quietest frames, and their number.

        Parameters
        ----------
        share : float
            Part of all frames that is wanted; whole classes are taken.
        least_frames : int
            None is returned when there are fewer frames than this in all.
        least_chosen : int
            Frames wanted at least, however few there are in all.
        """
        if self.frames < max(1, least_frames):
            return None
        wanted = max(float(least_chosen), share * self.frames)
        chosen: list[int] = []
        for level in sorted(self._counts):
            chosen.append(level)
            if sum(self._counts[one] for one in chosen) >= wanted:
                break
        return self._mean(chosen), sum(self._counts[level] for level in chosen)

    def programme(self, gate_db: float) -> NDArray[np.float64] | None:
        """Return the mean spectrum of the frames above a gate below their mean power."""
        if not self._counts:
            return None
        mean = sum(self._levels.values()) / self.frames
        lowest = 10.0 * np.log10(mean) - gate_db
        chosen = [
            level
            for level, count in self._counts.items()
            if 10.0 * np.log10(self._levels[level] / count) > lowest
        ]
        return self._mean(sorted(chosen))
