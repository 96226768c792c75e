"""The synthetic voice and tones: enough like speech and music to be measured by."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.simulator.draws import Draws
from tests.simulator.tones import hummed, pitch_pipe, random_melody, whistled
from tests.simulator.voice import Voice, babble, counting, speak

RATE_HZ = 16_000


@pytest.mark.parametrize("pitch_hz", [110.0, 190.0])
def test_a_held_vowel_has_the_pitch_of_the_voice(pitch_hz: float) -> None:
    sound = speak("aaaaaaaaaa", RATE_HZ, Voice(pitch_hz=pitch_hz), Draws(1))
    middle = sound[4000:12_000]
    lags = signal.correlate(middle, middle)[middle.size - 1 :]
    first, last = round(RATE_HZ / 300.0), round(RATE_HZ / 80.0)
    found = RATE_HZ / (first + int(lags[first:last].argmax()))
    # The pitch falls by a fifth over a phrase and wavers by a percent.
    assert found == pytest.approx(pitch_hz, rel=0.12)


@pytest.mark.parametrize(
    ("vowel", "low_hz", "high_hz"), [("a", 600, 1000), ("i", 180, 420), ("o", 330, 600)]
)
def test_a_vowel_is_loudest_near_its_first_formant(
    vowel: str, low_hz: float, high_hz: float
) -> None:
    sound = speak(vowel * 8, RATE_HZ, Voice(pitch_hz=100.0), Draws(2))
    frequency, power = signal.welch(sound, RATE_HZ, nperseg=1024)
    # The fundamental itself, at 100 Hz, is left out.
    above = frequency > 150.0
    assert low_hz < frequency[above][power[above].argmax()] < high_hz


def test_hissing_sounds_lie_high() -> None:
    sound = speak("ssssss", RATE_HZ, Voice(), Draws(3))
    frequency, power = signal.welch(sound, RATE_HZ, nperseg=1024)
    assert power[frequency > 3000.0].sum() > 10.0 * power[frequency < 3000.0].sum()


def test_pauses_are_silent() -> None:
    sound = speak("'ma.", RATE_HZ, Voice(), Draws(4))
    pause = sound[-round(0.3 * RATE_HZ) :]
    assert np.abs(pause).max() < 1e-3


def test_counting_says_each_number_once() -> None:
    assert counting(3) == "'en, 'to, 'tre."


def test_babble_is_exactly_as_long_as_asked_and_full_scale() -> None:
    sound = babble(3.21, RATE_HZ, Voice(), Draws(5))
    assert sound.size == round(3.21 * RATE_HZ)
    assert np.abs(sound).max() == 1.0


def test_babble_has_syllables() -> None:
    sound = babble(12.0, RATE_HZ, Voice(), Draws(6))
    loudness = np.sqrt(np.mean(sound.reshape(-1, 160) ** 2, axis=1))
    modulation = np.abs(np.fft.rfft(loudness - loudness.mean())) ** 2
    rate_hz = np.fft.rfftfreq(loudness.size, 0.01)
    syllabic = modulation[(rate_hz > 1.0) & (rate_hz < 8.0)].sum()
    # Common practice: the envelope of speech is strongest at 2 to 8 Hz.
    assert syllabic > 0.5 * modulation.sum()


def test_a_pitch_pipe_holds_its_pitch() -> None:
    tone = pitch_pipe(440.0, 2.0, RATE_HZ, Draws(7))
    size = 1 << 19
    spectrum = np.abs(np.fft.rfft(tone * np.hanning(tone.size), size))
    found = spectrum[: round(600.0 * size / RATE_HZ)].argmax() * RATE_HZ / size
    assert found == pytest.approx(440.0, abs=0.05)


def test_a_melody_lasts_as_long_as_its_notes() -> None:
    notes = random_melody(5.0, 300.0, Draws(8))
    for sound in (hummed(notes, RATE_HZ, Draws(9)), whistled(notes, RATE_HZ, Draws(9))):
        assert sound.size == pytest.approx(5.0 * RATE_HZ, abs=400)
        assert np.abs(sound).max() == pytest.approx(1.0)
