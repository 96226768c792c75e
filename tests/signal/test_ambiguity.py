"""Windows of sound compared at many speeds, where speed and place are known."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.alignment import log_spectra
from archiver.signal.ambiguity import PART_RATE_HZ, Base, Grid, Observed, observe, read_at, whitened
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from tests.simulator.draws import Draws
from tests.simulator.resampling import sound_at
from tests.simulator.voice import Voice, babble

GRID = Grid(
    window_s=0.064,
    hop_s=0.03,
    speed_reach=0.06,
    speeds=17,
    delay_reach_s=0.02,
    change_reach=3,
    change_cost=0.1,
)


def _take(sound: np.ndarray) -> ReducedSound:
    return ReducedSound(samples=np.asarray(sound, np.float32))


def _observed(one: ReducedSound, other: ReducedSound, late_s: float) -> Observed:
    clock = np.arange(0.0, other.duration_s, 0.01)
    base = Base(time_s=clock, source_s=1.02 * clock + late_s, ratio=np.full(clock.size, 1.02))
    return observe(
        whitened(one),
        whitened(other),
        (log_spectra(one.samples), log_spectra(other.samples)),
        base,
        GRID,
        coarse_ratio=1.02,
        first=True,
    )


def _speech() -> np.ndarray:
    return babble(6.0, REDUCED_RATE_HZ, Voice(pitch_hz=120.0), Draws(1, "ambiguity"))


@pytest.mark.parametrize("ratio", [1.01, 1.02, 1.03])
def test_speed_and_place_of_speech_are_found_about_a_base_that_is_off(ratio: float) -> None:
    sound = _speech()
    faster = sound_at(sound, np.arange(0.0, sound.size - 1.0, ratio))[:24_000]
    seen = _observed(_take(sound), _take(faster), 0.0)
    sure = seen.evidence > 4.0
    assert sure.sum() > 10
    assert float(np.median(seen.ratio[sure])) == pytest.approx(ratio, abs=0.003)
    off_s = np.abs(seen.source_s - ratio * seen.time_s)[sure]
    assert float(np.median(off_s)) < 0.004


def test_noise_gives_far_less_evidence_than_speech() -> None:
    sound = _speech()
    noise = _take(0.1 * Draws(2, "noise").normals(2 * REDUCED_RATE_HZ))
    same = _observed(_take(sound), _take(sound_at(sound, np.arange(0.0, 32_000.0, 1.02))), 0.0)
    other = _observed(_take(sound), noise, 0.0)
    assert float(np.mean(other.evidence)) < 0.3 * float(np.mean(same.evidence))


def test_levelled_sound_has_variance_one_and_only_the_passband() -> None:
    level = whitened(_take(0.01 * Draws(3, "noise").normals(4 * REDUCED_RATE_HZ)))
    assert float(np.std(level)) == pytest.approx(1.0, rel=1e-4)
    spectrum = np.abs(np.fft.rfft(level)) ** 2
    frequency = np.fft.rfftfreq(level.size, 1.0 / PART_RATE_HZ)
    outside = (frequency < 200.0) | (frequency > 3050.0)
    assert float(spectrum[outside].sum()) < 1e-3 * float(spectrum.sum())


def test_reading_at_whole_places_changes_nothing() -> None:
    sound = np.array([0.0, 1.0, -1.0, 0.5], np.float32)
    assert read_at(sound, np.array([1.0, 2.0])) == pytest.approx([1.0, -1.0])
    assert read_at(sound, np.array([1.5]))[0] == pytest.approx(0.0)
