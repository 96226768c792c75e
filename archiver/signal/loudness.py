"""Programme loudness: integrated, momentary, short-term, and loudness range.

Sources: ITU-R BS.1770-5, Annex 1 (weighting, blocks of 400 ms with 75 % overlap,
the two gates); EBU Tech 3341 (momentary 400 ms, short-term 3 s); EBU Tech 3342
(loudness range). Maxima of momentary and short-term loudness are taken on a grid
of 10 ms; the short-term values of the loudness range follow each other by 100 ms.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.signal.hops import HopSums, hop_starts
from archiver.signal.kweighting import KWeighting
from archiver.signal.samples import Block

__all__ = [
    "RANGE_STEP_S",
    "Loudness",
    "LoudnessCourse",
    "LoudnessMeter",
    "channel_weights",
    "integrated_lufs",
    "loudness_range_lu",
]

RANGE_STEP_S = 0.1
"""Step between the short-term values of the loudness range, as Tech 3342 (2016) asks."""

_OFFSET_DB = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_INTEGRATED_GATE_LU = 10.0
_RANGE_GATE_LU = 20.0
_FINE_PER_SECOND = 100
_COARSE = 10
_MOMENTARY_HOPS = 40
_SHORT_TERM_HOPS = 300
_MOST_STEPS = 600
_SURROUND = re.compile(
    r"\b(ls|rs|lss|rss|lrs|rrs|m110|m-110|m\+110)\b|\b(left|right)\s+surround\b|\bsurround\s+(left|right)\b"
)
_LOW_FREQUENCY = re.compile(r"\blfe\d?\b|\blow[- ]frequency effects\b")


def channel_weights(meanings: Sequence[str]) -> tuple[float, ...]:
    """Return the weight of each channel in the sum, from what the channel carries.

    1.41 for surround channels (Ls, Rs, "left surround"), 0 for low-frequency
    effects (LFE), 1 for everything else.

    Source: BS.1770-5, Annex 1, table 3.
    """
    weights = []
    for meaning in meanings:
        words = meaning.casefold().replace("_", " ")
        if _LOW_FREQUENCY.search(words):
            weights.append(0.0)
        else:
            weights.append(1.41 if _SURROUND.search(words) else 1.0)
    return tuple(weights)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """Loudness of a take; None where it cannot be measured.

    ``integrated_lufs`` and ``range_lu`` need sound above -70 LUFS; momentary and
    short-term values need 400 ms and 3 s of sound that is not digital silence.
    """

    integrated_lufs: float | None
    range_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessCourse:
    """How loud a take is from step to step, for a drawing of it.

    Parameters
    ----------
    step_s : float
        Length of a step: 0.1 s, or longer where a take has more than 600 of them.
    momentary_lufs : tuple of float or None
        Greatest momentary loudness of the windows of 400 ms that begin in each step;
        None for digital silence. Empty for less than 400 ms of sound.
    """

    step_s: float
    momentary_lufs: tuple[float | None, ...]


def _lufs(power: float) -> float | None:
    return _OFFSET_DB + 10.0 * math.log10(power) if power > 0.0 else None


def _gate(powers: NDArray[np.float64], relative_lu: float) -> NDArray[np.float64]:
    absolute = 10.0 ** ((_ABSOLUTE_GATE_LUFS - _OFFSET_DB) / 10.0)
    above: NDArray[np.float64] = powers[powers > absolute]
    if len(above):
        above = above[above > above.mean() * 10.0 ** (-relative_lu / 10.0)]
    return above


def integrated_lufs(powers: NDArray[np.float64]) -> float | None:
    """Integrate the K-weighted powers of 400 ms blocks that overlap by 75 %.

    Parameters
    ----------
    powers : ndarray, shape (blocks,)
        Weighted sums of the channels' mean squares.

    Source: BS.1770-5, Annex 1, equations 4 to 7.
    """
    gated = _gate(powers, _INTEGRATED_GATE_LU)
    return _lufs(float(gated.mean())) if len(gated) else None


def loudness_range_lu(powers: NDArray[np.float64]) -> float | None:
    """Return the spread between the 10th and 95th percentile of short-term loudness.

    Parameters
    ----------
    powers : ndarray, shape (values,)
        K-weighted powers of 3 s windows.

    Source: EBU Tech 3342, with the percentile of the nearest rank of its program.
    """
    gated = np.sort(_gate(powers, _RANGE_GATE_LU))
    if not len(gated):
        return None
    low, high = (gated[int((len(gated) - 1) * share + 0.5)] for share in (0.10, 0.95))
    return 10.0 * math.log10(high / low)


class LoudnessMeter:
    """Meters BS.1770 loudness.

    Parameters
    ----------
    sample_rate_hz : int
        8000 to 384000.
    weights : sequence of float
        One for each channel; see :func:`channel_weights`.
    """

    def __init__(self, sample_rate_hz: int, weights: Sequence[float]) -> None:
        self._rate = sample_rate_hz
        self._weights = np.asarray(weights, np.float64)
        self._filter = KWeighting(sample_rate_hz, len(weights))
        self._sums = HopSums(sample_rate_hz, _FINE_PER_SECOND, len(weights))
        self._recent = np.empty(0)
        self._coarse: list[NDArray[np.float64]] = []
        self._open_coarse = np.empty(0)
        self._momentary = 0.0
        self._short_term = 0.0

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        weighted = self._filter.filter(block.values)
        energies = self._weights @ self._sums.add(weighted, weighted)
        if not len(energies):
            return
        self._recent = np.concatenate((self._recent, energies))
        first = self._sums.hops - len(self._recent)
        running = np.concatenate(([0.0], np.cumsum(self._recent)))
        self._momentary = max(self._momentary, self._loudest(running, first, _MOMENTARY_HOPS))
        self._short_term = max(self._short_term, self._loudest(running, first, _SHORT_TERM_HOPS))
        self._recent = self._recent[-(_SHORT_TERM_HOPS - 1) :]
        pending = np.concatenate((self._open_coarse, energies))
        whole = len(pending) // _COARSE * _COARSE
        self._coarse.append(pending[:whole].reshape(-1, _COARSE).sum(axis=1))
        self._open_coarse = pending[whole:]

    def _loudest(self, running: NDArray[np.float64], first: int, hops: int) -> float:
        windows = len(running) - hops
        if windows < 1:
            return 0.0
        starts = hop_starts(self._rate, _FINE_PER_SECOND, first + np.arange(windows + hops))
        powers = (running[hops:] - running[:windows]) / (starts[hops:] - starts[:windows])
        return float(powers.max())

    def powers(self, window_s: float, step_s: float = RANGE_STEP_S) -> NDArray[np.float64]:
        """Return K-weighted powers of all complete windows so far, channels summed.

        Parameters
        ----------
        window_s, step_s : float
            Multiples of 0.1 s.
        """
        energies = np.concatenate((np.empty(0), *self._coarse))
        width, step = round(window_s * _COARSE), round(step_s * _COARSE)
        if len(energies) < width:
            return np.empty(0)
        # Summing views instead of differencing a running sum: nothing of a loud passage
        # stays behind in the quiet one after it.
        count = len(energies) - width + 1
        sums = sum((energies[k : k + count] for k in range(width)), np.zeros(count))
        starts = hop_starts(self._rate, _COARSE, np.arange(len(energies) + 1))
        powers: NDArray[np.float64] = sums / (starts[width:] - starts[:count])
        return powers[::step]

    def result(self) -> Loudness:
        """Return the loudness of all that was fed."""
        return Loudness(
            integrated_lufs=integrated_lufs(self.powers(0.4)),
            range_lu=loudness_range_lu(self.powers(3.0)),
            max_momentary_lufs=_lufs(self._momentary),
            max_short_term_lufs=_lufs(self._short_term),
        )

    def course(self) -> LoudnessCourse:
        """Return the momentary loudness of all that was fed, in at most 600 steps."""
        powers = self.powers(0.4)
        held = max(1, -(-len(powers) // _MOST_STEPS))
        firsts = np.arange(0, len(powers), held)
        loudest = np.maximum.reduceat(powers, firsts) if len(powers) else powers
        return LoudnessCourse(
            step_s=held * RANGE_STEP_S,
            momentary_lufs=tuple(_lufs(float(power)) for power in loudest),
        )
