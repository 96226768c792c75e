"""What the machine did to the sound: bands that came through, how well, how clearly.

The performance is read along the measured path, so that both sounds run together.
Where their timing holds to an eighth of a period, coherence tells what is linearly
the same; elsewhere the powers of third-octave bands are compared as they change with
time. The default is the second; which one was used is said for each band.

Sources: coherence and its noise, Bendat and Piersol, Random Data (formulas from
memory); third-octave bands, IEC 61260-1:2014, base ten; band importance of average
speech, ANSI S3.5-1997, table 3 (as given alike in several public implementations).
The index is not the speech intelligibility index: no level, masking or hearing enters.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from archiver.signal import thirdoctave
from archiver.signal.ambiguity import read_at
from archiver.signal.estimate import COVERAGE, Estimate, Reals, cannot_tell, estimate
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.samples import Floats
from archiver.signal.speedcurve import SpeedCurve

__all__ = [
    "BAND_IMPORTANCE",
    "Band",
    "Method",
    "Transfer",
    "band_index",
    "coherent_share",
    "transfer",
]

BAND_IMPORTANCE = (
    (160, 0.0083),
    (200, 0.0095),
    (250, 0.0150),
    (315, 0.0289),
    (400, 0.0440),
    (500, 0.0578),
    (630, 0.0653),
    (800, 0.0711),
    (1000, 0.0818),
    (1250, 0.0844),
    (1600, 0.0882),
    (2000, 0.0898),
    (2500, 0.0868),
    (3150, 0.0844),
    (4000, 0.0771),
    (5000, 0.0527),
    (6300, 0.0364),
    (8000, 0.0185),
)
"""Nominal centre in Hz and importance of third-octave bands of speech."""

_FRAME = 1024
_HOP = 512
_LEAST_S = 3.0
_USABLE_DB = 3.0
_HEARD_DB = -6.0


class Method(enum.StrEnum):
    """How a band was compared."""

    COHERENCE = "coherence"
    ENVELOPES = "envelopes"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One third-octave band, by frequency in the performance.

    Parameters
    ----------
    nominal_hz : int
        Name of the band.
    centre_hz : float
        Exact centre.
    gain_db : Estimate
        Reproduction over performance, relative to the mean of 500 to 1500 Hz.
    snr_db : Estimate
        What follows the performance over what does not.
    method : Method
    """

    nominal_hz: int
    centre_hz: float
    gain_db: Estimate
    snr_db: Estimate
    method: Method


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """What came through from performance to reproduction.

    Parameters
    ----------
    bands : tuple of Band
    low_hz, high_hz : Estimate
        Edges of the usable band: 3 dB or more of signal over noise, no gap wider than
        one band.
    response_low_hz, response_high_hz : Estimate
        Where the gain is 10 dB under its mean of 500 to 1500 Hz.
    index : Estimate
        Articulation-band SNR index, 0 to 1.
    ceiling : float
        What the index would be were every usable band perfect.
    reason : str
        Why there are no bands.
    """

    bands: tuple[Band, ...]
    low_hz: Estimate
    high_hz: Estimate
    response_low_hz: Estimate
    response_high_hz: Estimate
    index: Estimate
    ceiling: float
    reason: str = ""


def _tabled() -> tuple[thirdoctave.Band, ...]:
    """Return the bands of the table of importance."""
    named = {nominal for nominal, _ in BAND_IMPORTANCE}
    return tuple(band for band in thirdoctave.bands(48_000) if band.nominal_hz in named)


def band_index(snr_db: Reals) -> float:
    """Return the sum over the 18 bands of importance times (SNR + 15)/30, held to 0 to 1.

    Parameters
    ----------
    snr_db : ndarray, shape (18,)
        NaN counts as nothing heard.
    """
    weights = np.array([weight for _, weight in BAND_IMPORTANCE])
    part = np.nan_to_num(np.clip((snr_db + 15.0) / 30.0, 0.0, 1.0), nan=0.0)
    return float(np.sum(weights * part))


def coherent_share(
    cross: NDArray[np.complex128], one: Reals, other: Reals, segments: float
) -> Reals:
    """Return squared coherence less its bias by the number of independent segments."""
    raw = np.abs(cross) ** 2 / np.maximum(one * other, 1e-30)
    return np.clip(raw - (1.0 - raw) ** 2 / segments, 0.0, 1.0)


def _frames(sound: Floats) -> NDArray[np.complex64]:
    windows = np.lib.stride_tricks.sliding_window_view(sound, _FRAME)[::_HOP]
    shape = np.hanning(_FRAME + 1)[:-1].astype(np.float32)
    return np.asarray(np.fft.rfft(windows * shape, axis=1), np.complex64)


def _run_together(
    performance: ReducedSound,
    reproduction: ReducedSound,
    curve: SpeedCurve,
    span: tuple[float, float],
) -> tuple[Floats, Floats]:
    """Return both sounds in times of the performance, over what is told.

    In times of the performance a frequency is that of the performance.
    """
    first, last = span
    inside = (curve.time_s >= first) & (curve.time_s <= last)
    source, time = curve.source_s[inside], curve.time_s[inside]
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(source)) > 0.0])
    source, time = source[rising], time[rising]
    frames = np.arange(
        math.ceil(source[0] * REDUCED_RATE_HZ), math.floor(source[-1] * REDUCED_RATE_HZ)
    )
    places = np.interp(frames / REDUCED_RATE_HZ, source, time) * REDUCED_RATE_HZ
    return performance.samples[frames], read_at(_tripled(reproduction.samples), 3.0 * places)


def _tripled(sound: Floats) -> Floats:
    # Straight lines between samples lose 4 dB at 6 kHz; between thirds, 0.3 dB.
    return np.asarray(signal.resample_poly(sound, 3, 1), np.float32)


def transfer(performance: ReducedSound, reproduction: ReducedSound, curve: SpeedCurve) -> Transfer:
    """Compare a reproduction with its performance, band by band.

    Parameters
    ----------
    performance, reproduction : ReducedSound
    curve : SpeedCurve
        Of the reproduction against the performance.
    """
    span = curve.span_s
    if span is None or span[1] - span[0] < _LEAST_S:
        return _nothing(curve.mean_ratio.reason or "less than 3 s can be compared")
    one, other = _run_together(performance, reproduction, curve, span)
    if one.size != other.size or one.size < _LEAST_S * REDUCED_RATE_HZ:
        return _nothing("less than 3 s can be compared")
    mine, theirs = _frames(one), _frames(other)
    power_one, power_other = np.abs(mine) ** 2, np.abs(theirs) ** 2
    cross = mine.conj() * theirs
    frequency = np.asarray(np.fft.rfftfreq(_FRAME, 1.0 / REDUCED_RATE_HZ), np.float64)
    found = [_band(band, frequency, power_one, power_other, cross) for band in _tabled()]
    level = [
        band.gain_db.value
        for band in found
        if band.gain_db.value is not None and 500.0 <= band.centre_hz <= 1500.0
    ]
    mean_db = float(np.mean(level)) if level else 0.0
    bands = tuple(_relative(band, mean_db) for band in found)
    return _summed(bands)


def _band(
    third: thirdoctave.Band,
    frequency: Reals,
    power_one: NDArray[np.float32],
    power_other: NDArray[np.float32],
    cross: NDArray[np.complex64],
) -> Band:
    nominal_hz, centre_hz = round(third.nominal_hz), third.centre_hz
    inside = (frequency >= third.low_hz) & (frequency < third.high_hz)
    if third.high_hz > 0.45 * REDUCED_RATE_HZ:
        reason = "beyond what is measured"
    elif not inside.any():
        reason = "narrower than the resolution"
    else:
        reason = ""
    if reason:
        return Band(
            nominal_hz=nominal_hz,
            centre_hz=centre_hz,
            gain_db=cannot_tell(reason, "dB"),
            snr_db=cannot_tell(reason, "dB"),
            method=Method.NONE,
        )
    count = power_one.shape[0]
    one, other = power_one[:, inside].sum(axis=1), power_other[:, inside].sum(axis=1)
    # The slope of power on power is the gain; its correlation tells what follows.
    snr_db, snr_half, gain_db, gain_half = _by_envelopes(one, other)
    method = Method.ENVELOPES
    segments = count * 0.55
    sums = cross[:, inside].sum(axis=0, dtype=np.complex128)
    share = coherent_share(
        sums,
        power_one[:, inside].sum(axis=0, dtype=np.float64),
        power_other[:, inside].sum(axis=0, dtype=np.float64),
        segments,
    )
    weight = power_one[:, inside].sum(axis=0, dtype=np.float64)
    linear = float(np.average(share, weights=weight))
    coherent_db = 10.0 * math.log10(max(linear, 1e-4) / max(1.0 - linear, 1e-4))
    # Coherence can only lose by bad timing: where it finds more, it is the truth.
    if coherent_db > snr_db and linear > 0.5:
        snr_db, method = coherent_db, Method.COHERENCE
    return Band(
        nominal_hz=nominal_hz,
        centre_hz=centre_hz,
        gain_db=estimate(gain_db, gain_half, "dB"),
        snr_db=estimate(snr_db, snr_half, "dB"),
        method=method,
    )


def _by_envelopes(one: NDArray[np.float32], other: NDArray[np.float32]) -> tuple[float, ...]:
    """Split the power of a band into what follows the performance and what stays.

    The power of the reproduction is modelled as gain x power of the performance +
    noise, by quantiles of the performance: robust against clicks, and against the
    compression of loud moments.

    Returns
    -------
    snr_db, half-width, gain_db, half-width
    """
    loud = one >= np.quantile(one, 0.6)
    quiet = one <= np.quantile(one, 0.12)
    loud_one, loud_other = float(np.mean(one[loud])), float(np.mean(other[loud]))
    noise = float(np.median(other[quiet])) / _median_share(other[quiet])
    mean_one, mean_other = float(np.mean(one)), float(np.mean(other))
    independent = max(3.0, one.size * 0.3)
    scatter = float(np.std(np.log(other[loud] + 1e-20) - np.log(one[loud] + 1e-20)))
    wanted = max(loud_other - noise, 0.02 * loud_other)
    gain_db = 10.0 * math.log10(wanted / max(loud_one, 1e-20))
    gain_half = COVERAGE * 4.34 * scatter / math.sqrt(0.4 * independent)
    total = max(mean_other - noise, 0.02 * mean_other)
    snr_db = 10.0 * math.log10(total / max(noise, 1e-20))
    # What follows nothing is no signal, however loud: power must rise with power.
    rank_one, rank_other = np.argsort(np.argsort(one)), np.argsort(np.argsort(other))
    follows = float(np.corrcoef(rank_one, rank_other)[0, 1])
    if not follows > 3.0 / math.sqrt(independent):
        snr_db = min(snr_db, -10.0)
    half = (
        COVERAGE
        * 4.34
        * math.hypot(
            1.0 / math.sqrt(max(2.0, 0.12 * independent)), 1.0 / math.sqrt(0.4 * independent)
        )
    )
    return min(snr_db, 40.0), half, gain_db, gain_half if mean_one > 0.0 else math.inf


def _median_share(values: NDArray[np.float32]) -> float:
    """Return how far the median of noise power in a band lies under its mean.

    From the scatter of the logarithms: a gamma distribution of that shape.
    """
    spread = float(np.std(np.log(values + 1e-20)))
    shape = 1.0 / max(spread, 0.15) ** 2 + 0.5
    return max(1.0 - 1.0 / (3.0 * shape), 0.5)


def _relative(band: Band, mean_db: float) -> Band:
    if band.gain_db.value is None or band.gain_db.uncertainty is None:
        return band
    return Band(
        nominal_hz=band.nominal_hz,
        centre_hz=band.centre_hz,
        gain_db=estimate(band.gain_db.value - mean_db, band.gain_db.uncertainty, "dB"),
        snr_db=band.snr_db,
        method=band.method,
    )


def _summed(bands: tuple[Band, ...]) -> Transfer:
    snr = np.array([np.nan if b.snr_db.value is None else b.snr_db.value for b in bands])
    half = np.array([b.snr_db.uncertainty or 0.0 for b in bands])
    good = np.nan_to_num(snr, nan=-99.0) >= _USABLE_DB
    middle = [k for k, band in enumerate(bands) if good[k] and 400.0 <= band.centre_hz <= 2000.0]
    weights = np.array([weight for _, weight in BAND_IMPORTANCE])
    index = band_index(snr)
    steep = (snr > -15.0) & (snr < 15.0)
    index_half = float(np.sqrt(np.sum((weights * half * steep / 30.0) ** 2)))
    if not middle:
        reason = "no band between 400 and 2000 Hz stands 3 dB over its noise"
        low, high = cannot_tell(reason, "Hz"), cannot_tell(reason, "Hz")
        ceiling = 0.0
    else:
        first = last = middle[len(middle) // 2]
        while first > 0 and (good[first - 1] or (first > 1 and good[first - 2])):
            first -= 1
        while last < len(bands) - 1 and (
            good[last + 1] or (last < len(bands) - 2 and good[last + 2])
        ):
            last += 1
        edge = 10.0**0.05
        low_hz, high_hz = bands[first].centre_hz / edge, bands[last].centre_hz * edge
        # An edge is as sure as the width of a band.
        low = estimate(low_hz, low_hz * (edge**2 - 1.0), "Hz")
        high = estimate(high_hz, high_hz * (edge**2 - 1.0), "Hz")
        ceiling = float(weights[first : last + 1].sum())
    return Transfer(
        bands=bands,
        low_hz=low,
        high_hz=high,
        response_low_hz=_fallen(bands, -1),
        response_high_hz=_fallen(bands, 1),
        index=estimate(index, index_half, "1"),
        ceiling=ceiling,
    )


def _fallen(bands: tuple[Band, ...], direction: int) -> Estimate:
    """Return where the gain falls to -10 dB, from 1 kHz downwards or upwards."""
    last = next(k for k, band in enumerate(bands) if band.nominal_hz == 1000)
    level = bands[last].gain_db.value
    snr = bands[last].snr_db.value
    if level is None or snr is None or snr < _HEARD_DB:
        return cannot_tell("the band of 1 kHz is lost in noise", "Hz")
    while 0 <= last + direction < len(bands):
        following = bands[last + direction]
        gain, snr = following.gain_db.value, following.snr_db.value
        if gain is None or snr is None or snr < _HEARD_DB:
            return cannot_tell("the gain is lost in noise before it has fallen by 10 dB", "Hz")
        if gain < -10.0:
            share = (level + 10.0) / max(level - gain, 1e-6)
            near, far = bands[last].centre_hz, following.centre_hz
            edge_hz = near * (far / near) ** min(max(share, 0.0), 1.0)
            # An edge is as sure as the width of a band.
            return estimate(edge_hz, edge_hz * (10.0**0.1 - 1.0), "Hz")
        last, level = last + direction, gain
    return cannot_tell("the gain does not fall by 10 dB in what is measured", "Hz")


def _nothing(reason: str) -> Transfer:
    return Transfer(
        bands=(),
        low_hz=cannot_tell(reason, "Hz"),
        high_hz=cannot_tell(reason, "Hz"),
        response_low_hz=cannot_tell(reason, "Hz"),
        response_high_hz=cannot_tell(reason, "Hz"),
        index=cannot_tell(reason, "1"),
        ceiling=0.0,
        reason=reason,
    )
