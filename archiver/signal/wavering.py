"""Wavering of a speed curve: drift, wow, flutter, their weighting, and what they are locked to.

Weighting and reading follow IEC 60386:1972 with amendment 1:1988, technically equal to
AES6-2008: peak readings given as the deviation that is exceeded for 5 % of the time
("two-sigma"). The norm itself was not at hand: the weighting table is from memory,
its anchors at 0.2, 0.8, 4 and 20 Hz agree with public figures. The carrier of a curve
from speech or from events is not the 3150 Hz of the norm, so readings are labelled as
measured without a standard carrier. Edges of the bands are common practice.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from archiver.signal.estimate import COVERAGE, Estimate, Reals, cannot_tell, estimate

__all__ = [
    "FLUTTER_HZ",
    "WEIGHTING_DB",
    "WOW_HZ",
    "Dominant",
    "Harmonic",
    "Locked",
    "Wavering",
    "waver",
    "weighting_gain",
]

WEIGHTING_DB = (
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (63.0, -14.2),
    (100.0, -17.3),
    (200.0, -23.0),
)
"""Gain of the weighting in dB by frequency of wavering in Hz."""

WOW_HZ = (0.5, 6.0)
FLUTTER_HZ = (6.0, 100.0)

_SHORTEST_S, _SHORTEST_FLUTTER_S = 5.0, 2.0
"""Wow of half a hertz swings twice or thrice in the first, flutter a dozen times in the second."""

_SCALE, _SCALE_SMOOTHED = 0.01, 0.06
"""Share of a reading by which it may be off beside noise (by simulation)."""

_ECHOED_SHARE, _ECHOED_HZ = 0.7, 20.0
"""What of the error by reflections stays in a reading, and how fast it goes (by simulation)."""


class Locked(enum.StrEnum):
    """What the strongest wavering goes with."""

    TURN = "turn"
    CRANK = "crank"
    WANDERS = "wanders"
    OWN_RATE = "own rate"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Harmonic:
    """A swing locked to the angle, ``per_turn`` times a turn.

    ``phase_turns`` says where in a turn its first peak lies, counted from the first event.
    """

    per_turn: int
    peak_percent: Estimate
    phase_turns: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dominant:
    """The strongest rate of wavering, and what it goes with."""

    rate_hz: Estimate
    peak_percent: Estimate
    locked: Locked


@dataclass(frozen=True, slots=True, kw_only=True)
class Wavering:
    """How unsteady a speed curve is; percentages are of the mean speed.

    ``carrier`` names what the curve was read from; ``highest_hz`` the fastest wavering
    it can show.
    """

    carrier: str
    highest_hz: float
    drift_percent_per_minute: Estimate
    wow_rms_percent: Estimate
    wow_peak_percent: Estimate
    flutter_rms_percent: Estimate
    flutter_peak_percent: Estimate
    weighted_percent: Estimate
    dominant: Dominant
    harmonics: tuple[Harmonic, ...]


def weighting_gain(rate_hz: Reals) -> Reals:
    """Return the gain of the weighting, interpolated on logarithmic axes.

    Beyond the ends of the table it falls as it does there; at 0 Hz it is 0.
    """
    table = np.array(WEIGHTING_DB)
    octave = np.log2(np.maximum(rate_hz, 1e-9))
    nodes = np.log2(table[:, 0])
    level = np.interp(octave, nodes, table[:, 1])
    low_slope = (table[1, 1] - table[0, 1]) / (nodes[1] - nodes[0])
    high_slope = (table[-1, 1] - table[-2, 1]) / (nodes[-1] - nodes[-2])
    level = np.where(octave < nodes[0], table[0, 1] + low_slope * (octave - nodes[0]), level)
    level = np.where(octave > nodes[-1], table[-1, 1] + high_slope * (octave - nodes[-1]), level)
    return np.where(np.asarray(rate_hz) > 0.0, 10.0 ** (level / 20.0), 0.0)


def _filtered(values: Reals, gain: Reals, size: int) -> Reals:
    # The curve is mirrored at its ends, so that the filter does not ring on them.
    mirrored = np.concatenate([values, values[::-1]])
    return np.asarray(np.fft.irfft(np.fft.rfft(mirrored) * gain, mirrored.size)[:size])


def _rates(count: int, rate_hz: float) -> Reals:
    return np.asarray(np.fft.rfftfreq(2 * count, 1.0 / rate_hz))


def _regained(rates_hz: Reals | float, window_s: float) -> Reals:
    """Return the inverse of what a bell takes from a swing: exp(-2 (pi f s)^2)."""
    return np.exp(2.0 * (np.pi * np.asarray(rates_hz) * window_s) ** 2)


def _two_sigma(values: Reals) -> float:
    """Return the deviation that is exceeded for 5 % of the time."""
    return float(np.quantile(np.abs(values), 0.95)) if values.size else 0.0


def waver(
    time_s: Reals,
    speed: Reals,
    *,
    noise: float,
    highest_hz: float,
    carrier: str,
    event_s: Reals | None = None,
    together_s: float = 0.0,
    window_s: float = 0.0,
    echoed: float = 0.0,
) -> Wavering:
    """Analyse a speed curve: figures are those of the take, not of all that the machine may do.

    Parameters
    ----------
    time_s, speed : ndarray, shape (n,)
        Any unit of speed; steps may be uneven.
    noise : float
        Standard deviation of each value by its measurement, relative to the mean speed.
    highest_hz : float
        The fastest wavering that the curve can show.
    carrier : str
        What the curve was read from.
    event_s : ndarray, shape (turns + 1,), optional
        Times once a turn, to tell what is locked to the turn.
    together_s : float
        Time over which errors of the measurement go together.
    window_s : float
        Standard deviation of the bell over which each value is a mean; what it takes from
        fast swings is given back. Such a curve holds no noise beside its swings.
    echoed : float
        Standard deviation that reflections give each value, relative to the mean speed; it
        goes with the swing, at rates that are not known.
    """
    good = np.isfinite(speed)
    time_s, speed = time_s[good], speed[good]
    length_s = float(time_s[-1] - time_s[0]) if time_s.size > 1 else 0.0
    short = f"the curve is {length_s:.1f} s long; 5 s are needed"
    if length_s < _SHORTEST_FLUTTER_S or time_s.size < 8:
        return _nothing(short, carrier, highest_hz)
    mean = float(np.trapezoid(speed, time_s)) / length_s
    deviation = speed / mean - 1.0
    middle = time_s - float(np.mean(time_s))
    slope = float(np.sum(middle * deviation) / np.sum(middle**2))
    flat = deviation - slope * middle - float(np.mean(deviation))
    # Of a line through n values with independent errors; those that go together count once.
    independent = min(float(time_s.size), max(1.0, length_s / max(together_s, 1e-9)))
    slope_sd = math.sqrt(12.0 / independent) * noise / length_s
    step_s = max(length_s / (time_s.size - 1), 0.002)
    count = max(8, round(length_s / step_s) + 1)
    even = np.linspace(time_s[0], time_s[-1], count)
    curve = np.interp(even, time_s, flat)
    smoothed = window_s > 0.0
    scale = _SCALE_SMOOTHED if smoothed else _SCALE
    rate_hz = (count - 1) / length_s
    rates = _rates(count, rate_hz)
    top_hz = min(highest_hz, rate_hz / 2.0)
    if smoothed:
        curve = _filtered(curve, _regained(rates, window_s) * (rates <= top_hz), count)

    def reading(low_hz: float, high_hz: float, gain: Reals | float) -> tuple[Estimate, Estimate]:
        high_hz = min(high_hz, top_hz)
        if high_hz <= low_hz:
            reason = f"the curve shows nothing faster than {top_hz:.2g} Hz"
            return cannot_tell(reason, "%"), cannot_tell(reason, "%")
        band = np.asarray(((rates >= low_hz) & (rates <= high_hz)) * gain, np.float64)
        part = _filtered(curve, band, count)
        added = noise * math.sqrt(float(np.mean(band[rates <= rate_hz / 2.0] ** 2)))
        raw = float(np.sqrt(np.mean(part**2)))
        rms = raw if smoothed else math.sqrt(max(raw**2 - added**2, 0.0))
        values = max(2.0, 0.45 * (high_hz - low_hz) * length_s)
        # Of the mean square of a swing and noise, then of its root.
        square_sd = added * math.sqrt((4.0 * rms**2 + 2.0 * added**2) / values)
        noise_sd = min(math.sqrt(square_sd), square_sd / (2.0 * rms) if rms > 0.0 else math.inf)
        # Against what is heard only once, averaging over a long time does not help.
        other = _ECHOED_SHARE * echoed * math.sqrt(float(np.mean(band[rates <= _ECHOED_HZ] ** 2)))
        peak = _two_sigma(part) * (rms / raw if raw > 0.0 else 0.0)
        return (
            estimate(100.0 * rms, 100.0 * COVERAGE * math.hypot(noise_sd, scale * rms, other), "%"),
            estimate(
                100.0 * peak,
                100.0 * COVERAGE * math.hypot(2.0 * noise_sd, scale * peak, 2.0 * other),
                "%",
            ),
        )

    wow_rms, wow_peak = reading(*WOW_HZ, 1.0)
    flutter_rms, flutter_peak = reading(*FLUTTER_HZ, 1.0)
    if length_s < _SHORTEST_S:
        return replace(
            _nothing(short, carrier, top_hz),
            flutter_rms_percent=flutter_rms,
            flutter_peak_percent=flutter_peak,
        )
    _, weighted = reading(0.1, 200.0, weighting_gain(rates))
    harmonics = _harmonics(time_s, flat, noise, event_s, window_s)
    return Wavering(
        carrier=carrier,
        highest_hz=top_hz,
        drift_percent_per_minute=estimate(6000.0 * slope, 6000.0 * COVERAGE * slope_sd, "%/min"),
        wow_rms_percent=wow_rms,
        wow_peak_percent=wow_peak,
        flutter_rms_percent=flutter_rms,
        flutter_peak_percent=flutter_peak,
        weighted_percent=weighted,
        dominant=_dominant(curve, rate_hz, top_hz, noise, event_s, harmonics, scale),
        harmonics=harmonics,
    )


def _harmonics(
    time_s: Reals, flat: Reals, noise: float, event_s: Reals | None, window_s: float
) -> tuple[Harmonic, ...]:
    """Fit the first three harmonics of the turn."""
    reason = "no turns are known"
    if event_s is None or event_s.size < 5:
        return tuple(
            Harmonic(per_turn=n, peak_percent=cannot_tell(reason, "%"), phase_turns=None)
            for n in (1, 2, 3)
        )
    turns = np.interp(time_s, event_s, np.arange(event_s.size), left=np.nan, right=np.nan)
    inside = np.isfinite(turns)
    per_turn = float(np.sum(inside)) / max(event_s.size - 1, 1)
    found = []
    for n in (1, 2, 3):
        # One value a turn shows nothing of what happens inside a turn.
        if per_turn < 2.5 * n or inside.sum() < 12:
            found.append(
                Harmonic(
                    per_turn=n,
                    peak_percent=cannot_tell("the curve is too coarse for it", "%"),
                    phase_turns=None,
                )
            )
            continue
        angle = 2.0 * np.pi * n * turns[inside]
        turn_hz = (event_s.size - 1) / float(event_s[-1] - event_s[0])
        gain = float(_regained(n * turn_hz, window_s))
        wave = gain * complex(2.0 * np.mean(flat[inside] * np.exp(-1j * angle)))
        scale = _SCALE_SMOOTHED if window_s > 0.0 else _SCALE
        # Values of a smoothed curve are not independent: no more than four a turn.
        independent = min(int(inside.sum()), 4 * event_s.size)
        found.append(
            Harmonic(
                per_turn=n,
                peak_percent=estimate(
                    100.0 * abs(wave),
                    100.0
                    * COVERAGE
                    * math.hypot(noise * math.sqrt(3.0 / independent), 1.3 * scale * abs(wave)),
                    "%",
                ),
                phase_turns=(-np.angle(wave) / (2.0 * np.pi) % 1.0) / n,
            )
        )
    return tuple(found)


def _dominant(
    curve: Reals,
    rate_hz: float,
    top_hz: float,
    noise: float,
    event_s: Reals | None,
    harmonics: tuple[Harmonic, ...],
    scale: float,
) -> Dominant:
    window = np.hanning(curve.size + 2)[1:-1]
    size = 4 * curve.size
    spectrum = 2.0 * np.abs(np.fft.rfft(curve * window, size)) / window.sum()
    rates = np.fft.rfftfreq(size, 1.0 / rate_hz)
    length_s = curve.size / rate_hz
    seen: NDArray[np.bool_] = (rates > 1.5 / length_s) & (rates < top_hz)
    # A line of pure measurement noise reaches five times this at most.
    floor = 5.0 * noise * math.sqrt(2.0 * 1.5 / curve.size)
    nothing = "no rate stands out"
    if not seen.any():
        return _no_dominant(nothing)
    index = int(np.argmax(np.where(seen, spectrum, 0.0)))
    peak = float(spectrum[index])
    rms = float(np.sqrt(np.mean(curve**2)))
    if peak <= max(floor, 1e-6) or rms <= 0.0:
        return _no_dominant(nothing)
    rate = float(rates[index])
    # A steady swing holds most of the curve in its line; a wandering one does not.
    near = np.abs(rates - rate) < 2.0 / length_s
    share = float(np.sum(spectrum[near & seen] ** 2) / max(np.sum(spectrum[seen] ** 2), 1e-30))
    locked = Locked.OWN_RATE
    if share < 0.35 or rate < 0.5:
        locked = Locked.WANDERS
    if event_s is not None and event_s.size >= 5:
        turn_hz = (event_s.size - 1) / float(event_s[-1] - event_s[0])
        width = 1.0 / length_s
        for harmonic, name in zip(harmonics, (Locked.TURN, Locked.CRANK), strict=False):
            value, half = harmonic.peak_percent.value, harmonic.peak_percent.uncertainty
            if value is None or half is None:
                continue
            if abs(rate - harmonic.per_turn * turn_hz) < max(width, 0.03 * rate) and (
                value > max(half, 45.0 * peak)
            ):
                locked = name
    return Dominant(
        rate_hz=estimate(rate, 0.5 / length_s, "Hz"),
        peak_percent=estimate(
            100.0 * peak,
            100.0 * COVERAGE * math.hypot(noise * math.sqrt(3.0 / curve.size), 1.3 * scale * peak),
            "%",
        ),
        locked=locked,
    )


def _no_dominant(reason: str) -> Dominant:
    return Dominant(
        rate_hz=cannot_tell(reason, "Hz"), peak_percent=cannot_tell(reason, "%"), locked=Locked.NONE
    )


def _nothing(reason: str, carrier: str, highest_hz: float) -> Wavering:
    none = cannot_tell(reason, "%")
    return Wavering(
        carrier=carrier,
        highest_hz=highest_hz,
        drift_percent_per_minute=cannot_tell(reason, "%/min"),
        wow_rms_percent=none,
        wow_peak_percent=none,
        flutter_rms_percent=none,
        flutter_peak_percent=none,
        weighted_percent=none,
        dominant=_no_dominant(reason),
        harmonics=(),
    )
