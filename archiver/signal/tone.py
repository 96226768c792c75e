"""A steady tone in a take: its frequency against the pitch that was stated.

A pitch pipe, a tuning fork or a whistle is looked for near the stated pitch, which
serves only to know where to look. Found runs of frames are demodulated to phase; the
mean frequency of a run is its phase progress over its time, so that wavering inside
the run cancels. Harmonics are joined by their noise, and by how each may have lost whole
cycles of its own, which shifts the joint count by a known fraction of a cycle.

Sources: short-time peaks with parabolic refinement and phase demodulation are common
practice; error of a frequency from phase noise follows from its definition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import signal

from archiver.signal.estimate import COVERAGE, Estimate, Reals, cannot_tell, estimate
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.samples import Floats

__all__ = ["CURVE_RATE_HZ", "Tone", "ToneCurve", "find_tone"]

CURVE_RATE_HZ = 100
"""Steps a second of the curve of a tone."""

_HOP = 160
_SHORTEST_S = 1.0
_CONCENTRATION = 0.62
_LARGEST_STEP = 0.05
_WIDEST_SWING = 0.14
_SMALLEST_LEVEL = 1e-7
_LOUD = 0.35
_MOST_RUNS = 5
_SPOKEN = 0.5
"""Tones through horn and room leave up to 0.4, vowels in a row 0.7 (by simulation)."""

_BUILD_UP_S = 0.10
_END_S = 0.10
_STILL_RAD = 0.05
_COMMON_RAD = 0.02
"""Error of the phase that all harmonics share (by simulation)."""

_SWUNG_RAD = 0.3
_REFLECTIONS_RAD = 0.15
_SLIPPING_RAD = 0.2
_LEAST_SLIPS, _MOST_SLIPS = 0.02, 0.3
"""Share of lines that lose cycles, without noise and at the most noise (by simulation)."""

_MOST_CYCLES = 6
_CERTAIN = 0.9
_GRID_RAD = 0.02
_ECHOED = 0.25
"""Share of a swing that reflections 12 dB down make of it once more (by simulation)."""

_TAPS = 1601
_LEAK = 1e-5
_SHOWN = 0.67
"""Share of the half-width of a filter that a wavering may fill."""

_LATENESS_S = 0.003
_REFLECTIONS_HZ = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToneCurve:
    """Frequency of a tone over time.

    ``time_s`` and ``frequency_hz`` have the shape (n,), at :data:`CURVE_RATE_HZ`;
    ``noise_hz`` is the standard deviation that noise gives each value, ``echoed_hz`` what
    reflections give, and ``highest_hz`` the fastest wavering that the curve shows at its size.
    """

    time_s: Reals
    frequency_hz: Reals
    noise_hz: float
    echoed_hz: float
    highest_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tone:
    """A tone, or why there is none.

    Parameters
    ----------
    frequency_hz : Estimate
        Mean over the span from ``start_s`` to ``end_s``.
    speed : Estimate
        Frequency over stated pitch: 1.03 is 3 % fast.
    cents : Estimate
        The same as an interval.
    start_s, end_s : float, optional
        Span of the take over which it was measured.
    curve : ToneCurve, optional
    """

    frequency_hz: Estimate
    speed: Estimate
    cents: Estimate
    start_s: float | None = None
    end_s: float | None = None
    curve: ToneCurve | None = None


def _nothing(reason: str) -> Tone:
    return Tone(
        frequency_hz=cannot_tell(reason, "Hz"),
        speed=cannot_tell(reason, "1"),
        cents=cannot_tell(reason, "cents"),
    )


def _frames(sound: Floats, size: int) -> Reals:
    """Return power spectra, shape (frames, bins), of Hann windows at the hop of the curve."""
    windows = np.lib.stride_tricks.sliding_window_view(sound, size)[::_HOP]
    shape = np.hanning(size + 1)[:-1].astype(np.float32)
    power = np.empty((windows.shape[0], size // 2 + 1))
    for start in range(0, windows.shape[0], 512):
        spectra = np.fft.rfft(windows[start : start + 512] * shape, axis=1)
        power[start : start + 512] = np.abs(spectra) ** 2
    return power


def _peaks(power: Reals, size: int, low_hz: float, high_hz: float) -> tuple[Reals, Reals, Reals]:
    """Find the strongest line of each frame in a band.

    Returns
    -------
    frequency_hz, concentration, undertone : ndarray, shape (frames,)
        Concentration is the share of the power from half the line's frequency to one
        and a half of it that lies in the line; undertone the power at half and one and
        a half times its frequency relative to the line.
    """
    step_hz = REDUCED_RATE_HZ / size
    first = max(2, round(low_hz / step_hz))
    last = min(power.shape[1] - 3, round(high_hz / step_hz))
    row = np.arange(power.shape[0])
    peak = first + np.argmax(power[:, first : last + 1], axis=1)
    log = np.log(np.maximum(power, 1e-30))
    left, middle, right = log[row, peak - 1], log[row, peak], log[row, peak + 1]
    bend = left - 2.0 * middle + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0.0)
    frequency = (peak + np.clip(shift, -0.5, 0.5)) * step_hz

    sums = np.concatenate([np.zeros((power.shape[0], 1)), np.cumsum(power, axis=1)], axis=1)

    def between(low: Reals, high: Reals) -> Reals:
        begin = np.clip(np.rint(low / step_hz), 1, power.shape[1] - 1).astype(np.int64)
        end = np.clip(np.rint(high / step_hz) + 1, 1, power.shape[1]).astype(np.int64)
        return np.asarray(sums[row, end] - sums[row, begin])

    width = 2.5 * step_hz
    line = between(frequency - width, frequency + width)
    around = between(0.55 * frequency, 1.45 * frequency)
    halves = between(0.5 * frequency - width, 0.5 * frequency + width)
    halves += between(1.5 * frequency - width, 1.5 * frequency + width)
    return frequency, line / np.maximum(around, 1e-30), halves / np.maximum(line, 1e-30)


def _runs(good: np.ndarray, frequency: Reals, shortest: int) -> list[tuple[int, int]]:
    """Return half-open spans of good frames without a jump, at least so long."""
    step = np.abs(np.diff(np.log(frequency)))
    joined = good[1:] & good[:-1] & (step < _LARGEST_STEP)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], joined, [False]]).astype(np.int8)))
    spans = [(int(a), int(b) + 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [(a, b) for a, b in spans if b - a >= shortest]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """Phase of one harmonic, brought down to the fundamental."""

    harmonic: int
    phase: Reals
    noise: float
    level: Reals
    power: float


def _demodulated(sound: Reals, track_hz: Reals, harmonic: int, half_band_hz: float) -> _Line | None:
    """Follow one harmonic of a track, shape (frames,), sample by sample.

    Returns None where it is not well above the noise beside it.
    """
    carrier = 2.0 * np.pi * harmonic * np.cumsum(track_hz) / REDUCED_RATE_HZ
    band = signal.firwin(_TAPS, half_band_hz, fs=REDUCED_RATE_HZ)
    mixed = sound * np.exp(-1j * carrier)
    base = signal.oaconvolve(mixed, band, mode="same")
    # Noise beside the line: the same filter, moved two and a half bands to either side.
    clock = np.arange(sound.size) / REDUCED_RATE_HZ
    beside = 0.0
    for side in (-2.5, 2.5):
        moved = mixed * np.exp(-2j * np.pi * side * half_band_hz * clock)
        beside += 0.5 * float(np.median(np.abs(signal.oaconvolve(moved, band, mode="same")) ** 2))
    # The median of an exponential distribution is ln 2 of its mean.
    beside /= math.log(2.0)
    level = float(np.median(np.abs(base) ** 2))
    if level < 12.0 * beside or level <= 0.0:
        return None
    phase = (np.unwrap(np.angle(base)) + carrier) / harmonic
    return _Line(
        harmonic=harmonic,
        phase=phase,
        noise=math.sqrt(0.5 * beside / level) / harmonic,
        level=np.abs(base) / math.sqrt(level),
        power=level,
    )


def find_tone(take: ReducedSound, stated_hz: float, search: float = 0.2) -> Tone:
    """Find a steady tone near a stated pitch and measure it.

    Parameters
    ----------
    take : ReducedSound
    stated_hz : float
        What the pipe or fork is said to give; 60 Hz to 4 kHz.
    search : float
        How far from it to look, relative; speeds of 0.8 to 1.2 by default.

    Raises
    ------
    ValueError
        The pitch is outside the limits.
    """
    if not 60.0 <= stated_hz <= 4000.0:
        raise ValueError(f"stated_hz is {stated_hz!r}; tones of 60 to 4000 Hz are measured")
    sound = np.asarray(take.samples, np.float64)
    size = 1024 if stated_hz >= 400.0 else 2048 if stated_hz >= 150.0 else 4096
    if sound.size < size + _SHORTEST_S * REDUCED_RATE_HZ:
        return _nothing("the take is shorter than a tone must be")
    if float(np.sqrt(np.mean(sound**2))) < _SMALLEST_LEVEL:
        return _nothing("the take is silent")
    power = _frames(take.samples, size)
    frequency, concentration, undertone = _peaks(
        power, size, stated_hz * (1.0 - search), stated_hz * (1.0 + search)
    )
    inside = np.abs(np.log(frequency / stated_hz)) < 0.97 * math.log1p(search)
    good = (concentration > _CONCENTRATION) & (undertone < 0.25) & inside
    runs = [
        (float(np.sum(concentration[begin:end])), begin, end)
        for begin, end in _runs(good, frequency, round(_SHORTEST_S * CURVE_RATE_HZ))
        if float(np.ptp(np.log(frequency[begin:end]))) < _WIDEST_SWING
    ]
    first = _nothing(f"no steady tone within {100 * search:.0f} % of {stated_hz:g} Hz")
    for number, (_, begin, end) in enumerate(sorted(runs, reverse=True)[:_MOST_RUNS]):
        tone = _measured(sound, frequency[begin:end], begin, end, size, stated_hz)
        if tone.frequency_hz.value is not None:
            return tone
        first = first if number else tone
    return first


def _lines(sound: Reals, track_hz: Reals, half_band_hz: float) -> list[_Line]:
    lines = []
    lowest, top = float(np.min(track_hz)), float(np.max(track_hz))
    for harmonic in range(1, 9):
        # Neighbours must stay out of a band that grows with the swing of the harmonic.
        if harmonic * top + 3.5 * half_band_hz > 0.45 * REDUCED_RATE_HZ:
            break
        line = _demodulated(sound, track_hz, harmonic, min(half_band_hz, 0.25 * lowest))
        if line is not None:
            lines.append(line)
    # In a tone without noise the filter leaks from the strong lines to where none is.
    strongest = max((line.power for line in lines), default=0.0)
    return [line for line in lines if line.power > _LEAK * strongest]


def _followed(lines: list[_Line], track_hz: Reals) -> Reals:
    """Return the frequency by the phase of the best line, without jumps of single steps."""
    best = min(lines, key=lambda line: line.noise)
    step = REDUCED_RATE_HZ // CURVE_RATE_HZ
    coarse = np.diff(best.phase[::step]) * CURVE_RATE_HZ / (2.0 * np.pi)
    coarse = signal.savgol_filter(signal.medfilt(coarse, 5), 7, 2)
    places = (np.arange(coarse.size) + 0.5) * step
    fine = np.interp(np.arange(track_hz.size), places, coarse)
    return np.asarray(np.clip(fine, 0.93 * track_hz, 1.07 * track_hz))


def _reflected(line: _Line, swing_hz: float, apart_hz: float) -> float:
    """Return the phase error from room and horn, in radians of the fundamental.

    Reflections some 10 dB under the direct sound turn the phase of a line by up to a
    fifth of a radian, and by another amount once the line has moved by the inverse of
    the time of decay; a line that ends where it began ends with nearly the same error.
    """
    moved = 1.0 - math.exp(-((line.harmonic * apart_hz / _REFLECTIONS_HZ) ** 2))
    swung = 1.0 - math.exp(-((line.harmonic * swing_hz / _REFLECTIONS_HZ) ** 2))
    return (_STILL_RAD + _SWUNG_RAD * swung + _REFLECTIONS_RAD * moved) / line.harmonic


def _joined(lines: list[_Line], swing_hz: float, apart_hz: float) -> Reals:
    """Return the mean phase of lines by how sure each is."""
    weights = np.array(
        [1.0 / (line.noise**2 + _reflected(line, swing_hz, apart_hz) ** 2) for line in lines]
    )
    return np.asarray(np.average([line.phase for line in lines], axis=0, weights=weights))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counted:
    """Phase that a tone turned within a span, in radians, and its standard deviation."""

    span: slice
    turned: float
    deviation: float

    def agrees(self, line: _Line) -> bool:
        """Say whether a line lost no cycle on its way."""
        off = _progress(line, self.span) - self.turned
        return abs(off) < max(math.pi / line.harmonic, 2.0 * self.deviation)


def _progress(line: _Line, span: slice) -> float:
    return float(line.phase[span.stop - 1] - line.phase[span.start])


def _counted(
    widths: list[list[_Line]], span: slice, swing_hz: float, apart_hz: float
) -> _Counted | None:
    """Join the counts of all lines, each followed at more than one width.

    A line in noise may lose cycles of its own; brought down to the fundamental each is as
    much as the harmonic's part of a cycle. The likelihood of a count has all of these for
    each line. Returns None where more than one count is likely.
    """
    lines = [line for width in widths for line in width]
    turned = np.array([_progress(line, span) for line in lines])
    count = min(20_000, round((np.ptp(turned) + 2.0 * np.pi) / _GRID_RAD))
    grid = np.linspace(turned.min() - np.pi, turned.max() + np.pi, count)
    likelihood = np.zeros(count)
    lost = np.arange(-_MOST_CYCLES, _MOST_CYCLES + 1)
    for line, value in zip(lines, turned, strict=True):
        deviation = math.sqrt(2.0) * math.hypot(line.noise, _reflected(line, swing_hz, apart_hz))
        noisy = line.noise * line.harmonic / _SLIPPING_RAD
        slips = min(_MOST_SLIPS, _LEAST_SLIPS + (_MOST_SLIPS - _LEAST_SLIPS) * noisy**2)
        share = np.where(lost == 0, 1.0 - slips, slips / (2.0 * _MOST_CYCLES))
        off = value - grid[:, None] - 2.0 * np.pi / line.harmonic * lost
        chance = np.exp(-0.5 * (off / deviation) ** 2) @ share / deviation
        # The same harmonic at another width is not another witness.
        likelihood += np.log(chance + 1e-6) / len(widths)
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    best = int(np.argmax(weight))
    near = np.abs(grid - grid[best]) < np.pi
    if float(weight[near].sum()) < _CERTAIN:
        return None
    mean = float(np.sum(weight[near] * grid[near]) / weight[near].sum())
    spread = math.hypot(
        math.sqrt(float(np.sum(weight * (grid - mean) ** 2))), math.sqrt(2.0) * _COMMON_RAD
    )
    return _Counted(span=span, turned=mean, deviation=spread)


def _evened(frequency_hz: Reals, half_band_hz: float) -> Reals:
    """Give back to a curve what the filter and the difference of phases took from its swings."""
    rates = np.fft.rfftfreq(2 * frequency_hz.size, 1.0 / CURVE_RATE_HZ)
    band = signal.firwin(_TAPS, half_band_hz, fs=REDUCED_RATE_HZ)
    _, passed = signal.freqz(band, worN=rates, fs=REDUCED_RATE_HZ)
    taken = np.abs(passed) * np.sinc(rates / CURVE_RATE_HZ)
    top = _SHOWN * half_band_hz
    gain = np.interp(rates, [top, half_band_hz], [1.0, 0.0])
    gain[rates <= top] = 1.0 / taken[rates <= top]
    # Mirrored at its ends, so that nothing rings on them.
    mirrored = np.concatenate([frequency_hz, frequency_hz[::-1]])
    evened = np.fft.irfft(np.fft.rfft(mirrored) * gain, mirrored.size)
    return np.asarray(evened[: frequency_hz.size])


def _unsure(
    lines: list[_Line], frequency_hz: Reals, apart_hz: float, half_band_hz: float
) -> tuple[float, float]:
    """Return standard deviations of each value of a curve, in Hz, by noise and by reflections.

    Noise fills the filter; what reflections add goes with the swing, and differs from line
    to line.
    """
    swing_hz = float(np.ptp(frequency_hz))
    reflected = np.array([_reflected(line, swing_hz, apart_hz) for line in lines])
    noise = np.array([line.noise for line in lines])
    weight = 1.0 / (noise**2 + reflected**2)
    weight /= weight.sum()
    noise_hz = math.sqrt(float(np.sum((weight * noise) ** 2))) * half_band_hz / math.sqrt(3.0)
    echoed_hz = _ECHOED * math.sqrt(float(np.sum(weight**2))) * float(np.std(frequency_hz))
    return noise_hz, echoed_hz


def _equal_ends(track_hz: Reals, span: slice) -> tuple[slice, float]:
    """Shorten a span, by a fifth at either end at most, so that it ends on its first frequency.

    Sound is late by an unknown millisecond or two of air and horn, which matters only
    when the frequency at the two ends differs.

    Returns
    -------
    span : slice
    apart_hz : float
        The difference that is left.
    """
    step = REDUCED_RATE_HZ // CURVE_RATE_HZ
    room = (span.stop - span.start) // 5
    begins = np.arange(span.start, span.start + room, step)
    ends = np.arange(span.stop - 1, span.stop - 1 - room, -step)
    apart = np.abs(track_hz[begins][:, None] - track_hz[ends][None, :])
    lost = (begins - span.start)[:, None] + (span.stop - 1 - ends)[None, :]
    cost = apart / float(np.mean(track_hz[span])) + 0.002 * lost / max(room, 1)
    row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return slice(int(begins[row]), int(ends[column]) + 1), float(apart[row, column])


def _sounding(level: Reals, margin: int) -> slice | None:
    """Return where a tone sounds at its own level, without its swell and its reflections."""
    loud = level > _LOUD
    loud[:margin] = loud[level.size - margin :] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loud, [False]]).astype(np.int8)))
    if not edges.size:
        return None
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    begin = int(edges[2 * longest]) + round(_BUILD_UP_S * REDUCED_RATE_HZ)
    end = int(edges[2 * longest + 1]) - round(_END_S * REDUCED_RATE_HZ)
    if end - begin < 0.5 * _SHORTEST_S * REDUCED_RATE_HZ:
        return None
    return slice(begin, end)


def _unsteadiness(level: Reals) -> float:
    """Return how far a level is from rising or dying away evenly: deviation of its logarithm."""
    log = np.log(level[:: REDUCED_RATE_HZ // CURVE_RATE_HZ] + 1e-9)
    return float(np.std(signal.detrend(log)))


def _measured(
    sound: Reals, frequency: Reals, begin: int, end: int, size: int, stated_hz: float
) -> Tone:
    # Frames are as long as their window; the phase is followed from the middle of the
    # first to that of the last, with a margin for the filter.
    first = begin * _HOP + size // 2
    last = (end - 1) * _HOP + size // 2
    margin = min(size // 2, first, sound.size - last)
    piece = sound[first - margin : last + margin]
    centres = np.arange(end - begin) * _HOP + margin
    smooth = signal.savgol_filter(frequency, min(9, (end - begin) // 2 * 2 - 1), 2)
    track = np.interp(np.arange(piece.size), centres, smooth)
    lines = _lines(piece, track, 0.06 * stated_hz + 8.0)
    if not lines:
        return _nothing("the tone is lost in noise")
    # The window of the frames smooths a fast wavering; the phase itself does not.
    half_band = min(30.0, 0.12 * stated_hz)
    track = _followed(lines, track)
    lines = _lines(piece, track, half_band) or lines
    # Reflections let a line fade for a moment; a narrower band loses no cycle there.
    narrow = _lines(piece, _followed(lines, track), 0.5 * half_band) or lines
    level = np.mean([line.level for line in lines], axis=0)
    sounding = _sounding(level, margin)
    if sounding is None:
        return _nothing("the tone is too short to be measured")
    if _unsteadiness(level[sounding]) > _SPOKEN:
        return _nothing(f"what sounds near {stated_hz:g} Hz swells and fades as a voice does")
    sounding, apart_hz = _equal_ends(track, sounding)
    if sounding.stop - sounding.start < 0.5 * _SHORTEST_S * REDUCED_RATE_HZ:
        return _nothing("the tone is too short to be measured")
    swing_hz = float(np.ptp(track[sounding]))
    counted = _counted([lines, narrow], sounding, swing_hz, apart_hz)
    if counted is None:
        return _nothing(
            "the tone is lost in noise for moments, and with it the count of its cycles"
        )
    lines = [line for line in lines if counted.agrees(line)] or lines
    angle = _joined(lines, swing_hz, apart_hz)[sounding]
    length_s = (angle.size - 1) / REDUCED_RATE_HZ
    mean_hz = counted.turned / (2.0 * np.pi * length_s)
    late_hz = apart_hz * _LATENESS_S / length_s
    sd_hz = math.hypot(counted.deviation / (2.0 * np.pi * length_s), late_hz)
    steps = angle[:: REDUCED_RATE_HZ // CURVE_RATE_HZ]
    start_s = (first - margin + sounding.start) / REDUCED_RATE_HZ
    time_s = start_s + (np.arange(steps.size - 1) + 0.5) / CURVE_RATE_HZ
    curve_hz = _evened(np.diff(steps) * CURVE_RATE_HZ / (2.0 * np.pi), half_band)
    noise_hz, echoed_hz = _unsure(lines, curve_hz, apart_hz, half_band)
    half_width = COVERAGE * sd_hz
    ratio = mean_hz / stated_hz
    return Tone(
        frequency_hz=estimate(mean_hz, half_width, "Hz"),
        speed=estimate(ratio, half_width / stated_hz, "1"),
        cents=estimate(
            1200.0 * math.log2(ratio), 1200.0 / math.log(2.0) * half_width / mean_hz, "cents"
        ),
        start_s=start_s,
        end_s=start_s + length_s,
        curve=ToneCurve(
            time_s=time_s,
            frequency_hz=curve_hz,
            noise_hz=noise_hz,
            echoed_hz=echoed_hz,
            highest_hz=_SHOWN * half_band,
        ),
    )
