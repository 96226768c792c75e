"""Noise floor, signal-to-noise ratio, third-octave spectrum and usable bandwidth.

The noise is what the quietest tenth of the frames holds, or a take of room tone.
The programme is what the frames hold that lie above a gate 10 dB below their mean
power, K-weighted, as the relative gate of BS.1770 does for loudness. Where the
programme does not stand out of the noise, a ratio is not measured; it is not 0. So a
sound that never stops has no ratio and no bandwidth, and a steady tone that never stops
no noise floor either: its quietest part is the tone.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from archiver.signal.levelsorted import LevelSorted
from archiver.signal.thirdoctave import Band, band_powers, bands

__all__ = [
    "BANDWIDTH_MARGIN_DB",
    "BandLevel",
    "Bandwidth",
    "ChannelNoise",
    "NoiseSource",
    "against",
    "channel_noise",
    "quiet_spectrum",
    "total_level_dbfs",
    "with_room_tone",
]

BANDWIDTH_MARGIN_DB = 3.0
"""A band is usable where the programme alone is this far above the noise."""

_QUIET_SHARE = 0.10
_LEAST_FRAMES = 10
_CHOSEN = 5
_LEAST_LOW = 1
_CHOSEN_LOW = 2
_GATE_DB = 10.0
_CROSSOVER_HZ = 90.0
_LEAST_EXCESS_DB = 1.0
_RANGE_DB = 100.0
_TONAL_SHARE = 0.9
_LINE_OVER_MEDIAN = 10.0
"""Height of a line over the bins around it; of noise, the mean of five frames stays below."""

_LINE_AROUND_HZ = 100.0
_RATIO_LOW_HZ = 20.0
_RATIO_HIGH_HZ = 20_000.0


class NoiseSource(enum.StrEnum):
    """Where the noise was measured."""

    QUIET_PARTS = "quiet parts"
    ROOM_TONE = "room tone"


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLevel:
    """Levels in one third-octave band, in dBFS RMS; None where there is nothing.

    ``level_dbfs`` is of the whole take, ``programme_dbfs`` of its sounding parts,
    ``noise_dbfs`` of the noise.
    """

    nominal_hz: float
    level_dbfs: float | None
    programme_dbfs: float | None
    noise_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bandwidth:
    """From the lower edge of the lowest usable band to the upper edge of the highest.

    A band is usable where the programme alone is 3 dB or more above the noise, and no more
    than 100 dB below the strongest band: what is fainter beside it is the window of the
    spectra and the rounding of float32.
    """

    low_hz: float
    high_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNoise:
    """Noise of one channel, from 20 Hz to 20 kHz, and what it leaves of the programme.

    ``reason`` says why there is no noise floor, and is empty where there is one;
    ``room_tone_dbfs`` is the level of the declared room tone of the same chain and channel,
    whatever the noise was taken from.
    """

    source: NoiseSource | None
    noise_floor_dbfs: float | None
    signal_to_noise_db: float | None
    bandwidth: Bandwidth | None
    bands: tuple[BandLevel, ...]
    reason: str = ""
    room_tone_dbfs: float | None = None


def _decibels(power: float) -> float | None:
    return float(10.0 * np.log10(power)) if power > 0.0 else None


def _power(level_db: float | None) -> float:
    return 0.0 if level_db is None else float(10.0 ** (level_db / 10.0))


def quiet_spectrum(fine: LevelSorted) -> NDArray[np.float64] | None:
    """Return the mean spectrum of the quietest tenth of the 100 ms frames.

    None for less than a second of sound.
    """
    quiet = fine.quiet(_QUIET_SHARE, least_frames=_LEAST_FRAMES, least_chosen=_CHOSEN)
    return None if quiet is None else quiet[0]


def channel_noise(
    fine: LevelSorted, fine_hz: float, low: LevelSorted, low_hz: float, sample_rate_hz: int
) -> ChannelNoise:
    """Work out the noise of one channel.

    Parameters
    ----------
    fine, low : LevelSorted
        Spectra of 100 ms, and of about 1 s of the decimated sound for the bands
        below 90 Hz.
    fine_hz, low_hz : float
        Widths of their bins.
    sample_rate_hz : int
        Decides which bands there are.
    """
    every = bands(sample_rate_hz)
    split = sum(band.centre_hz < _CROSSOVER_HZ for band in every)
    lower, upper = every[:split], every[split:]
    columns: list[list[float | None]] = []
    quiet_low = low.quiet(_QUIET_SHARE, least_frames=_LEAST_LOW, least_chosen=_CHOSEN_LOW)
    quiet_fine = quiet_spectrum(fine)
    for below, above in (
        (low.mean(), fine.mean()),
        (low.programme(_GATE_DB), fine.programme(_GATE_DB)),
        (
            None if quiet_low is None or quiet_fine is None else quiet_low[0],
            quiet_fine,
        ),
    ):
        levels: list[float | None] = []
        for powers, width, part in ((below, low_hz, lower), (above, fine_hz, upper)):
            if powers is None:
                levels += [None] * len(part)
            else:
                levels += [_decibels(float(one)) for one in band_powers(powers, width, part)]
        columns.append(levels)
    found = tuple(
        BandLevel(
            nominal_hz=band.nominal_hz, level_dbfs=level, programme_dbfs=programme, noise_dbfs=noise
        )
        for band, level, programme, noise in zip(every, *columns, strict=True)
    )
    if quiet_fine is None or not quiet_fine.any():
        short = "the sound is shorter than a second, or silent"
        return replace(_judged(found, every, None), reason=short)
    judged = _judged(found, every, NoiseSource.QUIET_PARTS)
    if judged.signal_to_noise_db is None and _tonal(quiet_fine, fine_hz):
        silent = tuple(replace(band, noise_dbfs=None) for band in found)
        reason = "the sound is a tone that never pauses"
        return replace(_judged(silent, every, None), reason=reason)
    return judged


def _tonal(powers: NDArray[np.float64], bin_hz: float) -> bool:
    """Say whether nearly all of a spectrum, shape (bins,), lies in lines."""
    reach = max(2, round(_LINE_AROUND_HZ / bin_hz))
    if powers.size < 4 * reach:
        return False
    around = np.lib.stride_tricks.sliding_window_view(powers, 2 * reach + 1)
    inner = powers[reach : powers.size - reach]
    lines = inner[inner > _LINE_OVER_MEDIAN * np.median(around, axis=1)]
    return float(lines.sum()) > _TONAL_SHARE * float(powers[1:].sum())


def against(noise: ChannelNoise, room_tone: ChannelNoise, sample_rate_hz: int) -> ChannelNoise:
    """Return the same programme measured against a take of room tone of the same channel."""
    known = {band.nominal_hz: band.level_dbfs for band in room_tone.bands}
    found = tuple(replace(band, noise_dbfs=known.get(band.nominal_hz)) for band in noise.bands)
    judged = _judged(found, bands(sample_rate_hz), NoiseSource.ROOM_TONE)
    return replace(judged, room_tone_dbfs=judged.noise_floor_dbfs)


def with_room_tone(
    noise: ChannelNoise, room_tone: ChannelNoise, sample_rate_hz: int
) -> ChannelNoise:
    """Return noise as it was measured, with the level of the room tone beside it."""
    return replace(noise, room_tone_dbfs=total_level_dbfs(room_tone, sample_rate_hz))


def total_level_dbfs(noise: ChannelNoise, sample_rate_hz: int) -> float | None:
    """Return the level of a whole take from 20 Hz to 20 kHz, as that of noise is reckoned."""
    return against(noise, noise, sample_rate_hz).noise_floor_dbfs


def _judged(
    found: tuple[BandLevel, ...], every: Sequence[Band], source: NoiseSource | None
) -> ChannelNoise:
    audible = [
        level
        for level, band in zip(found, every, strict=True)
        if band.centre_hz >= _RATIO_LOW_HZ - 1.0 and band.centre_hz <= _RATIO_HIGH_HZ
    ]
    noise = sum(_power(level.noise_dbfs) for level in audible)
    programme = sum(_power(level.programme_dbfs) for level in audible)
    return ChannelNoise(
        source=source,
        noise_floor_dbfs=_decibels(noise),
        signal_to_noise_db=_ratio(programme, noise),
        bandwidth=_bandwidth(found, every),
        bands=found,
    )


def _ratio(programme: float, noise: float) -> float | None:
    """Return the ratio of what the programme adds to the noise, in dB."""
    if noise <= 0.0 or programme <= noise * 10.0 ** (_LEAST_EXCESS_DB / 10.0):
        return None
    return float(10.0 * np.log10((programme - noise) / noise))


def _bandwidth(found: Sequence[BandLevel], every: Sequence[Band]) -> Bandwidth | None:
    ratios = [_ratio(_power(one.programme_dbfs), _power(one.noise_dbfs)) for one in found]
    least = max(_power(one.programme_dbfs) for one in found) * 10.0 ** (-_RANGE_DB / 10.0)
    usable = [
        ratio is not None and ratio >= BANDWIDTH_MARGIN_DB and _power(one.programme_dbfs) >= least
        for ratio, one in zip(ratios, found, strict=True)
    ]
    if not any(usable):
        return None
    best = max(
        (index for index, is_usable in enumerate(usable) if is_usable),
        key=lambda index: ratios[index] or 0.0,
    )
    return Bandwidth(
        low_hz=every[_reach(usable, best, -1)].low_hz,
        high_hz=every[_reach(usable, best, 1)].high_hz,
    )


def _reach(usable: Sequence[bool], start: int, step: int) -> int:
    """Go from band to band while no more than one in a row is not usable."""
    reached, index = start, start + step
    while 0 <= index < len(usable) and abs(index - reached) <= 2:
        if usable[index]:
            reached = index
        index += step
    return reached
