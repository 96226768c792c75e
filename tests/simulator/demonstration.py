"""A demonstration from end to end: perform, cut, play, and capture each in a room.

A programme sounds in a room and is captured; the horn of the recording machine hears
it and cuts it into a medium that turns with the recording speed; the medium is played
with another speed curve through another horn, and that is captured too. All that is
not programme is kept apart until the end, so that the truth is measured, not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

from tests.simulator.draws import Draws, Samples
from tests.simulator.horn import Horn
from tests.simulator.levels import band_rms, shaped
from tests.simulator.medium import Medium
from tests.simulator.resampling import sound_at
from tests.simulator.room import Room
from tests.simulator.rotation import SpeedCurve
from tests.simulator.truth import ReproductionTruth, RotationTruth

__all__ = ["Groove", "Works", "cut", "perform", "play", "quantised"]

_CURVE_STEP_S = 0.02
_SETTLING_S = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Works:
    """The noise of a machine's works, as it reaches the microphone.

    Parameters
    ----------
    whirr_dbfs : float
        RMS of the even noise of gears and motor.
    thump_dbfs : float
        Peak of the thump that the feed nut makes once a turn.
    thump_at_turns : float
        Its place in the turn.
    """

    whirr_dbfs: float = -58.0
    thump_dbfs: float = -46.0
    thump_at_turns: float = 0.1

    def noise(
        self, curve: SpeedCurve, sample_rate_hz: int, draws: Draws
    ) -> tuple[Samples, Samples]:
        """Return the noise, shape (frames,), and the times of the thumps, shape (turns,)."""
        frames = curve.rpm.size
        band = signal.butter(
            2,
            (250.0, min(1800.0, 0.4 * sample_rate_hz)),
            "bandpass",
            fs=sample_rate_hz,
            output="sos",
        )
        whirr = np.asarray(signal.sosfilt(band, draws.branch("whirr").normals(frames)))
        teeth = 1.0 + 0.3 * np.cos(2.0 * np.pi * 7.0 * curve.turns)
        whirr *= teeth / float(np.sqrt(np.mean(whirr**2)))
        noise = whirr * 10.0 ** (self.whirr_dbfs / 20.0)
        first = np.ceil(-self.thump_at_turns)
        passings = np.arange(first, np.floor(curve.turns[-1] - self.thump_at_turns) + 1.0)
        times_s = curve.time_of(passings + self.thump_at_turns)
        for time_s in times_s:
            begin = int(np.ceil(time_s * sample_rate_hz))
            end = min(frames, begin + round(0.12 * sample_rate_hz))
            since_s = np.arange(begin, end) / sample_rate_hz - time_s
            knock = np.exp(-since_s / 0.016) * np.sin(2.0 * np.pi * 130.0 * since_s)
            knock += 0.4 * np.exp(-since_s / 0.002) * np.sin(2.0 * np.pi * 2100.0 * since_s)
            noise[begin:end] += knock * 10.0 ** (self.thump_dbfs / 20.0)
        return noise, times_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    """A cut medium.

    Parameters
    ----------
    sound : ndarray, shape (frames,)
        What the cutting stylus wrote, peak 1, in times of the performance.
    curve : SpeedCurve
        Of the cutting machine.
    horn : Horn
        Through which it was cut.
    medium : Medium
    sample_rate_hz : int
    turn_times_s : ndarray, shape (turns,)
        Thumps of the cutting machine in the performance.
    """

    sound: Samples
    curve: SpeedCurve
    horn: Horn
    medium: Medium
    sample_rate_hz: int
    turn_times_s: Samples


def perform(
    programme: Samples,
    sample_rate_hz: int,
    *,
    room: Room,
    works: Works,
    curve: SpeedCurve,
    draws: Draws,
) -> tuple[Samples, Samples]:
    """Capture a performance while the recording machine turns beside it.

    Parameters
    ----------
    programme : ndarray, shape (frames,)
        At the level at which the microphone shall hear it.
    sample_rate_hz : int
    room, works, curve, draws
        ``curve`` has as many samples as the programme.

    Returns
    -------
    capture : ndarray, shape (frames,)
    turn_times_s : ndarray, shape (turns,)
    """
    noise, turn_times_s = works.noise(curve, sample_rate_hz, draws.branch("works"))
    capture = room.heard(programme, sample_rate_hz) + noise
    capture += room.noise(programme.size, sample_rate_hz, draws.branch("room"))
    return capture, turn_times_s


def cut(
    programme: Samples,
    sample_rate_hz: int,
    *,
    horn: Horn,
    medium: Medium,
    curve: SpeedCurve,
    turn_times_s: Samples,
) -> Groove:
    """Cut a programme into a medium."""
    written = horn.through(programme, sample_rate_hz)
    written = written / max(float(np.abs(written).max()), 1e-12)
    return Groove(
        sound=written,
        curve=curve,
        horn=horn,
        medium=medium,
        sample_rate_hz=sample_rate_hz,
        turn_times_s=turn_times_s,
    )


def play(
    groove: Groove,
    *,
    curve: SpeedCurve,
    horn: Horn,
    works: Works,
    room: Room,
    playings_before: int,
    lowered_s: float,
    from_s: float,
    level_dbfs: float,
    draws: Draws,
    groove_draws: Draws,
) -> tuple[Samples, ReproductionTruth]:
    """Play a groove and capture it.

    Parameters
    ----------
    groove : Groove
    curve : SpeedCurve
        Of the playing machine, for the whole capture.
    horn, works, room
        Of the playing machine.
    playings_before : int
    lowered_s : float
        When in the capture the stylus is lowered.
    from_s : float
        The time of the performance at which it meets the groove.
    level_dbfs : float
        RMS in 200-3000 Hz of the programme of an unworn groove while it plays.
    draws : Draws
        What differs from playing to playing.
    groove_draws : Draws
        What lies in the groove: the same for every playing of one medium.

    Returns
    -------
    capture : ndarray, shape (frames,)
    truth : ReproductionTruth
    """
    rate_hz = groove.sample_rate_hz
    medium = groove.medium
    clock = np.arange(curve.rpm.size) / rate_hz
    recorded_turns = float(groove.curve.turns_at(np.array([from_s]))[0])
    lowered_turns = float(curve.turns_at(np.array([lowered_s]))[0])
    place_turns = recorded_turns + curve.turns - lowered_turns
    source_s = groove.curve.time_of(place_turns)
    sounding = (clock >= lowered_s) & (place_turns <= groove.curve.turns[-1])
    raised_s = float(clock[sounding][-1])
    # The stylus is set down and lifted, not switched.
    contact = np.clip((clock - lowered_s) / _SETTLING_S, 0.0, 1.0)
    contact *= np.clip((raised_s - clock) / _SETTLING_S, 0.0, 1.0)

    recording_rpm = groove.curve.mean_rpm(from_s, groove.curve.duration_s)

    def transfer(frequency_hz: Samples) -> Samples:
        return medium.wavelength_gain(frequency_hz, recording_rpm, playings_before)

    def unworn(frequency_hz: Samples) -> Samples:
        return medium.wavelength_gain(frequency_hz, recording_rpm, 0)

    def through(sound: Samples) -> Samples:
        return room.heard(horn.through(sound * contact, rate_hz), rate_hz)

    bent = medium.bent(groove.sound)
    grooves = sound_at(
        np.stack(
            [
                shaped(bent, rate_hz, unworn),
                shaped(bent, rate_hz, transfer),
                medium.hiss(groove.sound.size, rate_hz, groove_draws.branch("hiss")),
            ]
        ),
        source_s * rate_hz,
    )
    fresh, worn, hiss = (through(sound) for sound in grooves)
    span = slice(round(lowered_s * rate_hz), round(raised_s * rate_hz))
    reference = band_rms(fresh[span], rate_hz)
    scale = 10.0 ** (level_dbfs / 20.0) / max(reference, 1e-12)
    level_db = 0.0 - medium.wear.level_db * playings_before
    hiss_db = medium.wear.noise_db * playings_before

    programme = worn * scale * 10.0 ** (level_db / 20.0)
    wanted = 10.0 ** ((level_dbfs + medium.hiss_db + hiss_db) / 20.0)
    hiss = hiss * (wanted / max(band_rms(hiss[span], rate_hz), 1e-12))
    ticks, passed_s = medium.ticks(
        curve,
        recorded_turns - lowered_turns,
        float(groove.curve.turns[-1]),
        rate_hz,
        groove_draws.branch("ticks"),
    )
    noise, _ = works.noise(curve, rate_hz, draws.branch("works"))
    # Ticks are scaled to the groove as its programme is.
    rest = hiss + through(ticks) * scale * float(np.abs(bent).max())
    rest += noise + room.noise(clock.size, rate_hz, draws.branch("room"))

    snr = band_rms(programme[span], rate_hz) / band_rms(rest[span], rate_hz)
    played_s = float(source_s[sounding][-1]) - from_s
    mean_ratio = played_s / (raised_s - lowered_s)
    low_hz, high_hz = _band(groove, horn, recording_rpm, mean_ratio, playings_before)
    instants = np.arange(lowered_s, raised_s, _CURVE_STEP_S)
    sources = np.interp(instants, clock, source_s)
    truth = ReproductionTruth(
        rotation=_rotation(
            curve,
            lowered_s,
            raised_s,
            passed_s[(passed_s >= lowered_s + _SETTLING_S) & (passed_s <= raised_s - _SETTLING_S)],
        ),
        recording=_rotation(groove.curve, from_s, groove.curve.duration_s, groove.turn_times_s),
        playings_before=playings_before,
        mean_ratio=mean_ratio,
        time_s=_plain(instants),
        performance_time_s=_plain(sources),
        ratio=_plain(curve.rpm_at(instants) / groove.curve.rpm_at(sources)),
        band_low_hz=low_hz,
        band_high_hz=high_hz,
        snr_db=float(20.0 * np.log10(snr)),
        level_db=level_db,
        hiss_db=hiss_db,
    )
    return programme + rest, truth


def _plain(values: Samples) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _rotation(
    curve: SpeedCurve, start_s: float, end_s: float, turn_times_s: Samples
) -> RotationTruth:
    instants = np.arange(0.0, curve.duration_s, _CURVE_STEP_S)
    return RotationTruth(
        mean_rpm=curve.mean_rpm(start_s, end_s),
        start_s=start_s,
        end_s=end_s,
        time_s=_plain(instants),
        rpm=_plain(curve.rpm_at(instants)),
        turn_times_s=_plain(turn_times_s),
    )


def _band(
    groove: Groove, horn: Horn, recording_rpm: float, ratio: float, playings_before: int
) -> tuple[float, float]:
    """Find where the whole response is 10 dB under its mean of 500-1500 Hz."""
    rate_hz = groove.sample_rate_hz
    frequency = np.geomspace(60.0, 0.45 * rate_hz / max(ratio, 1.0), 2000)
    response = groove.horn.gain(frequency, rate_hz) * horn.gain(frequency * ratio, rate_hz)
    response *= groove.medium.wavelength_gain(frequency, recording_rpm, playings_before)
    middle = (frequency >= 500.0) & (frequency <= 1500.0)
    level_db = 20.0 * np.log10(np.maximum(response, 1e-9))
    under = level_db < float(np.mean(level_db[middle])) - 10.0
    below = np.flatnonzero(under & (frequency < 500.0))
    above = np.flatnonzero(under & (frequency > 1500.0))
    low_hz = float(frequency[below[-1]]) if below.size else float(frequency[0])
    high_hz = float(frequency[above[0]]) if above.size else float(frequency[-1])
    return low_hz, high_hz


def quantised(sound: Samples, bits: int) -> npt.NDArray[np.int32]:
    """Round to whole steps of a fixed-point format, shape (frames,), int32."""
    top = 2 ** (bits - 1)
    return np.asarray(np.clip(np.rint(sound * top), -top, top - 1), dtype=np.int32)
