"""Tones of exactly known frequency; 1200 cents are an octave by definition."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound, reduced
from archiver.signal.tone import find_tone
from benchmarks.truth_cases import played_tone
from tests.simulator.draws import Draws
from tests.simulator.tones import pitch_pipe
from tests.simulator.voice import Voice, babble


def _take(sound: np.ndarray) -> ReducedSound:
    return ReducedSound(samples=np.asarray(sound, np.float32))


def _clock(duration_s: float) -> np.ndarray:
    return np.arange(round(duration_s * REDUCED_RATE_HZ)) / REDUCED_RATE_HZ


def test_a_pitch_pipe_between_pauses_is_measured_within_a_twentieth_of_a_percent() -> None:
    draws = Draws(4, "pipe")
    pipe = pitch_pipe(440.0, 1.5, 48_000, draws)
    sound = np.concatenate([np.zeros(30_000), 0.1 * pipe, np.zeros(30_000)])
    sound += 0.002 * draws.normals(sound.size)
    tone = find_tone(reduced(sound, 48_000), 435.0)
    assert tone.frequency_hz.value == pytest.approx(440.0, rel=1e-4)
    assert tone.speed.value == pytest.approx(440.0 / 435.0, rel=1e-4)
    # 1200 log2(440/435)
    assert tone.cents.value == pytest.approx(19.786, abs=0.2)
    assert tone.start_s is not None
    assert tone.end_s is not None
    assert 0.6 < tone.start_s < 0.9
    assert 1.9 < tone.end_s < 2.15


def test_a_tone_one_percent_under_its_nominal_reads_minus_17_cents() -> None:
    # 3118.5 Hz against 3150 Hz: -1.000 %, 1200 log2(0.99) = -17.40 cents.
    clock = _clock(3.0)
    tone = find_tone(_take(0.2 * np.sin(2 * np.pi * 3118.5 * clock)), 3150.0)
    assert tone.speed.value == pytest.approx(0.99, abs=1e-5)
    assert tone.cents.value == pytest.approx(-17.40, abs=0.01)


def test_a_wavering_tone_keeps_its_mean_and_gives_its_curve() -> None:
    clock = _clock(4.0)
    sound = 0.2 * np.sin(
        2 * np.pi * 1000.0 * clock + 1000.0 * 0.02 / 2.0 * np.sin(4 * np.pi * clock)
    )
    tone = find_tone(_take(sound), 1000.0)
    assert tone.curve is not None
    expected = 1000.0 * (1.0 + 0.02 * np.cos(4.0 * np.pi * tone.curve.time_s))
    assert np.max(np.abs(tone.curve.frequency_hz - expected)) < 0.5
    assert tone.start_s is not None
    assert tone.end_s is not None
    span = np.array([tone.start_s, tone.end_s])
    progress = 1000.0 * span + 1000.0 * 0.02 / (4.0 * np.pi) * np.sin(4.0 * np.pi * span)
    assert tone.frequency_hz.value == pytest.approx(
        float(np.diff(progress)[0] / (span[1] - span[0])), rel=2e-5
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_holds_no_tone(seed: int) -> None:
    noise = Draws(seed, "noise").normals(8 * REDUCED_RATE_HZ)
    assert "no steady tone" in find_tone(_take(0.1 * noise), 440.0).frequency_hz.reason


@pytest.mark.parametrize("pitch_hz", [110.0, 220.0])
def test_speech_is_no_steady_tone(pitch_hz: float) -> None:
    speech = babble(8.0, REDUCED_RATE_HZ, Voice(pitch_hz=pitch_hz), Draws(5, "speech"))
    assert find_tone(_take(0.3 * speech), 220.0).frequency_hz.value is None


def test_what_swells_and_fades_as_syllables_do_is_no_tone() -> None:
    # Three swells a second, the logarithm of the level 0.6 about its mean: vowels in a row.
    clock = _clock(3.0)
    level = np.exp(0.85 * np.sin(2.0 * np.pi * 3.0 * clock))
    tone = find_tone(_take(0.1 * level * np.sin(2.0 * np.pi * 220.0 * clock)), 220.0)
    assert "swells and fades" in tone.frequency_hz.reason


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_a_tone_that_fades_for_a_moment_in_noise_keeps_its_cycles_or_says_so(seed: int) -> None:
    clock = _clock(2.5)
    swing = 440.0 * 0.01 / 1.5 * np.sin(2.0 * np.pi * 1.5 * clock)
    level = 1.0 - 0.97 * np.exp(-0.5 * ((clock - 1.2) / 0.02) ** 2)
    sound = 0.1 * level * np.sin(2.0 * np.pi * 440.0 * clock + swing)
    sound += 0.04 * Draws(seed, "fading").normals(clock.size)
    tone = find_tone(_take(sound), 440.0)
    if tone.frequency_hz.value is None:
        assert tone.frequency_hz.reason
        return
    assert tone.start_s is not None
    assert tone.end_s is not None
    span = np.array([tone.start_s, tone.end_s])
    turned = 440.0 * span + 440.0 * 0.01 / (2.0 * np.pi * 1.5) * np.sin(2.0 * np.pi * 1.5 * span)
    mean_hz = float(np.diff(turned)[0] / np.diff(span)[0])
    assert tone.frequency_hz.uncertainty is not None
    off = abs(tone.frequency_hz.value - mean_hz)
    assert off < 0.0005 * mean_hz or off <= tone.frequency_hz.uncertainty


@pytest.mark.parametrize("seed", [199, 1109])
def test_a_played_tone_whose_harmonics_lose_cycles_is_within_a_twentieth_of_a_percent(
    seed: int,
) -> None:
    case = played_tone(seed)
    tone = find_tone(case.reproduction, case.pitch_hz)
    assert tone.speed.value is not None
    assert tone.speed.uncertainty is not None
    assert tone.start_s is not None
    assert tone.end_s is not None
    span = np.array([tone.start_s, tone.end_s])
    source = np.interp(span, case.truth.time_s, case.truth.performance_time_s)
    ratio = float(np.diff(source)[0] / np.diff(span)[0])
    assert tone.speed.value == pytest.approx(ratio, rel=0.0005)
    assert abs(tone.speed.value - ratio) <= tone.speed.uncertainty


def test_a_tone_that_is_switched_off_is_not_measured_within_its_click() -> None:
    case = played_tone(76)
    tone = find_tone(case.performance, case.pitch_hz)
    assert tone.speed.value == pytest.approx(1.0, rel=0.0005)
    assert tone.speed.uncertainty is not None
    assert tone.speed.value is not None
    assert abs(tone.speed.value - 1.0) <= tone.speed.uncertainty


def test_silence_and_a_short_take_say_why_nothing_was_measured() -> None:
    assert find_tone(_take(np.zeros(80_000)), 440.0).speed.reason == "the take is silent"
    assert "shorter" in find_tone(_take(np.zeros(800)), 440.0).speed.reason


@pytest.mark.parametrize("stated_hz", [0.0, -440.0, 20_000.0, float("nan")])
def test_a_pitch_outside_the_limits_is_refused(stated_hz: float) -> None:
    with pytest.raises(ValueError, match="60 to 4000 Hz"):
        find_tone(_take(np.zeros(80_000)), stated_hz)


def test_reducing_in_any_blocks_gives_the_same_sound() -> None:
    from archiver.signal.reduced import SoundReducer
    from archiver.signal.samples import Block

    values = Draws(6, "blocks").normals(30_000).astype(np.float32) * np.float32(0.1)
    reducer = SoundReducer(48_000)
    for start in range(0, values.size, 7001):
        reducer.feed(Block(start_frame=start, values=values[None, start : start + 7001]))
    assert np.allclose(reducer.result().samples, reduced(values, 48_000).samples, atol=1e-6)


@pytest.mark.parametrize(("bits", "dithered"), [(16, True), (24, False), (24, True), (None, False)])
@pytest.mark.parametrize(
    ("hertz", "silence_s"), [(110.0, 0.0), (440.0, 0.0), (440.0, 0.5), (3150.0, 0.0)]
)
def test_a_clean_tone_that_begins_and_ends_at_once_is_measured(
    hertz: float, silence_s: float, dithered: bool, bits: int | None
) -> None:
    # -12 dBFS; 16 and 24 bits with and without triangular dither, and float32.
    rate = 48_000
    pause = np.zeros(round(silence_s * rate))
    clock = np.arange(3 * rate) / rate
    sound = np.concatenate([pause, 0.25 * np.sin(2.0 * np.pi * hertz * clock), pause])
    if bits is not None:
        chance = np.random.default_rng(7).random((2, sound.size))
        dither = chance[0] - chance[1] if dithered else 0.0
        steps = 2.0 ** (bits - 1)
        sound = np.round(sound * steps + dither) / steps
    tone = find_tone(reduced(sound, rate), hertz)
    assert tone.frequency_hz.value == pytest.approx(hertz, rel=1e-5)
    assert tone.frequency_hz.uncertainty == pytest.approx(0.0, abs=0.02)
