"""How a machine turns: speed curves, and their integral, the angle turned through.

What depends on time (drift, a spring that runs down, a tiring arm, wow from a belt)
and what is locked to the angle (an eccentric mandrel once a turn, the two pushes of
a crank twice a turn) are kept apart, because only the second repeats with the turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.simulator.draws import Draws, Samples

__all__ = [
    "Ripple",
    "SpeedCurve",
    "drift",
    "spring_run_down",
    "tiring_arm",
    "turning",
    "wow",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """A swing of speed locked to the angle.

    Parameters
    ----------
    per_turn : int
        1 for an eccentric mandrel, 2 for the two pushes of a crank.
    depth : float
        Peak deviation relative to the speed: 0.02 is 2 %.
    phase_turns : float
        Where in the turn the peak lies, in turns.
    """

    per_turn: int
    depth: float
    phase_turns: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedCurve:
    """A speed curve and its integral.

    Parameters
    ----------
    sample_rate_hz : float
    rpm : ndarray, shape (frames,)
        Turns a minute at each sample.
    turns : ndarray, shape (frames,)
        Angle since the first sample, in turns; strictly rising.
    """

    sample_rate_hz: float
    rpm: Samples
    turns: Samples

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample."""
        return (self.rpm.size - 1) / self.sample_rate_hz

    def _times(self) -> Samples:
        return np.arange(self.rpm.size) / self.sample_rate_hz

    def turns_at(self, time_s: Samples) -> Samples:
        """Return the angle in turns at given times."""
        return np.interp(time_s, self._times(), self.turns)

    def rpm_at(self, time_s: Samples) -> Samples:
        """Return the speed in turns a minute at given times."""
        return np.interp(time_s, self._times(), self.rpm)

    def time_of(self, turns: Samples) -> Samples:
        """Return the times at which given angles are passed."""
        return np.interp(turns, self.turns, self._times())

    def mean_rpm(self, start_s: float, end_s: float) -> float:
        """Return turns counted over time taken, for a span."""
        begin, end = self.turns_at(np.array([start_s, end_s]))
        return float(60.0 * (end - begin) / (end_s - start_s))


def _clock(duration_s: float, sample_rate_hz: float) -> Samples:
    return np.arange(round(duration_s * sample_rate_hz) + 1) / sample_rate_hz


def drift(duration_s: float, sample_rate_hz: float, *, per_minute: float) -> Samples:
    """Return relative speed that changes evenly: 0.02 is +2 % of the start speed a minute."""
    return 1.0 + per_minute * _clock(duration_s, sample_rate_hz) / 60.0


def wow(
    duration_s: float,
    sample_rate_hz: float,
    *,
    rate_hz: float,
    depth: float,
    phase_turns: float = 0.0,
) -> Samples:
    """Return relative speed that swings at a fixed rate, not locked to the turn."""
    clock = _clock(duration_s, sample_rate_hz)
    return 1.0 + depth * np.cos(2.0 * np.pi * (rate_hz * clock + phase_turns))


def tiring_arm(
    duration_s: float, sample_rate_hz: float, *, loss: float, wander: float, draws: Draws
) -> Samples:
    """Return relative speed of a hand that tires and corrects itself.

    Parameters
    ----------
    duration_s, sample_rate_hz : float
    loss : float
        Share of the speed lost by the end.
    wander : float
        Size of the slow corrections, peak, relative.
    draws : Draws
    """
    clock = _clock(duration_s, sample_rate_hz)
    tired = 1.0 - loss * (clock / duration_s) ** 1.5
    swing = np.zeros(clock.size)
    for rate_hz in (0.07, 0.13, 0.23, 0.37):
        phase = draws.uniform(0.0, 1.0)
        size = draws.uniform(0.3, 1.0)
        swing += size * np.sin(2.0 * np.pi * (rate_hz * clock + phase))
    return tired * (1.0 + wander * swing / 2.6)


def spring_run_down(
    duration_s: float, sample_rate_hz: float, *, holds_s: float, loss: float
) -> Samples:
    """Return relative speed that the governor holds until the spring is too weak.

    Parameters
    ----------
    duration_s, sample_rate_hz : float
    holds_s : float
        Time for which the governor holds the speed.
    loss : float
        Share of the speed lost by the end.
    """
    clock = _clock(duration_s, sample_rate_hz)
    late = np.clip((clock - holds_s) / max(duration_s - holds_s, 1e-9), 0.0, 1.0)
    return 1.0 - loss * late**2


def turning(
    duration_s: float,
    sample_rate_hz: float,
    *,
    rpm: float,
    relative: Sequence[Samples] = (),
    ripples: Sequence[Ripple] = (),
) -> SpeedCurve:
    """Combine a speed, what changes with time and what is locked to the angle.

    Parameters
    ----------
    duration_s, sample_rate_hz : float
    rpm : float
        The speed that all relative figures refer to.
    relative : sequence of ndarray, shape (frames,)
        Multiplied together.
    ripples : sequence of Ripple
        Their depths together stay under 1.
    """
    clock = _clock(duration_s, sample_rate_hz)
    slow = np.full(clock.size, rpm / 60.0)
    for factor in relative:
        slow = slow * factor
    # The angle without ripples; trapezoids are exact enough at one step a sample.
    smooth = np.concatenate([[0.0], np.cumsum((slow[1:] + slow[:-1]) / 2.0) / sample_rate_hz])
    if not ripples:
        return SpeedCurve(sample_rate_hz=sample_rate_hz, rpm=60.0 * slow, turns=smooth)
    # d(angle)/d(smooth) = 1 + ripple(angle) separates: integrate its inverse over one
    # fine turn, then read the periodic result backwards.
    steps = 4096
    fine = np.arange(steps + 1) / steps
    inverse = 1.0 / _ripple(fine, ripples)
    one_turn = np.concatenate([[0.0], np.cumsum((inverse[1:] + inverse[:-1]) / 2.0) / steps])
    whole, rest = np.divmod(smooth, one_turn[-1])
    turns = whole + np.interp(rest, one_turn, fine)
    return SpeedCurve(
        sample_rate_hz=sample_rate_hz, rpm=60.0 * slow * _ripple(turns, ripples), turns=turns
    )


def _ripple(turns: Samples, ripples: Sequence[Ripple]) -> Samples:
    factor = np.ones(turns.size)
    for ripple in ripples:
        angle = ripple.per_turn * (turns - ripple.phase_turns)
        factor += ripple.depth * np.cos(2.0 * np.pi * angle)
    return factor
