"""Marks placed turn by turn on bare novelty whose turns are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.estimate import Reals
from archiver.signal.marks import place_events
from tests.simulator.draws import Draws


def _struck(size: int, places: Reals, height: float) -> Reals:
    """Novelty of narrow bells, 2 steps wide, at places between steps."""
    clock = np.arange(size, dtype=np.float64)
    novelty = np.zeros(size)
    for place in places:
        novelty += height * np.exp(-0.5 * ((clock - place) / 2.0) ** 2)
    return novelty


def _programme(size: int, draws: Draws) -> Reals:
    """Chance impulses that belong to no turn, one in some 20 steps."""
    places = draws.uniforms(size // 20, 0.0, float(size))
    return _struck(size, places, 0.5) + 0.05 * np.abs(draws.normals(size))


@pytest.mark.parametrize("apart_turns", [0.05, 0.08, 0.12])
def test_two_marks_close_in_phase_are_never_taken_for_one_another(apart_turns: float) -> None:
    # 40 turns of 240 steps; the seam is missed in every fifth turn, the thump in every
    # third, so that now one, now the other is the louder neighbour.
    draws = Draws(31, "two marks")
    turns = 300.0 + 240.0 * np.arange(40, dtype=np.float64)
    number = np.arange(40)
    seam = turns[number % 5 != 2]
    thump = turns[number % 3 != 1] + 240.0 * apart_turns
    size = int(turns[-1]) + 300
    novelty = np.stack(
        [
            _struck(size, seam, 0.9) + _programme(size, draws),
            _struck(size, thump, 0.7) + _programme(size, draws),
        ]
    )
    picked = np.where(number % 5 == 2, turns + 240.0 * apart_turns, turns)
    placed = place_events(novelty, picked)
    assert placed is not None
    events, _ = placed
    rate = np.diff(events) / 240.0
    assert events.size >= 24
    assert float(np.sqrt(np.mean((rate - 1.0) ** 2))) < 0.004


@pytest.mark.parametrize("apart_turns", [0.06, 0.3])
def test_a_mark_that_gives_way_to_another_ends_the_stretch(apart_turns: float) -> None:
    draws = Draws(32, "lead-in")
    turns = 300.0 + 240.0 * np.arange(40, dtype=np.float64)
    # Ten turns of the works alone before the stylus is lowered onto the seam.
    places = turns + np.where(np.arange(40) < 10, 240.0 * apart_turns, 0.0)
    size = int(turns[-1]) + 300
    novelty = (_struck(size, places, 0.9) + 0.05 * np.abs(draws.normals(size)))[None, :]
    placed = place_events(novelty, places)
    assert placed is not None
    events, _ = placed
    assert events[0] >= turns[10] - 2.0
    assert np.max(np.abs(np.diff(events) / 240.0 - 1.0)) < 0.002


def test_a_speed_that_swings_within_a_few_turns_is_not_taken_for_another_mark() -> None:
    draws = Draws(33, "hunting")
    number = np.arange(48)
    # 1 % of a turn to and fro in three turns: a governor that hunts.
    turns = 300.0 + 240.0 * (number + 0.01 * np.sin(2.0 * np.pi * number / 3.0 + 0.4))
    size = int(turns[-1]) + 300
    novelty = (_struck(size, turns, 0.9) + _programme(size, draws))[None, :]
    placed = place_events(novelty, np.rint(turns))
    assert placed is not None
    events, heard = placed
    assert events.size >= 46
    first = int(np.argmin(np.abs(turns - events[0])))
    away = np.abs(events - turns[first : first + events.size])
    assert float(np.sqrt(np.mean(away[heard] ** 2))) < 1.7


@pytest.mark.parametrize("seed", [36, 37, 38])
def test_a_speed_that_swings_every_other_turn_is_not_smoothed_away(seed: int) -> None:
    draws = Draws(seed, "every other")
    number = np.arange(36)
    # 0.9 % of a turn to and fro: 3.6 % from one turn to the next, as a wow of 3 % gives at
    # nearly half the rate of the turn.
    turns = 300.0 + 240.0 * (number + 0.009 * np.cos(2.0 * np.pi * 0.47 * number))
    size = int(turns[-1]) + 300
    novelty = (_struck(size, turns, 0.9) + _programme(size, draws))[None, :]
    placed = place_events(novelty, np.rint(turns))
    assert placed is not None
    events, _ = placed
    first = int(np.argmin(np.abs(turns - events[0])))
    rate = np.diff(events) / np.diff(turns[first : first + events.size])
    assert events.size >= 30
    assert float(np.sqrt(np.mean((rate - 1.0) ** 2))) < 0.01
