"""Loudness against EBU Tech 3341 and 3342, ITU-R BS.1770 and libebur128."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.signal.loudness import (
    RANGE_STEP_S,
    Loudness,
    LoudnessCourse,
    LoudnessMeter,
    channel_weights,
    loudness_range_lu,
)
from tests.signal.feeding import metered
from tests.signal.synthesis import Signal, noise, tone

SILENT = -1000.0
RATES = [44_100, 48_000, 96_000]


def loudness(
    signal: Signal, rate: int, weights: tuple[float, ...] | None = None, cuts: tuple[int, ...] = ()
) -> Loudness:
    return metered(LoudnessMeter(rate, weights or (1.0,) * len(signal)), signal, cuts)


# EBU Tech 3341, table 1: minimum requirements test signals, stereo 1 kHz sines;
# levels are peak levels of each channel in dBFS.
STEADY: dict[int, list[tuple[float, float]]] = {1: [(20, -23)], 2: [(20, -33)]}
GATED: dict[int, list[tuple[float, float]]] = {
    3: [(10, -36), (60, -23), (10, -36)],
    4: [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)],
    5: [(20, -26), (20.1, -20), (20, -26)],
}


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("case", "expected"), [(1, -23.0), (2, -33.0)])
def test_3341_steady_tone_reads_its_level_on_all_scales(
    case: int, expected: float, rate: int
) -> None:
    found = loudness(tone(rate, STEADY[case]), rate)
    for value in (found.integrated_lufs, found.max_momentary_lufs, found.max_short_term_lufs):
        assert value == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("case", GATED)
def test_3341_gates_leave_the_programme(case: int, rate: int) -> None:
    found = loudness(tone(rate, GATED[case]), rate)
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate", RATES)
def test_3341_case_6_surround_channels_weigh_more(rate: int) -> None:
    levels = {"L": -28, "R": -28, "C": -24, "Ls": -30, "Rs": -30}
    signal = np.concatenate([tone(rate, [(20, level)], channels=1) for level in levels.values()])
    found = loudness(signal, rate, channel_weights(list(levels)))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate", RATES)
def test_3341_case_9_short_term_of_a_three_second_pattern(rate: int) -> None:
    found = loudness(tone(rate, [(1.34, -20), (1.66, -30)] * 5), rate)
    assert found.max_short_term_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("offset", range(20))
def test_3341_case_10_short_term_maximum_wherever_the_tone_begins(offset: int) -> None:
    found = loudness(tone(48_000, [(offset * 0.15, SILENT), (3, -23), (1, SILENT)]), 48_000)
    assert found.max_short_term_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("step", range(20))
def test_3341_case_11_short_term_maximum_at_every_level(step: int) -> None:
    parts = [(step * 0.15, SILENT), (3, -38 + step), (3 - step * 0.15, SILENT)]
    found = loudness(tone(48_000, parts), 48_000)
    assert found.max_short_term_lufs == pytest.approx(-38.0 + step, abs=0.1)


@pytest.mark.parametrize("rate", RATES)
def test_3341_case_12_momentary_of_a_400_ms_pattern(rate: int) -> None:
    found = loudness(tone(rate, [(0.18, -20), (0.22, -30)] * 25), rate)
    assert found.max_momentary_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("offset", range(20))
def test_3341_case_13_momentary_maximum_wherever_the_tone_begins(offset: int) -> None:
    found = loudness(tone(48_000, [(offset * 0.02, SILENT), (0.4, -23), (1, SILENT)]), 48_000)
    assert found.max_momentary_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("step", range(20))
def test_3341_case_14_momentary_maximum_at_every_level(step: int) -> None:
    parts = [(step * 0.02, SILENT), (0.4, -38 + step), (0.4 - step * 0.02, SILENT)]
    found = loudness(tone(48_000, parts), 48_000)
    assert found.max_momentary_lufs == pytest.approx(-38.0 + step, abs=0.1)


# EBU Tech 3342, table 1: minimum requirements test signals 1 to 4.
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ((-20, -30), 10.0),
        ((-20, -15), 5.0),
        ((-40, -20), 20.0),
        ((-50, -35, -20, -35, -50), 15.0),
    ],
)
def test_3342_loudness_range(levels: tuple[int, ...], expected: float, rate: int) -> None:
    found = loudness(tone(rate, [(20, level) for level in levels]), rate)
    # The standard allows 1 LU.
    assert found.range_lu == pytest.approx(expected, abs=0.1)


# BS.1770-5, Annex 1: a 0 dBFS, 997 Hz sine in one front channel reads -3.01 LKFS.
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("channels", "expected"), [(1, -3.01), (2, 0.0)])
def test_full_scale_sine_of_997_hz(channels: int, expected: float, rate: int) -> None:
    found = loudness(tone(rate, [(5, 0)], hz=997.0, channels=channels), rate)
    assert found.integrated_lufs == pytest.approx(expected, abs=0.03)


def _oracle(signal: Signal, rate: int) -> tuple[float, float]:
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(len(signal), rate, mode.MODE_I | mode.MODE_LRA)
    state.add_frames(np.ascontiguousarray(signal.T, dtype=np.float32).reshape(-1), signal.shape[1])
    return pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)


@pytest.mark.parametrize("rate", [8_000, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000])
def test_agrees_with_libebur128_on_noise_of_changing_level(rate: int) -> None:
    signal = noise(rate, 20.0, -26.0, channels=2)
    signal *= 1.1 + np.sin(np.arange(signal.shape[1]) / rate)
    integrated, spread = _oracle(signal, rate)
    meter = LoudnessMeter(rate, (1.0, 1.0))
    found = metered(meter, signal)
    # At 22,050 Hz the oracle rounds its 100 ms to whole frames.
    assert found.integrated_lufs == pytest.approx(integrated, abs=1e-5 if rate % 100 == 0 else 0.03)
    # The oracle's short-term values follow each other by 1 s.
    coarse = loudness_range_lu(meter.powers(3.0, 1.0))
    assert coarse == pytest.approx(spread, abs=1e-5 if rate % 100 == 0 else 0.03)


def test_a_gain_moves_levels_and_leaves_the_range() -> None:
    signal = noise(48_000, 12.0, -30.0) * np.repeat([1.0, 0.25, 0.6], 4 * 48_000)
    before, after = loudness(signal, 48_000), loudness(signal * 2.0, 48_000)
    gain = 20.0 * np.log10(2.0)
    assert before.integrated_lufs is not None
    assert after.integrated_lufs == pytest.approx(before.integrated_lufs + gain, abs=1e-6)
    assert before.max_momentary_lufs is not None
    assert after.max_momentary_lufs == pytest.approx(before.max_momentary_lufs + gain, abs=1e-6)
    assert after.range_lu == pytest.approx(before.range_lu, abs=1e-6)


def test_digital_silence_is_not_measurable() -> None:
    assert loudness(np.zeros((2, 480_000)), 48_000) == Loudness(
        integrated_lufs=None, range_lu=None, max_momentary_lufs=None, max_short_term_lufs=None
    )


def test_noise_below_the_absolute_gate_is_not_measurable() -> None:
    found = loudness(noise(48_000, 10.0, -85.0), 48_000)
    assert found.integrated_lufs is None
    assert found.range_lu is None
    assert found.max_momentary_lufs == pytest.approx(-83.0, abs=2.0)


@pytest.mark.parametrize("frames", [1, 4_800, 19_199])
def test_less_than_400_ms_is_not_measurable(frames: int) -> None:
    found = loudness(noise(48_000, 1.0, -20.0)[:, :frames], 48_000)
    assert found == Loudness(
        integrated_lufs=None, range_lu=None, max_momentary_lufs=None, max_short_term_lufs=None
    )


def test_400_ms_give_integrated_and_momentary_only() -> None:
    found = loudness(noise(48_000, 0.4, -20.0), 48_000)
    assert found.integrated_lufs is not None
    assert found.max_momentary_lufs is not None
    assert found.max_short_term_lufs is None
    assert found.range_lu is None


# BS.1770-5, Annex 1, table 3, and its note that low-frequency effects are not included.
@pytest.mark.parametrize(
    ("meaning", "weight"),
    [
        ("horn mouth", 1.0),
        ("L", 1.0),
        ("centre", 1.0),
        ("Ls", 1.41),
        ("rs", 1.41),
        ("Left Surround", 1.41),
        ("LFE", 0.0),
        ("lfe1", 0.0),
        ("girls' choir", 1.0),
        ("", 1.0),
    ],
)
def test_weight_follows_the_channel_meaning(meaning: str, weight: float) -> None:
    assert channel_weights([meaning]) == (weight,)


@given(
    cuts=st.lists(st.integers(0, 40_000), min_size=1, max_size=8),
    rate=st.sampled_from([8_000, 11_025]),
)
def test_any_split_gives_the_same_loudness(cuts: list[int], rate: int) -> None:
    signal = noise(rate, 40_000 / rate, -20.0, channels=2)
    whole = loudness(signal, rate)
    split = loudness(signal, rate, cuts=tuple(cuts))
    assert split.integrated_lufs == pytest.approx(whole.integrated_lufs, abs=1e-5)
    assert split.max_momentary_lufs == pytest.approx(whole.max_momentary_lufs, abs=1e-5)
    assert split.max_short_term_lufs == pytest.approx(whole.max_short_term_lufs, abs=1e-5)
    assert split.range_lu == pytest.approx(whole.range_lu, abs=1e-5)


def course(signal: Signal, rate: int) -> LoudnessCourse:
    meter = LoudnessMeter(rate, (1.0,) * len(signal))
    metered(meter, signal)
    return meter.course()


def test_the_course_of_a_steady_tone_is_steady() -> None:
    # EBU Tech 3341, table 1, case 1: -23 LUFS, momentary too, within 0.1 LU.
    found = course(tone(48_000, [(20.0, -23.0)]), 48_000)
    assert found.step_s == RANGE_STEP_S
    assert len(found.momentary_lufs) == 197
    assert found.momentary_lufs == pytest.approx([-23.0] * 197, abs=0.1)


def test_the_course_of_a_long_take_keeps_its_loudest_moments() -> None:
    quiet, loud = noise(8_000, 90.0, -60.0), noise(8_000, 1.0, -20.0)
    found = course(np.concatenate((quiet, loud, quiet), axis=1), 8_000)
    assert found.step_s == pytest.approx(0.4)
    assert len(found.momentary_lufs) <= 600
    heard = np.array(found.momentary_lufs, float)
    assert 225 <= int(heard.argmax()) <= 227
    assert heard[:220].max() < -55.0


def test_a_course_needs_400_ms_and_leaves_silence_out() -> None:
    assert course(noise(48_000, 0.39, -20.0), 48_000).momentary_lufs == ()
    assert course(np.zeros((1, 24_000)), 48_000).momentary_lufs == (None, None)
