"""Curves fitted to bare speeds and places of a machine whose speed is known."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.ambiguity import Observed
from archiver.signal.estimate import Reals
from archiver.signal.speedfit import STEP_S, fit_speeds
from tests.simulator.draws import Draws


def _seen(ratio: Reals, late_s: Reals, evidence: Reals, noise: float) -> Observed:
    time_s = STEP_S * np.arange(ratio.size, dtype=np.float64)
    place = np.concatenate([[0.0], np.cumsum((ratio[1:] + ratio[:-1]) / 2.0 * STEP_S)])
    heard = ratio * (1.0 + noise * Draws(41, "speeds").normals(ratio.size))
    return Observed(time_s=time_s, ratio=heard, source_s=place + late_s, evidence=evidence)


def test_a_wobble_is_followed_and_held_by_its_covariance() -> None:
    clock = STEP_S * np.arange(500, dtype=np.float64)
    true = 1.05 * (1.0 + 0.01 * np.cos(2.0 * np.pi * 0.9 * clock))
    fit = fit_speeds(_seen(true, np.zeros(500), np.full(500, 5.0), 0.005), 0.009, [], last=True)
    assert fit.covariance is not None
    off = fit.log_ratio - np.log(true)
    assert float(np.sqrt(np.mean(off**2))) < 0.003
    assert float(np.mean(np.abs(off) < 2.0 * np.sqrt(np.diag(fit.covariance)))) > 0.95


@pytest.mark.parametrize("jump_s", [0.03, 0.12, 0.25])
def test_a_path_that_jumps_over_a_pause_leaves_the_speed_as_it_was_heard(jump_s: float) -> None:
    # A held note looks the same a little later: from the pause on the path is late, and
    # were it believed, the speed would be wrong by jump / duration.
    count, pause = 400, slice(190, 215)
    evidence = np.full(count, 5.0)
    evidence[pause] = 0.0
    late_s = np.where(np.arange(count) >= 200, jump_s, 0.0)
    fit = fit_speeds(_seen(np.full(count, 0.97), late_s, evidence, 0.004), 0.009, [], last=False)
    off = np.exp(fit.log_ratio) / 0.97 - 1.0
    assert abs(float(np.mean(off))) < 0.001
    assert float(np.max(np.abs(off))) < 0.01


def test_a_path_that_creeps_over_two_pauses_with_a_chance_between_is_not_believed() -> None:
    # Nothing is heard from 5.7 s on for 1.5 s but a window by chance, and the path comes
    # late by 25 ms before it and by 20 ms after it.
    count = 400
    evidence = np.full(count, 5.0)
    evidence[190:240] = 0.0
    evidence[214] = 2.0
    late_s = np.interp(np.arange(count), [190, 213, 215, 240], [0.0, 0.025, 0.025, 0.045])
    fit = fit_speeds(_seen(np.full(count, 0.97), late_s, evidence, 0.004), 0.009, [], last=False)
    assert abs(float(np.mean(np.exp(fit.log_ratio))) / 0.97 - 1.0) < 0.001


def test_a_speed_that_really_changes_over_a_pause_is_kept() -> None:
    count, pause = 400, slice(190, 215)
    evidence = np.full(count, 5.0)
    evidence[pause] = 0.0
    true = np.where(np.arange(count) < 200, 1.0, 1.02).astype(np.float64)
    fit = fit_speeds(_seen(true, np.zeros(count), evidence, 0.004), 0.009, [], last=False)
    heard = evidence > 0.0
    assert abs(float(np.mean((np.exp(fit.log_ratio) / true - 1.0)[heard]))) < 0.001
