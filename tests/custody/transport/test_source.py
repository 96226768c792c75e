"""A sendable, read in order and hashed once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.transport.source import Reading
from archiver.errors import InputError
from tests.custody.transport.sendables import Bytes


class OneBuffer:
    """A sendable that uses one buffer for all its blocks."""

    def __init__(self, content: bytes, block_bytes: int) -> None:
        self.name = "one.tar"
        self.content = content
        self.size: int | None = len(content)
        self.block_bytes = block_bytes

    def blocks(self, start: int = 0) -> Iterator[bytes | memoryview]:
        buffer = bytearray(self.block_bytes)
        for offset in range(start, len(self.content), self.block_bytes):
            block = self.content[offset : offset + self.block_bytes]
            buffer[: len(block)] = block
            yield memoryview(buffer)[: len(block)]


@given(
    content=st.binary(max_size=400),
    block_bytes=st.integers(1, 50),
    steps=st.lists(
        st.tuples(st.integers(0, 60), st.one_of(st.none(), st.floats(0, 1))), max_size=20
    ),
)
def test_going_back_changes_neither_bytes_nor_digest(
    content: bytes, block_bytes: int, steps: list[tuple[int, float | None]]
) -> None:
    source = Reading(OneBuffer(content, block_bytes))
    for count, back in steps:
        if back is not None:
            source.go_to(int(source.position * back))
        before = source.position
        assert source.take(count) == content[before : before + count]
        assert source.position == min(len(content), before + count)
    while source.take(37):
        pass
    assert source.position == len(content)
    assert source.sha256() == hashlib.sha256(content).hexdigest()


@pytest.mark.parametrize(("announced", "word"), [(9, "more"), (11, "fewer")])
def test_another_length_than_announced_is_refused(announced: int, word: str) -> None:
    source = Reading(Bytes(name="a.tar", content=bytes(10), size=announced))
    source.take(8)
    with pytest.raises(InputError, match=f"{word} bytes than the {announced}"):
        source.take(4)
