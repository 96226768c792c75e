"""Take finding on captures whose parts and times are known from the simulator."""

from __future__ import annotations

import functools
import itertools
from typing import NamedTuple

import numpy as np
import pytest

from archiver.signal.cuts import CutProposal, KindGuess
from tests.signal.feeding import measured_floats
from tests.signal.synthesis import Signal, noise, tone
from tests.simulator import Draws, Room, Voice, babble, random_case

RATE = 24_000


class Part(NamedTuple):
    kind: KindGuess
    start_s: float
    end_s: float


@functools.cache
def capture(seed: int) -> tuple[Signal, list[Part]]:
    """An announcement, a performance and its reproduction in one capture, with pauses."""
    draws = Draws(seed, "capture")
    case = random_case(seed, sample_rate_hz=RATE, duration_s=6.0)
    room = Room(seed=3, noise_dbfs=-72.0)
    voice = babble(5.0, RATE, Voice(), draws.branch("voice"))
    voice *= 0.05 / np.sqrt(np.mean(voice**2))
    sounds = {
        KindGuess.ANNOUNCEMENT: room.heard(voice, RATE),
        KindGuess.PERFORMANCE: case.performance,
        KindGuess.REPRODUCTION: case.reproduction,
    }
    pieces, parts = [np.zeros(5 * RATE)], []
    at = 5.0
    for kind, sound in sounds.items():
        parts.append(Part(kind, at, at + sound.size / RATE))
        pieces += [sound, np.zeros(5 * RATE)]
        at += sound.size / RATE + 5.0
    whole = np.concatenate(pieces)
    return (whole + room.noise(whole.size, RATE, draws.branch("room")))[np.newaxis], parts


def cuts(signal: Signal) -> tuple[CutProposal, ...]:
    return measured_floats(signal, RATE).cuts


SEEDS = range(6)


@pytest.mark.parametrize("seed", SEEDS)
def test_parts_of_a_session_are_proposed_with_their_edges(seed: int) -> None:
    signal, parts = capture(seed)
    found = cuts(signal)
    assert len(found) == len(parts)
    assert found[0].kind is KindGuess.ANNOUNCEMENT
    for one, part in zip(found, parts, strict=True):
        start = one.sound_on_s if one.machine_on_s is None else one.machine_on_s
        end = one.sound_off_s if one.machine_off_s is None else one.machine_off_s
        assert start == pytest.approx(part.start_s, abs=1.2)
        assert end == pytest.approx(part.end_s, abs=1.2)
        assert part.start_s - 0.6 <= one.start_s <= one.sound_on_s
        assert one.sound_off_s <= one.end_s <= part.end_s + 0.6


def test_most_kinds_are_guessed_and_wrong_guesses_are_not_confident() -> None:
    guesses = [
        (one, part)
        for seed in SEEDS
        for one, part in zip(cuts(capture(seed)[0]), capture(seed)[1], strict=True)
    ]
    wrong = [one for one, part in guesses if one.kind is not part.kind]
    assert len(wrong) <= len(guesses) // 6
    assert all(one.confidence <= 0.7 for one in wrong)


def test_a_machine_is_heard_before_its_sound() -> None:
    signal, parts = capture(1)
    reproduction = cuts(signal)[2]
    assert reproduction.machine_on_s == pytest.approx(parts[2].start_s, abs=0.3)
    assert reproduction.sound_on_s > parts[2].start_s + 0.4


def test_a_steady_tone_is_a_test_tone() -> None:
    quiet = np.zeros((1, 5 * RATE))
    signal = np.concatenate((quiet, tone(RATE, [(8, -20)], channels=1), quiet), axis=1)
    found = cuts(signal + noise(RATE, 18.0, -70.0))
    assert [one.kind for one in found] == [KindGuess.TEST_TONE]
    assert found[0].sound_on_s == pytest.approx(5.0, abs=0.2)
    assert found[0].sound_off_s == pytest.approx(13.0, abs=0.2)


@pytest.mark.parametrize("level", [-30.0, -60.0, -90.0])
def test_steady_noise_holds_no_take(level: float) -> None:
    assert cuts(noise(RATE, 20.0, level)) == ()


def test_silence_and_the_shortest_takes_hold_no_take() -> None:
    assert cuts(np.zeros((1, 20 * RATE))) == ()
    assert cuts(noise(RATE, 1.0, -20.0)[:, :1]) == ()


def test_a_cough_is_no_take() -> None:
    signal = noise(RATE, 20.0, -70.0)
    signal[:, 240_000:260_000] += noise(RATE, 1.0, -25.0, seed=2)[:, :20_000]
    assert cuts(signal) == ()


def test_padding_of_neighbours_does_not_overlap() -> None:
    pieces = [noise(RATE, 4.0, -70.0)]
    for seed in range(3):
        pieces += [noise(RATE, 4.0, -30.0, seed=seed), noise(RATE, 2.7, -70.0, seed=seed)]
    found = cuts(np.concatenate(pieces, axis=1))
    assert len(found) == 3
    for before, after in itertools.pairwise(found):
        assert before.end_s <= after.start_s
