"""Coding history: EBU R 98-1999, its lines and what is met instead."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.wave.history import CodingStep, append, format_step, parse

# EBU R 98-1999 shows lines of this form: analogue source, then its conversion. The values
# here are invented.
ANALOGUE = "A=ANALOGUE,M=mono,T=Vesterholm B;SN1204;160 rpm\r\n"
PCM = "A=PCM,F=48000,W=18,M=stereo,T=converter;A/D\r\n"
MPEG = "A=MPEG1L2,F=48000,B=192,W=20,M=joint-stereo,T=coder\r\n"


def test_lines_of_the_recommendation_are_read_without_deviation() -> None:
    lines = parse(ANALOGUE + PCM + MPEG)
    assert [line.deviations for line in lines] == [(), (), ()]
    assert lines[0].step == CodingStep(
        algorithm="ANALOGUE", mode="mono", text="Vesterholm B;SN1204;160 rpm"
    )
    assert lines[1].step.sampling_frequency_hz == 48000
    assert lines[1].step.word_length_bits == 18
    assert lines[2].step.bit_rate_kbit_s == 192


@pytest.mark.parametrize("line", [ANALOGUE, PCM, MPEG])
def test_a_line_that_was_read_is_written_the_same(line: str) -> None:
    assert format_step(parse(line)[0].step) == line


@given(
    st.builds(
        CodingStep,
        algorithm=st.sampled_from(["ANALOGUE", "PCM", "MPEG1L3"]),
        sampling_frequency_hz=st.none() | st.integers(1, 999_999),
        bit_rate_kbit_s=st.none() | st.integers(1, 9999),
        word_length_bits=st.none() | st.integers(1, 64),
        mode=st.sampled_from(["", "mono", "stereo"]),
        text=st.text("abc =;/+-.", max_size=20).map(str.strip),
    )
)
def test_a_step_comes_back_from_its_line(step: CodingStep) -> None:
    (line,) = parse(format_step(step))
    assert line.step == step


# The tolerances that real files need (common practice).
@pytest.mark.parametrize(
    ("text", "algorithm", "told"),
    [
        ("A=PCM,F=48000,\r\n", "PCM", "comma at the end"),
        ("A=ANALOG,M=mono\r\n", "ANALOG", "A=ANALOG is not in the list"),
        ("A=PCM,M=Mono\r\n", "PCM", "M=Mono is not in the list"),
        ("A=PCM,R=x\r\n", "PCM", "key R is unknown"),
        ("A=PCM\n", "PCM", "LF alone instead of CR LF"),
        ("A=PCM", "PCM", "no line end instead of CR LF"),
        ("A=PCM,F=4x\r\n", "PCM", "F=4x is not a number"),
        ("F=48000,A=PCM\r\n", "PCM", "keys are not in the order A F B W M T"),
        ("A=PCM,T=one, two\r\n", "PCM", "comma inside T"),
        ("F=48000\r\n", "", "A is missing"),
    ],
)
def test_what_deviates_is_read_and_told(text: str, algorithm: str, told: str) -> None:
    (line,) = parse(text)
    assert line.step.algorithm == algorithm
    assert told in line.deviations


def test_nul_and_blanks_at_the_end_are_no_line() -> None:
    assert len(parse("A=PCM\r\n\0\0  ")) == 1


def test_a_hostile_history_is_read_in_bounds() -> None:
    assert len(parse("x\n" * 5000)) == 2000
    assert len(parse("," * 100_000)[0].step.other) < 100


def test_lines_are_appended_behind_the_old_ones() -> None:
    assert append(PCM, ANALOGUE) == (PCM + ANALOGUE, False)
    assert append("", PCM) == (PCM, False)
    assert append(PCM, "") == (PCM, False)


def test_a_last_line_without_end_gets_one_and_that_is_told() -> None:
    assert append("A=PCM", ANALOGUE) == ("A=PCM\r\n" + ANALOGUE, True)


@pytest.mark.parametrize("text", ["a,b", "a\nb", "Blåbær"])
def test_a_text_that_would_break_the_line_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="ASCII without comma"):
        format_step(CodingStep(algorithm="PCM", text=text))
