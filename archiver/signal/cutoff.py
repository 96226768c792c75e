"""A spectrum that ends far below half the sample rate: an upsampled or a lossy source.

What the programme of an old machine contains ends gradually, at 3 to 5 kHz; the
noise of microphone, preamplifier and converter does not end at all below the
converter's own filter. A fall of 20 dB within 1.5 kHz in the quiet parts, with
nothing above it but the rounding of the samples, is the mark of a filter that was
there before this file (common practice; thresholds tried on synthesis and on
recorded speech).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["spectral_cutoff_hz"]

_CELL_HZ = 150.0
_LOWEST_HZ = 3_000.0
_HIGHEST_SHARE = 0.46
_FALL_DB = 20.0
_AFTER_DB = 15.0
_BEFORE_HZ = 1_500.0
_TRANSITION_HZ = 600.0
_LEVEL_DB = 12.0
_MARGIN_DB = 10.0


def spectral_cutoff_hz(
    powers: NDArray[np.float64], bin_hz: float, sample_rate_hz: int, step: float
) -> float | None:
    """Return where a noise spectrum breaks off, or None.

    Parameters
    ----------
    powers : ndarray, shape (bins,)
        Mean square in each bin, of the quiet parts.
    bin_hz : float
        Width of a bin.
    sample_rate_hz : int
        Breaks above 0.46 of it are the converter's own filter.
    step : float
        Quantisation step of the samples, full scale 1.0: what is left above the break
        must be of the order of its rounding noise.
    """
    size = max(1, round(_CELL_HZ / bin_hz))
    count = len(powers) // size
    cells = np.median(powers[: count * size].reshape(count, size), axis=1)
    if cells.max(initial=0.0) <= 0.0:
        return None
    # A spectrum may end in nothing at all; its level there is then as low as float32 reaches.
    levels = 10.0 * np.log10(np.maximum(cells, cells.max() * 1e-16))
    width = size * bin_hz
    # Rounding with triangular dither spreads a quarter of a squared step over all bins.
    nothing = 10.0 * np.log10(step**2 / 4.0 / len(powers)) + _MARGIN_DB
    before, between = round(_BEFORE_HZ / width), round(_TRANSITION_HZ / width)
    best: tuple[float, int] | None = None
    last = min(count - 3, int(_HIGHEST_SHARE * sample_rate_hz / width))
    for index in range(max(before, int(_LOWEST_HZ / width)), last):
        below = levels[index - before : index]
        above = levels[index + between :]
        if len(above) < 2:
            break
        level = float(np.median(below))
        fall = level - float(np.median(above[: 2 * before]))
        if float(np.median(above)) > nothing:
            continue
        if fall < _FALL_DB or level - float(np.max(above)) < _AFTER_DB:
            continue
        # Lines and slopes are no band that breaks off.
        if float(np.ptp(below[:-1])) > _LEVEL_DB:
            continue
        if best is None or fall > best[0]:
            best = (fall, index)
    if best is None:
        return None
    fall, index = best
    middle = float(np.median(levels[index - before : index])) - fall / 2.0
    crossing = index + int(np.argmax(levels[index:] < middle))
    return crossing * width
