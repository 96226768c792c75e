"""The single pass: order, errors, and bounded memory."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from archiver.signal.stream import run_pass


def test_every_consumer_gets_every_block_in_order() -> None:
    blocks = [bytes([k]) * 3 for k in range(50)]
    first: list[bytes] = []
    second: list[bytes] = []
    assert run_pass(blocks, [first.append, second.append]) == 150  # type: ignore[list-item]
    assert first == second == blocks


def test_progress_is_told_in_the_callers_thread() -> None:
    threads: set[int] = set()
    sizes: list[int] = []

    def on_bytes(size: int) -> None:
        threads.add(threading.get_ident())
        sizes.append(size)

    run_pass([b"ab", b"c"], [len], on_bytes)
    assert sizes == [2, 1]
    assert threads == {threading.get_ident()}


def test_an_error_of_a_consumer_ends_the_pass_and_comes_out() -> None:
    seen: list[object] = []

    def failing(block: object) -> None:
        seen.append(block)
        if len(seen) == 3:
            raise OSError("disk full")

    def endless() -> Iterator[bytes]:
        while True:
            yield b"x"

    before = threading.active_count()
    with pytest.raises(OSError, match="disk full"):
        run_pass(endless(), [len, failing])
    assert len(seen) == 3
    assert threading.active_count() == before


def test_an_error_while_reading_ends_all_threads_and_comes_out() -> None:
    def broken() -> Iterator[bytes]:
        yield b"x"
        raise ValueError("cannot be read")

    before = threading.active_count()
    with pytest.raises(ValueError, match="cannot be read"):
        run_pass(broken(), [len, len])
    assert threading.active_count() == before


def test_reading_waits_for_a_slow_consumer() -> None:
    gate = threading.Event()
    ahead: list[int] = []
    done: list[int] = []

    def slow(_: object) -> None:
        gate.wait(timeout=10)
        done.append(1)

    def blocks() -> Iterator[bytes]:
        for count in range(20):
            ahead.append(count - len(done))
            if count == 4:
                gate.set()
            yield b"x"

    run_pass(blocks(), [slow])
    assert max(ahead) <= 6
    assert len(done) == 20


def test_a_pass_without_consumers_counts_the_bytes() -> None:
    assert run_pass([b"abc", b"de"], []) == 5
