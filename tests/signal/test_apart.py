"""Measuring in a process of its own: the same figures, and a clean end whatever happens."""

from __future__ import annotations

import io
import itertools
import mmap
import os
import pickle
import sys
from collections.abc import Sequence

import numpy as np
import pytest

from archiver.errors import InputError, SurroundingsError
from archiver.signal.apart import MeterProcess, serve
from archiver.signal.loudness import channel_weights
from archiver.signal.sampleformat import SampleFormat
from archiver.signal.stream import run_pass
from archiver.signal.take import TakeMeasurements, TakeMeter

STEREO = SampleFormat(
    encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=48_000
)


def noise(seed: int, seconds: float = 1.5) -> list[bytes]:
    """Return noise as pieces of odd lengths."""
    random = np.random.Generator(np.random.PCG64(seed))
    frames = round(seconds * STEREO.sample_rate_hz)
    raw = (random.standard_normal((frames, 2)) * 2000).astype("<i2").tobytes()
    cuts = [0, 1, 4_099, 70_001, len(raw)]
    return [raw[a:b] for a, b in itertools.pairwise(cuts)]


def here(pieces: Sequence[bytes], meanings: Sequence[str] = ("left", "right")) -> TakeMeasurements:
    meter = TakeMeter(STEREO, channel_weights(meanings))
    run_pass(pieces, meter.consumers())
    return meter.result()


def framed(*pieces: bytes) -> bytes:
    return b"".join(len(piece).to_bytes(8, "little") + piece for piece in pieces)


REQUEST = pickle.dumps((STEREO, ("left", "right")))


@pytest.mark.parametrize("share", [True, False])
def test_one_process_measures_take_after_take_with_the_figures_of_this_one(share: bool) -> None:
    with MeterProcess(share=share) as process:
        for seed in (1, 2):
            meter = process.meter(STEREO, ("left", "LFE"))
            run_pass(noise(seed), meter.consumers())
            assert repr(meter.result()) == repr(here(noise(seed), ("left", "LFE")))


def test_pieces_of_more_than_all_shared_memory_pass_whole() -> None:
    # 12 s of stereo in one piece of 4.6 MB, twice: more than the four slots of 2 MiB.
    long = [b"".join(noise(6, 12.0)) * 2]
    with MeterProcess() as process:
        meter = process.meter(STEREO, ("left", "right"))
        run_pass(long, meter.consumers())
        assert repr(meter.result()) == repr(here(long))


@pytest.mark.parametrize("cores", [2, 8])
def test_any_number_of_cores_gives_the_same_figures(
    cores: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    memory = mmap.mmap(-1, 4 * (2 << 20))
    sink = io.BytesIO()
    piece = b"".join(noise(7))
    memory[: len(piece)] = piece
    sizes = (-len(piece)).to_bytes(8, "little", signed=True)
    serve(io.BytesIO(framed(REQUEST) + sizes + framed(b"")), sink, memory)
    assert sink.getvalue()[:1] == b"+"
    assert repr(pickle.loads(sink.getvalue()[9:])) == repr(here([piece]))  # noqa: S301


def test_what_cannot_be_measured_is_said_and_the_next_take_is_measured() -> None:
    slow = SampleFormat(
        encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=4_000
    )
    with MeterProcess() as process:
        meter = process.meter(slow, ())
        run_pass(noise(3), meter.consumers())
        with pytest.raises(InputError, match="4000 Hz") as told:
            meter.result()
        assert "384000" in told.value.accepted
        meter = process.meter(STEREO, ("left", "right"))
        run_pass(noise(3), meter.consumers())
        assert repr(meter.result()) == repr(here(noise(3)))


def ended(process: MeterProcess) -> None:
    process._process.kill()
    process._process.wait()


def measured_until(process: MeterProcess, when: str) -> None:
    """Measure a take; the process is ended at the given moment."""
    if when == "before the take":
        ended(process)
    meter = process.meter(STEREO, ())
    if when == "in the take":
        meter.consumers()[0](noise(4)[-1])
        ended(process)
    run_pass(noise(4), meter.consumers())
    ended(process)
    meter.result()


@pytest.mark.parametrize("share", [True, False])
@pytest.mark.parametrize("when", ["before the take", "in the take", "before the answer"])
def test_a_process_that_is_ended_stops_the_run_with_what_to_do(when: str, share: bool) -> None:
    with MeterProcess(share=share) as process:
        with pytest.raises(SurroundingsError, match="has ended") as told:
            measured_until(process, when)
        assert "memory" in told.value.remedy


def test_a_process_that_cannot_be_started_is_an_error_of_the_system() -> None:
    with pytest.raises(OSError, match="no-such-program"):
        MeterProcess([os.path.join(os.curdir, "no-such-program")])  # noqa: PTH118


def test_a_process_that_starts_and_fails_is_told() -> None:
    failing = [sys.executable, "-c", "import sys; sys.stdin.buffer.read(8); sys.exit(3)"]
    with MeterProcess(failing) as process, pytest.raises(SurroundingsError, match="status 3"):
        process.meter(STEREO, ()).result()


def stopped(process: MeterProcess) -> None:
    with process:
        process.meter(STEREO, ())
        raise ZeroDivisionError


def test_an_error_ends_the_process_at_once() -> None:
    process = MeterProcess()
    with pytest.raises(ZeroDivisionError):
        stopped(process)
    assert process._process.returncode not in (None, 0)


@pytest.mark.parametrize(
    "keep", [0, 3, 8, 40, len(framed(REQUEST)) + 2, len(framed(REQUEST, b"x" * 400)) - 1]
)
def test_the_other_side_ends_quietly_when_the_first_has_gone(keep: int) -> None:
    sink = io.BytesIO()
    serve(io.BytesIO(framed(REQUEST, b"x" * 400)[:keep]), sink)
    assert sink.getvalue() == b""


def test_the_other_side_answers_in_the_form_that_is_described() -> None:
    sink = io.BytesIO()
    serve(io.BytesIO(framed(REQUEST, *noise(5), b"")), sink)
    content = sink.getvalue()
    assert int.from_bytes(content[:8], "little") == len(content) - 8
    assert repr(pickle.loads(content[8:])) == repr(here(noise(5)))  # noqa: S301 - just written
