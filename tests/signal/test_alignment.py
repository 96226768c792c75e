"""Paths through performances whose course the simulator knows."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.alignment import HOP_S, align
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from tests.signal.demonstrations import demonstration
from tests.simulator.draws import Draws
from tests.simulator.voice import Voice, babble


def _speech(seed: int, duration_s: float = 8.0) -> ReducedSound:
    draws = Draws(seed, "speech")
    sound = 0.2 * babble(duration_s, REDUCED_RATE_HZ, Voice(), draws)
    sound += 0.001 * draws.normals(sound.size)
    return ReducedSound(samples=sound.astype(np.float32))


def test_a_take_against_itself_runs_along_the_diagonal() -> None:
    take = _speech(1)
    found = align(take, take)
    assert found is not None
    clock = np.arange(found.source_s.size) * HOP_S
    inside = (clock > 0.5) & (clock < 7.5)
    assert found.ratio == 1.0
    assert np.max(np.abs(found.source_s - clock)[inside]) < HOP_S


@pytest.mark.parametrize("seed", [2000, 2001])
def test_the_path_of_a_reproduction_is_within_a_few_frames_of_the_truth(seed: int) -> None:
    performance, reproduction, truth, _ = demonstration(seed)
    found = align(performance, reproduction)
    assert found is not None
    assert found.ratio == pytest.approx(truth.mean_ratio, rel=0.05)
    clock = np.arange(found.source_s.size) * HOP_S
    inside = (clock > truth.time_s[0] + 1.5) & (clock < truth.time_s[-1] - 1.0)
    off = found.source_s - np.interp(clock, truth.time_s, truth.performance_time_s)
    assert float(np.median(np.abs(off[inside]))) < 0.02


def test_other_words_of_the_same_voice_match_far_worse() -> None:
    same, other = align(_speech(1), _speech(1)), align(_speech(1), _speech(2))
    assert same is not None
    assert other is not None
    assert other.score < 0.16 < same.score
    assert other.contrast < 5.5 < same.contrast


def test_takes_of_less_than_three_seconds_are_not_aligned() -> None:
    assert align(_speech(1, 1.0), _speech(1)) is None


def test_a_long_drift_away_from_the_mean_speed_is_followed_to_the_end() -> None:
    performance = _speech(3, 80.0)
    # From 8 % fast to 8 % slow: the pitch leaves its band of 4 % twice over.
    clock = np.arange(78 * REDUCED_RATE_HZ) / REDUCED_RATE_HZ
    source_s = 1.08 * clock - 0.16 / 78.0 * clock**2 / 2.0
    played = np.interp(
        source_s * REDUCED_RATE_HZ, np.arange(performance.samples.size), performance.samples
    )
    found = align(performance, ReducedSound(samples=played.astype(np.float32)))
    assert found is not None
    times = np.arange(found.source_s.size) * HOP_S
    off = found.source_s - np.interp(times, clock, source_s)
    for begin_s in (2.0, 38.0, 72.0):
        near = (times > begin_s) & (times < begin_s + 4.0)
        assert float(np.median(np.abs(off[near]))) < 0.02
