"""Capture faults put into sound at known places, and their absence in clean sound."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import soxr
from hypothesis import given
from hypothesis import strategies as st

from archiver.findings import Finding
from archiver.signal.depth import DepthMeter
from archiver.signal.judgement import judge_capture, judge_session
from archiver.signal.repeats import RepeatMeter
from archiver.signal.runs import RunMeter
from archiver.signal.samples import Block, SampleFormat, decode_block
from archiver.signal.take import TakeMeasurements
from tests.signal.feeding import (
    floats,
    integers,
    interleaved,
    measured,
    measured_floats,
    measured_pcm,
    metered,
)
from tests.signal.recordings import READINGS, reading
from tests.signal.synthesis import Signal, amplitude, band_limited, noise, pcm, tone
from tests.simulator import random_case

RATE = 48_000


def findings(signal: Signal, rate: int = RATE, bits: int = 24) -> tuple[Finding, ...]:
    return judge_capture(measured_pcm(signal, rate, bits), "takes/0001.wav")


def codes(signal: Signal, rate: int = RATE, bits: int = 24) -> list[str]:
    return [finding.code for finding in findings(signal, rate, bits)]


def voice_like(seconds: float = 4.0, rate: int = RATE, seed: int = 1, channels: int = 1) -> Signal:
    """Band noise whose level moves like speech, over the noise of a microphone."""
    sound = band_limited(rate, seconds, -24.0, highest=0.1, channels=channels, seed=seed)
    sound *= 0.6 + 0.4 * np.sin(2.0 * np.pi * 3.0 * np.arange(sound.shape[1]) / rate)
    return sound + noise(rate, seconds, -75.0, channels=channels, seed=seed + 50)


# Clipping: common practice, as in the list of checks 39 of the project's reference figures.


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("limit", [0.8, 1.0 - 2.0**-15])
def test_a_sine_cut_off_at_a_level_is_clipped(limit: float, bits: int) -> None:
    signal = np.clip(tone(RATE, [(2, 2.0)], hz=997.0, channels=1), -limit, limit)
    found = findings(signal, bits=bits)
    assert [finding.code for finding in found] == ["capture-clipped"]
    assert found[0].where.start_s == pytest.approx(0.0, abs=0.01)
    assert found[0].where.end_s == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("hertz", [31.7, 100.0, 997.0, 5003.0])
@pytest.mark.parametrize("level", [-0.2, -6.0, -20.0])
def test_an_unclipped_sine_is_not_clipped(hertz: float, level: float, bits: int) -> None:
    signal = tone(RATE, [(2, level)], hz=hertz, channels=1) + noise(RATE, 2.0, -95.0)
    assert "capture-clipped" not in codes(signal, bits=bits)


def test_one_short_clip_in_sound_is_placed() -> None:
    signal = voice_like()
    start = 100_000
    signal[0, start : start + 40] = np.clip(signal[0, start : start + 40] * 60.0, -0.999, 0.999)
    found = [one for one in findings(signal) if one.code == "capture-clipped"]
    assert found
    assert found[0].where.start_s == pytest.approx(start / RATE, abs=0.002)


# Dropouts and silence.


def test_two_milliseconds_of_zeros_in_a_tone_are_one_dropout_at_its_sample() -> None:
    signal = tone(RATE, [(2, -12)], hz=997.0, channels=1) + noise(RATE, 2.0, -90.0)
    signal[0, 50_000:50_096] = 0.0
    found = [one for one in findings(signal) if one.code == "capture-dropout"]
    assert len(found) == 1
    assert found[0].where.start_s == pytest.approx(50_000 / RATE, abs=1.5 / RATE)
    assert found[0].where.end_s == pytest.approx(50_096 / RATE, abs=1.5 / RATE)


def test_a_frozen_value_in_sound_is_a_dropout() -> None:
    signal = voice_like()
    signal[0, 70_000:70_480] = signal[0, 70_000]
    assert "capture-dropout" in codes(signal)


def test_a_gate_that_comes_to_rest_smoothly_is_no_dropout() -> None:
    signal = voice_like()
    ramp = np.linspace(1.0, 0.0, 2_400)
    signal[0, 60_000:62_400] *= ramp
    signal[0, 62_400:70_000] = 0.0
    signal[0, 70_000:72_400] *= ramp[::-1]
    assert "capture-dropout" not in codes(signal)


def test_a_second_of_digital_silence_is_named_with_its_time() -> None:
    signal = voice_like()
    signal[0, 48_000:96_000] = 0.0
    found = [one for one in findings(signal) if one.code == "capture-still"]
    assert len(found) == 1
    assert found[0].where.start_s == pytest.approx(1.0, abs=0.001)
    assert found[0].where.end_s == pytest.approx(2.0, abs=0.001)


def test_a_take_of_digital_silence_is_silent_and_nothing_else() -> None:
    assert codes(np.zeros((2, 96_000))) == ["capture-silent"]


# Repeated blocks.


@pytest.mark.parametrize("size", [64, 256, 512, 1024, 4096, 480, 960])
def test_a_buffer_stored_twice_is_found_where_it_lies(size: int) -> None:
    signal = voice_like(seed=size)
    at = 77_777
    doubled = np.concatenate((signal[:, : at + size], signal[:, at:]), axis=1)
    found = [one for one in findings(doubled) if one.code == "capture-repeated-block"]
    assert len(found) == 1
    assert found[0].where.start_s == pytest.approx((at + size) / RATE, abs=17 / RATE)


@pytest.mark.parametrize("hertz", [375.0, 1000.0, 997.0])
def test_a_periodic_tone_repeats_nothing(hertz: float) -> None:
    assert "capture-repeated-block" not in codes(tone(RATE, [(4, -12)], hz=hertz, channels=1))


# Channels.


def test_a_dead_channel_beside_a_sounding_one() -> None:
    signal = np.concatenate((voice_like(), noise(RATE, 4.0, -100.0)))
    found = findings(signal)
    assert [finding.code for finding in found] == ["capture-channel-dead"]
    assert "channel 2" in found[0].message


def test_the_same_samples_in_two_channels() -> None:
    assert codes(np.tile(voice_like(), (2, 1))) == ["capture-channel-duplicated"]


def test_the_same_samples_with_opposite_sign() -> None:
    # 32-bit floats, where every sample has an exact opposite.
    signal = voice_like()
    found = judge_capture(measured_floats(np.concatenate((signal, -signal)), RATE), "a.wav")
    assert [finding.code for finding in found] == ["capture-channel-opposite"]


def test_one_microphone_wired_the_other_way_round() -> None:
    signal = voice_like()
    other = -0.8 * signal + noise(RATE, 4.0, -60.0, seed=77)
    assert codes(np.concatenate((signal, other))) == ["capture-channel-opposite"]


def test_two_microphones_in_order_are_in_order() -> None:
    signal = voice_like()
    other = 0.5 * np.roll(signal, 40, axis=1) + noise(RATE, 4.0, -60.0, seed=77)
    assert codes(np.concatenate((signal, other))) == []


def _two_chains(seed: int, *, crossed: bool = False) -> TakeMeasurements:
    """A take of 6 s whose second chain is brighter and noisier than its first."""
    first = noise(RATE, 6.0, -70.0, seed=seed)
    second = np.diff(noise(RATE, 6.0, -60.0, seed=seed + 1), prepend=0.0)
    both = np.concatenate((second, first) if crossed else (first, second))
    both[:, 100_000:200_000] += voice_like(channels=2, seed=seed)[:, :100_000]
    return measured_floats(both, RATE)


def test_a_take_with_crossed_channels_stands_out_of_its_session() -> None:
    takes = [(f"takes/{k}.wav", _two_chains(10 * k, crossed=k == 2)) for k in range(4)]
    found = judge_session(takes)
    assert [(one.code, one.where.file) for one in found] == [
        ("capture-channels-swapped", "takes/2.wav")
    ]


def test_takes_in_order_and_too_few_takes_give_no_finding() -> None:
    takes = [(f"takes/{k}.wav", _two_chains(10 * k)) for k in range(3)]
    assert judge_session(takes) == ()
    assert judge_session(takes[:2]) == ()
    silent = measured_floats(np.zeros((2, 96_000)), RATE)
    assert judge_session([("a", silent), ("b", silent), ("c", silent)]) == ()


def test_channels_that_the_sheet_does_not_describe_stop_the_deposit() -> None:
    taken = measured_floats(voice_like(channels=2), RATE)
    found = judge_capture(taken, "a.wav", meanings=["horn mouth"])
    assert [one.code for one in found] == ["capture-channel-count"]
    assert "2 channels, the sheet describes 1" in found[0].message
    assert judge_capture(taken, "a.wav", meanings=["horn mouth", "room"]) == ()


# Bit depth.


def test_16_bits_in_a_24_bit_file() -> None:
    coarse = np.rint(voice_like() * 2.0**15) / 2.0**15
    found = findings(coarse)
    assert [one.code for one in found] == ["capture-shallow-depth"]
    assert "16 of 24 bits" in found[0].message


def test_16_bits_with_a_gain_in_a_24_bit_file() -> None:
    coarse = np.rint(voice_like() * 2.0**15) / 2.0**15
    assert codes(coarse * 1.37) == ["capture-shallow-depth"]


@pytest.mark.parametrize("level", [0.0, -20.0, -40.0, -60.0])
def test_24_bits_in_a_24_bit_file_at_any_level(level: float) -> None:
    assert "capture-shallow-depth" not in codes(voice_like() * amplitude(level))


def test_a_16_bit_file_of_16_bits_is_in_order() -> None:
    assert "capture-shallow-depth" not in codes(voice_like(), bits=16)


def test_20_bits_stated_as_20_bits_are_in_order() -> None:
    coarse = np.rint(voice_like() * 2.0**19) / 2.0**19
    fmt = SampleFormat(
        encoding="pcm", container_bits=24, valid_bits=20, channels=1, sample_rate_hz=RATE
    )
    assert judge_capture(measured(pcm(coarse, 24), fmt), "a.wav") == ()


# Spectrum.


@pytest.mark.parametrize(("source", "rate"), [(48_000, 96_000), (44_100, 96_000), (32_000, 48_000)])
def test_noise_of_a_lower_rate_breaks_off(source: int, rate: int) -> None:
    low = noise(source, 6.0, -60.0)[0]
    found = findings(soxr.resample(low, source, rate)[np.newaxis], rate)
    assert [one.code for one in found] == ["capture-cut-off-spectrum"]
    cutoff = float(found[0].message.split(" ends at ")[1].split(" kHz")[0]) * 1000.0
    assert cutoff == pytest.approx(source / 2.0, rel=0.06)


def test_sound_through_a_low_pass_of_a_lossy_coder_breaks_off() -> None:
    sound = voice_like(6.0) + band_limited(RATE, 6.0, -60.0, highest=16_000 / RATE)
    sound = soxr.resample(soxr.resample(sound[0], RATE, 32_000), 32_000, RATE)[np.newaxis]
    assert codes(sound) == ["capture-cut-off-spectrum"]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_noise_of_the_files_own_rate_does_not_break_off(rate: int) -> None:
    assert codes(voice_like(6.0, rate), rate) == []


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_the_filter_of_a_converter_is_in_order(rate: int) -> None:
    # A converter's half-band filter: flat to 0.454 of the rate, down at 0.546.
    fine = noise(2 * rate, 6.0, -60.0)
    spectrum = np.fft.rfft(fine[0])
    frequency = np.fft.rfftfreq(fine.shape[1], 1.0 / (2 * rate)) / rate
    spectrum *= np.interp(frequency, [0.454, 0.546], [1.0, 0.0])
    assert codes(np.fft.irfft(spectrum)[np.newaxis, ::2], rate) == []


# Offsets and floats.


def test_a_constant_part_is_named_with_its_size() -> None:
    signal = voice_like()
    found = findings(signal - signal.mean() + 0.004)
    assert [one.code for one in found] == ["capture-dc-offset"]
    assert "+0.00400" in found[0].message


def test_nan_and_infinity_are_counted_and_measured_around() -> None:
    signal = voice_like()
    clean = measured_floats(signal, RATE)
    signal[0, 1_000:1_010] = np.nan
    signal[0, 5_000] = np.inf
    taken = measured(interleaved(signal), floats(RATE))
    found = judge_capture(taken, "a.wav")
    assert found[0].code == "capture-invalid-samples"
    assert "11 samples" in found[0].message
    assert clean.integrated_lufs is not None
    assert taken.integrated_lufs == pytest.approx(clean.integrated_lufs, abs=0.1)


def test_floats_beyond_full_scale() -> None:
    found = judge_capture(measured_floats(voice_like() * 20.0, RATE), "a.wav")
    assert [one.code for one in found] == ["capture-over-full-scale"]


def test_bytes_after_the_last_frame_are_a_finding() -> None:
    raw = pcm(voice_like(channels=2), 24) + b"\x01\x02"
    found = judge_capture(measured(raw, integers(RATE, 24, 2)), "a.wav")
    assert [one.code for one in found] == ["capture-part-frame"]


# False alarms on clean sound.


@pytest.mark.parametrize("name", READINGS)
def test_a_recorded_voice_raises_no_alarm(name: str) -> None:
    sound, rate = reading(name)
    assert codes(sound, rate, 16) == []


@pytest.mark.parametrize("seed", range(4))
def test_simulated_demonstrations_raise_no_alarm(seed: int) -> None:
    case = random_case(seed, duration_s=6.0)
    for sound in (case.performance, case.reproduction):
        assert codes(sound[np.newaxis]) == []


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("level", [0.0, -30.0, -60.0, -90.0])
def test_noise_of_any_level_raises_no_alarm(level: float, bits: int) -> None:
    assert codes(noise(RATE, 4.0, level - 14.0), bits=bits) == []


# Any split.


def _run_results(signal: Signal, cuts: tuple[int, ...]) -> object:
    return metered(RunMeter(8_000, 1), signal, cuts)


@given(cuts=st.lists(st.integers(0, 8_000), min_size=1, max_size=12))
def test_any_split_gives_the_same_runs(cuts: list[int]) -> None:
    signal = np.clip(tone(8_000, [(1, 1.0)], hz=97.0, channels=1), -0.9, 0.9)
    signal[0, 2_000:2_100] = 0.0
    signal[0, 5_000:7_000] = signal[0, 5_000]
    signal[0, -40:] = 0.25
    assert _run_results(signal, tuple(cuts)) == _run_results(signal, (4_000,))


@given(cuts=st.lists(st.integers(0, 24_000), min_size=1, max_size=8))
def test_any_split_gives_the_same_repeats(cuts: list[int]) -> None:
    signal = noise(8_000, 3.0, -20.0)
    signal[0, 10_512:11_024] = signal[0, 10_000:10_512]
    whole = metered(RepeatMeter(8_000), signal, (12_000,))
    assert len(whole) == 1
    assert metered(RepeatMeter(8_000), signal, tuple(cuts)) == whole


@given(cuts=st.lists(st.integers(0, 96_000), min_size=1, max_size=8))
def test_any_split_gives_the_same_depth(cuts: list[int]) -> None:
    block = decode_block(pcm(noise(RATE, 2.0, -50.0), 24), integers(RATE, 24))
    whole, split = DepthMeter(1, 24), DepthMeter(1, 24)
    whole.feed(block)
    edges = sorted({0, block.frames, *cuts})
    for start, end in itertools.pairwise(edges):
        split.feed(
            Block(
                start_frame=start,
                values=block.values[:, start:end],
                bits=block.bits,
            )
        )
    assert split.result() == whole.result()
