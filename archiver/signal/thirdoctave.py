"""Third-octave bands and the power in them.

Source: IEC 61260-1:2014, base-ten system: exact mid-band frequencies
1000·10^(k/10) Hz, band edges at 10^(±1/20) of them; nominal mid-band frequencies as
its annex rounds them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Band", "band_powers", "bands"]

# The decade of nominal values from 1 kHz; the others are powers of ten of it.
_NOMINAL = (1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0)
_LOWEST_INDEX = -17


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One third-octave band."""

    nominal_hz: float
    centre_hz: float
    low_hz: float
    high_hz: float


def bands(sample_rate_hz: int) -> tuple[Band, ...]:
    """Return the bands from 20 Hz to the last that lies whole below half the sample rate."""
    found = []
    index = _LOWEST_INDEX
    while (high := 1000.0 * 10.0 ** ((2 * index + 1) / 20.0)) <= sample_rate_hz / 2.0:
        decade, step = divmod(index, 10)
        nominal = _NOMINAL[step] * 10.0**decade
        found.append(
            Band(
                # 31.5 is kept; 12.5 and 16 and all above have no other decimals.
                nominal_hz=round(nominal, 1),
                centre_hz=1000.0 * 10.0 ** (index / 10.0),
                low_hz=1000.0 * 10.0 ** ((2 * index - 1) / 20.0),
                high_hz=high,
            )
        )
        index += 1
    return tuple(found)


def band_powers(
    powers: NDArray[np.float64], bin_hz: float, chosen: tuple[Band, ...]
) -> NDArray[np.float64]:
    """Sum a power spectrum up in bands; a bin at an edge counts for its part inside.

    Parameters
    ----------
    powers : ndarray, shape (bins,)
        Mean square in each bin; bin k is centred on k · bin_hz.
    bin_hz : float
        Width of a bin.
    chosen : tuple of Band
        The bands.

    Returns
    -------
    ndarray, shape (bands,)
    """
    edges = (np.arange(len(powers) + 1) - 0.5) * bin_hz
    running = np.concatenate(([0.0], np.cumsum(powers)))
    low = np.interp([band.low_hz for band in chosen], edges, running)
    high = np.interp([band.high_hz for band in chosen], edges, running)
    return np.asarray(high - low)
