"""Loss per playing, from lines that are known and from textbook figures."""

from __future__ import annotations

import pytest

from archiver.signal.estimate import cannot_tell, estimate
from archiver.signal.wear import Playing, wear
from tests.simulator.draws import Draws


def _playings(values: list[float], half: float) -> list[Playing]:
    return [
        Playing(playings_before=number, value=estimate(value, half, "dB"))
        for number, value in enumerate(values)
    ]


def test_an_exact_loss_of_2_db_reaches_3_db_after_known_playings() -> None:
    # 20, 18, 16, 14: the next, fifth playing would give 12; 3 dB come 4.5 playings later.
    found = wear(_playings([20.0, 18.0, 16.0, 14.0], 0.1), 3.0)
    assert found.per_playing.value == pytest.approx(-2.0)
    assert found.left.value == pytest.approx(4.5)
    assert found.left_low is not None
    assert found.left_high is not None
    assert found.left_low < 4.5 < found.left_high


def test_two_playings_take_their_limits_from_the_figures() -> None:
    # Difference of two figures of half-width 1: sqrt(2).
    found = wear(_playings([20.0, 15.0], 1.0), 3.0)
    assert found.per_playing.value == pytest.approx(-5.0)
    assert found.per_playing.uncertainty == pytest.approx(2.0**0.5, rel=1e-6)
    assert found.playings == 2


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_playings_are_refused(count: int) -> None:
    found = wear(_playings([20.0][:count], 1.0), 3.0)
    assert "two" in found.per_playing.reason
    assert found.left.value is None


def test_two_takes_of_the_same_playing_are_one() -> None:
    same = [Playing(playings_before=1, value=estimate(v, 1.0, "dB")) for v in (20.0, 19.0)]
    assert "two different playings" in wear(same, 3.0).per_playing.reason


def test_a_playing_that_could_not_be_measured_does_not_count() -> None:
    playings = [
        *_playings([20.0], 1.0),
        Playing(playings_before=1, value=cannot_tell("noise", "dB")),
    ]
    assert wear(playings, 3.0).per_playing.value is None


def test_no_loss_beyond_the_uncertainty_foretells_no_end() -> None:
    found = wear(_playings([20.0, 19.9, 20.1], 1.0), 3.0)
    assert "no end can be foretold" in found.left.reason
    assert found.left_high is None


def test_a_figure_already_under_the_threshold_has_no_playings_left() -> None:
    found = wear(_playings([6.0, 4.0, 2.0], 0.1), 3.0)
    assert found.left.value == 0.0


def test_intervals_hold_the_true_loss_in_about_95_of_100_media() -> None:
    held = 0
    for seed in range(200):
        noise = Draws(seed, "wear").normals(4)
        values = [20.0 - 1.5 * n + 0.5 * float(noise[n]) for n in range(4)]
        interval = wear(_playings(values, 1.96 * 0.5), 3.0).per_playing.interval
        assert interval is not None
        held += interval[0] <= -1.5 <= interval[1]
    assert 0.90 <= held / 200 <= 0.995


def test_playings_are_counted_from_zero() -> None:
    with pytest.raises(ValueError, match="counted from 0"):
        Playing(playings_before=-1, value=estimate(1.0, 0.1, "dB"))
