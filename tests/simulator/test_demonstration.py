"""The whole chain: what is measured in the captures is what the truth says."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import signal

from tests.simulator.demonstration import Groove, Works, cut, perform, play, quantised
from tests.simulator.draws import Draws, Samples
from tests.simulator.horn import Horn, Resonance
from tests.simulator.medium import Medium, Seam, Wear
from tests.simulator.room import Room
from tests.simulator.rotation import Ripple, SpeedCurve, drift, turning, wow
from tests.simulator.truth import ReproductionTruth, as_json_text

RATE_HZ = 16_000
QUIET_ROOM = Room(seed=1, reverberant_db=-60.0, noise_dbfs=-110.0, hum_dbfs=-120.0)
SILENT_WORKS = Works(whirr_dbfs=-120.0, thump_dbfs=-120.0)
CLEAN = Medium(curvature=0.0, hiss_db=-70.0, clicks_per_turn=0.0, seam=Seam(level=0.0))


def _even(duration_s: float, rpm: float = 100.0) -> SpeedCurve:
    return turning(duration_s, RATE_HZ, rpm=rpm)


def _groove(programme: Samples, medium: Medium, curve: SpeedCurve, horn: Horn) -> Groove:
    return cut(programme, RATE_HZ, horn=horn, medium=medium, curve=curve, turn_times_s=np.zeros(0))


def _played(
    groove: Groove, curve: SpeedCurve, playings_before: int = 0, room: Room = QUIET_ROOM
) -> tuple[Samples, ReproductionTruth]:
    return play(
        groove,
        curve=curve,
        horn=groove.horn,
        works=SILENT_WORKS,
        room=room,
        playings_before=playings_before,
        lowered_s=0.5,
        from_s=0.0,
        level_dbfs=-26.0,
        draws=Draws(1, "playing"),
        groove_draws=Draws(1, "groove"),
    )


def test_the_frequency_of_a_played_tone_follows_the_ratio_of_speeds() -> None:
    length_s = 8.0 - 1.0 / RATE_HZ
    tone = np.sin(2.0 * np.pi * 1000.0 * np.arange(8 * RATE_HZ) / RATE_HZ)
    recording = turning(
        length_s, RATE_HZ, rpm=80.0, ripples=[Ripple(per_turn=2, depth=0.02, phase_turns=0.1)]
    )
    playing = turning(
        9.0,
        RATE_HZ,
        rpm=84.0,
        relative=[
            drift(9.0, RATE_HZ, per_minute=0.2),
            wow(9.0, RATE_HZ, rate_hz=3.1, depth=0.01),
        ],
    )
    sound, truth = _played(_groove(tone, CLEAN, recording, Horn()), playing)
    band = signal.butter(4, (600.0, 1600.0), "bandpass", fs=RATE_HZ, output="sos")
    phase = np.unwrap(np.angle(signal.hilbert(signal.sosfiltfilt(band, sound))))
    found_hz = np.gradient(phase) * RATE_HZ / (2.0 * np.pi)
    times = np.array(truth.time_s)
    inside = (times > 1.0) & (times < 7.0)
    # The sound is heard after the way through the air and the horns.
    delay_s = 0.4 / 343.0 + 0.0005
    heard = np.interp(times[inside] + delay_s, np.arange(found_hz.size) / RATE_HZ, found_hz)
    wrong = heard / 1000.0 / np.array(truth.ratio)[inside] - 1.0
    assert float(np.sqrt(np.mean(wrong**2))) < 3e-4
    assert truth.mean_ratio == pytest.approx(
        truth.rotation.mean_rpm / truth.recording.mean_rpm, rel=1e-4
    )


def test_marks_come_once_a_turn_of_the_playing_machine() -> None:
    programme = 0.001 * Draws(3).normals(12 * RATE_HZ)
    seam = Seam(at_turns=0.4, level=900.0, width_s=0.001, uneven=0.2)
    medium = Medium(curvature=0.0, hiss_db=-40.0, clicks_per_turn=0.0, seam=seam)
    playing = turning(
        12.0,
        RATE_HZ,
        rpm=110.0,
        relative=[drift(12.0, RATE_HZ, per_minute=-0.3)],
        ripples=[Ripple(per_turn=1, depth=0.02)],
    )
    groove = _groove(programme, medium, _even(12.0 - 1.0 / RATE_HZ, 105.0), Horn())
    sound, truth = _played(groove, playing)
    loud = np.abs(signal.hilbert(sound))
    peaks, _ = signal.find_peaks(loud, height=0.3 * loud.max(), distance=RATE_HZ // 4)
    found_s = peaks / RATE_HZ
    angles = playing.turns_at(found_s)
    assert np.abs(np.diff(angles) - 1.0).max() < 0.01
    expected_s = np.array(truth.rotation.turn_times_s)
    assert found_s.size == expected_s.size
    late_s = found_s - expected_s
    assert 0.0 < late_s.min() < late_s.max() < 0.004


def test_the_mark_stays_at_its_place_of_the_groove_from_playing_to_playing() -> None:
    programme = Draws(3).normals(6 * RATE_HZ)
    medium = Medium(seam=Seam(at_turns=0.25, level=1.0))
    groove = _groove(programme, medium, _even(6.0 - 1.0 / RATE_HZ), Horn())
    places = []
    for rpm in (100.0, 117.0):
        _, truth = _played(groove, _even(6.0, rpm))
        passings = np.array(truth.rotation.turn_times_s)
        inside = np.interp(passings, truth.time_s, truth.performance_time_s)
        places.append(groove.curve.turns_at(inside) % 1.0)
    assert np.abs(np.concatenate(places) - 0.25).max() < 0.001


def test_the_response_falls_by_ten_decibels_where_the_truth_says() -> None:
    horn = Horn(
        low_hz=250.0,
        high_hz=2500.0,
        resonances=(Resonance(frequency_hz=800.0, gain_db=4.0, quality=3.0),),
    )
    programme = Draws(4).normals(30 * RATE_HZ)
    groove = _groove(programme, CLEAN, _even(30.0 - 1.0 / RATE_HZ), horn)
    sound, truth = _played(groove, _even(31.0))
    frequency, before = signal.welch(programme, RATE_HZ, nperseg=1024)
    _, after = signal.welch(sound[RATE_HZ:], RATE_HZ, nperseg=1024)
    response_db = 10.0 * np.log10(after / before)
    middle = response_db[(frequency >= 500.0) & (frequency <= 1500.0)].mean()
    for edge_hz in (truth.band_low_hz, truth.band_high_hz):
        assert np.interp(edge_hz, frequency, response_db) - middle == pytest.approx(-10.0, abs=1.0)


def test_each_playing_takes_level_and_treble_and_adds_hiss() -> None:
    wear = Wear(level_db=1.5, wavelength_growth=0.2, noise_db=2.0)
    medium = Medium(
        curvature=0.0, hiss_db=-20.0, clicks_per_turn=0.0, seam=Seam(level=0.0), wear=wear
    )
    # A second of speech-like noise, then a second of empty groove.
    programme = np.concatenate([Draws(5).normals(4 * RATE_HZ), np.zeros(4 * RATE_HZ)])
    groove = _groove(programme, medium, _even(8.0 - 1.0 / RATE_HZ), Horn())
    heard = [_played(groove, _even(9.0), playings)[0] for playings in (0, 4)]
    full, empty = slice(RATE_HZ, 4 * RATE_HZ), slice(5 * RATE_HZ, 8 * RATE_HZ)

    def band_db(sound: Samples, low_hz: float, high_hz: float) -> float:
        frequency, power = signal.welch(sound, RATE_HZ, nperseg=2048)
        inside = (frequency >= low_hz) & (frequency < high_hz)
        return float(10.0 * np.log10(power[inside].sum()))

    low = band_db(heard[1][full], 300.0, 500.0) - band_db(heard[0][full], 300.0, 500.0)
    high = band_db(heard[1][full], 2000.0, 2300.0) - band_db(heard[0][full], 2000.0, 2300.0)
    hiss = band_db(heard[1][empty], 300.0, 2500.0) - band_db(heard[0][empty], 300.0, 2500.0)
    assert hiss == pytest.approx(4 * 2.0, abs=0.1)
    assert low == pytest.approx(-4 * 1.5, abs=1.2)
    assert high < low - 1.5


def test_the_signal_to_noise_ratio_is_that_of_the_capture() -> None:
    programme = Draws(6).normals(10 * RATE_HZ)
    medium = Medium(curvature=0.0, hiss_db=-12.0, clicks_per_turn=0.0, seam=Seam(level=0.0))
    groove = _groove(programme, medium, _even(10.0 - 1.0 / RATE_HZ), Horn())
    _, truth = _played(groove, _even(11.0))
    assert truth.snr_db == pytest.approx(12.0, abs=0.2)


def test_a_performance_carries_the_thump_of_the_machine_once_a_turn() -> None:
    curve = _even(6.0, 90.0)
    works = Works(whirr_dbfs=-90.0, thump_dbfs=-20.0, thump_at_turns=0.1)
    capture, times_s = perform(
        np.zeros(curve.rpm.size),
        RATE_HZ,
        room=QUIET_ROOM,
        works=works,
        curve=curve,
        draws=Draws(7),
    )
    assert np.diff(times_s) == pytest.approx(60.0 / 90.0)
    for time_s in times_s[:-1]:
        begin = round(time_s * RATE_HZ)
        assert np.abs(capture[begin : begin + 200]).max() > 0.03
        assert np.abs(capture[begin - 200 : begin]).max() < 0.003


def test_hum_and_noise_have_their_level_and_pitch() -> None:
    room = Room(seed=2, noise_dbfs=-70.0, hum_hz=50.05, hum_dbfs=-50.0)
    noise = room.noise(20 * RATE_HZ, RATE_HZ, Draws(8))
    size = 1 << 21
    spectrum = np.abs(np.fft.rfft(noise * np.hanning(noise.size), size))
    found_hz = spectrum[: round(70.0 * size / RATE_HZ)].argmax() * RATE_HZ / size
    assert found_hz == pytest.approx(50.05, abs=0.01)
    _, power = signal.welch(noise, RATE_HZ, nperseg=8192, scaling="spectrum")
    assert 20.0 * np.log10(spectrum.max() * 4.0 / noise.size) == pytest.approx(-50.0, abs=0.3)
    quiet = Room(seed=2, noise_dbfs=-70.0, hum_dbfs=-200.0).noise(RATE_HZ, RATE_HZ, Draws(8))
    assert 10.0 * np.log10(np.mean(quiet**2)) == pytest.approx(-70.0, abs=0.01)
    assert power.size == 4097


def test_reflections_have_their_energy_and_die_away() -> None:
    room = Room(seed=3, reverberation_s=0.4, reverberant_db=-10.0, distance_m=0.5)
    response = room.response(RATE_HZ)
    direct = round(0.5 / 343.0 * RATE_HZ)
    tail = response[direct + 1 :]
    assert np.all(response[:direct] == 0.0)
    assert 10.0 * np.log10(np.sum(tail**2)) == pytest.approx(-10.0, abs=0.2)
    early, late = np.sum(tail[320:1600] ** 2), np.sum(tail[3200:4480] ** 2)
    # 180 ms later at 60 dB in 0.4 s is 27 dB down.
    assert 10.0 * np.log10(early / late) == pytest.approx(27.0, abs=3.0)


def test_samples_are_rounded_to_steps_and_held_at_full_scale() -> None:
    top = 2**23
    found = quantised(np.array([0.0, 0.4 / top, 0.6 / top, 1.5, -1.5]), 24)
    assert list(found) == [0, 0, 1, top - 1, -top]


def test_the_truth_is_written_as_plain_json() -> None:
    groove = _groove(Draws(9).normals(RATE_HZ), CLEAN, _even(1.0 - 1.0 / RATE_HZ), Horn())
    _, truth = _played(groove, _even(2.0))
    read = json.loads(as_json_text({"take": truth}))
    assert read["take"]["playings_before"] == 0
    assert len(read["take"]["ratio"]) == len(read["take"]["time_s"])
    assert read["take"]["rotation"]["mean_rpm"] == pytest.approx(100.0, abs=1e-5)
