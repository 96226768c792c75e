"""A digest beside the reading is that of hashlib, and a failure is told to whoever asks."""

from __future__ import annotations

import hashlib
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.package.hashing_beside import HashingBeside


@given(st.lists(st.lists(st.binary(max_size=100), max_size=5), max_size=5), st.booleans())
def test_one_digest_after_the_other_is_that_of_hashlib(
    contents: list[list[bytes]], large: bool
) -> None:
    with HashingBeside() as hashing:
        for blocks in contents:
            hashing.begin("sha256", None if large else sum(map(len, blocks)))
            for block in blocks:
                hashing.update(block)
            assert hashing.digest() == hashlib.sha256(b"".join(blocks)).hexdigest()
    assert not any(thread.name == "hash" for thread in threading.enumerate())


def test_a_failure_in_the_thread_is_raised_and_nobody_waits_for_ever() -> None:
    with HashingBeside() as hashing:
        hashing.begin("sha256", None)
        for _ in range(20):
            hashing.update("no bytes")  # type: ignore[arg-type]
        with pytest.raises(TypeError):
            hashing.digest()
