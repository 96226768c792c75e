"""What one channel says about another: the same sound, turned round, missing, or swapped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from archiver.signal.noise import ChannelNoise
from archiver.signal.samples import Block

__all__ = ["Pair", "PairMeter", "swapped_takes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two channels, counted from 1.

    ``identical`` means every sample, ``opposite`` every sample with its sign turned;
    ``correlation`` is that between 200 and 3000 Hz, None where one is silent.
    """

    first: int
    second: int
    identical: bool
    opposite: bool
    correlation: float | None


class PairMeter:
    """Meters which channels hold the same samples."""

    def __init__(self, channels: int) -> None:
        self._same = set(combinations(range(channels), 2))
        self._opposite = set(self._same)
        self._sounding = np.zeros(channels, np.bool_)

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        values = block.values
        if not self._sounding.all():
            self._sounding |= values.any(axis=1)
        self._same = {
            (one, two) for one, two in self._same if np.array_equal(values[one], values[two])
        }
        self._opposite = {
            (one, two) for one, two in self._opposite if np.array_equal(values[one], -values[two])
        }

    def result(self) -> tuple[frozenset[tuple[int, int]], frozenset[tuple[int, int]]]:
        """Return the pairs, counted from 0, that are identical and that are opposite."""
        alike, opposite = (
            frozenset(pair for pair in pairs if self._sounding[list(pair)].all())
            for pairs in (self._same, self._opposite)
        )
        return alike, opposite


_LEAST_TAKES = 3
_LEAST_BANDS = 8
_LEAST_GAIN_DB = 3.0


def swapped_takes(takes: Sequence[Sequence[ChannelNoise]]) -> tuple[tuple[int, int, int], ...]:
    """Find takes whose channels lie crossed, by the noise that each chain leaves.

    Each microphone and preamplifier has a noise spectrum of its own. A take is named
    when two of its channels match the other takes better crossed than straight, by
    3 dB on average over the bands.

    Parameters
    ----------
    takes : sequence of sequence of ChannelNoise
        Takes of one capture chain, with equally many channels. Fewer than three tell
        nothing.

    Returns
    -------
    tuple of (int, int, int)
        Index of the take, and the two channels, counted from 1.
    """
    # What has no noise floor, as a tone that never pauses, tells nothing of its chain.
    told = [
        index
        for index, take in enumerate(takes)
        if all(one.noise_floor_dbfs is not None for one in take)
    ]
    takes = [takes[index] for index in told]
    if len(takes) < _LEAST_TAKES or len({len(take) for take in takes}) != 1:
        return ()
    spectra = np.array(
        [
            [[np.nan if b.noise_dbfs is None else b.noise_dbfs for b in one.bands] for one in take]
            for take in takes
        ]
    )
    measured = ~np.isnan(spectra).any(axis=(0, 1))
    if np.count_nonzero(measured) < _LEAST_BANDS:
        return ()
    spectra = spectra[:, :, measured]
    usual = np.median(spectra, axis=0)
    found = []
    for index, take in enumerate(spectra):
        for one, two in combinations(range(spectra.shape[1]), 2):
            straight = np.mean(np.abs(take[[one, two]] - usual[[one, two]]))
            crossed = np.mean(np.abs(take[[one, two]] - usual[[two, one]]))
            if straight - crossed > _LEAST_GAIN_DB:
                found.append((told[index], one + 1, two + 1))
    return tuple(found)
