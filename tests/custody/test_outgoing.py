"""Files of a bag on their way: the same bytes from any offset, and never bytes that are wrong."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.outgoing import BagFile, Text, bag_identity, files_of, folder_of
from archiver.errors import IntegrityError
from archiver.package.reader import read_bag
from archiver.package.tree import survey
from tests.custody.stores import CONTENT, small_bag

SAMPLES = bytes(range(256)) * 2100  # more than two blocks of reading


def bag_file(path: Path, content: bytes = SAMPLES, size: int | None = None) -> BagFile:
    return BagFile(
        path=path,
        name=path.name,
        size=len(content) if size is None else size,
        algorithm="sha256",
        digest=hashlib.sha256(content).hexdigest(),
    )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("files") / "t01.wav"
    path.write_bytes(SAMPLES)
    return path


@given(start=st.integers(0, len(SAMPLES) + 10))
def test_a_file_begins_at_any_offset(kept: Path, start: int) -> None:
    assert b"".join(bag_file(kept).blocks(start)) == SAMPLES[start:]


def test_the_last_block_of_a_file_that_differs_is_never_handed_out(tmp_path: Path) -> None:
    path = tmp_path / "t01.wav"
    for content in (SAMPLES[:-1] + b"?", SAMPLES + b"more", SAMPLES[:-300], b""):
        path.write_bytes(content)
        given_out: list[bytes] = []
        with pytest.raises(IntegrityError, match=r"the manifest says|when the deposit began"):
            given_out.extend(bag_file(path).blocks())
        assert sum(map(len, given_out)) < len(SAMPLES)


def test_an_empty_file_has_no_blocks(tmp_path: Path) -> None:
    (tmp_path / "empty").write_bytes(b"")
    assert list(bag_file(tmp_path / "empty", b"").blocks()) == []


def test_a_text_is_sent_out_of_memory() -> None:
    text = Text(name="a.txt", content=b"abcdef")
    assert (text.size, list(text.blocks(2))) == (6, [b"cdef"])


def test_every_file_is_listed_once_with_its_digest(tmp_path: Path) -> None:
    root = small_bag(tmp_path / "bag-1")
    said, tree = read_bag(root), survey(root)
    listed = files_of(said, tree, ["data/masters/t01.wav"])
    for file in listed:
        content = (root / file.path).read_bytes()
        assert (file.size, file.algorithm) == (len(content), "sha256")
        assert file.digest == hashlib.sha256(content).hexdigest()
    assert [file.path for file in listed if not file.sent] == ["data/masters/t01.wav"]
    identity = bag_identity(said, tree, "bag-1")
    assert identity.payload_files == len(CONTENT)


def test_the_declaration_of_a_folder_is_sent_last_and_what_is_left_out_is_not(
    tmp_path: Path,
) -> None:
    root = small_bag(tmp_path / "bag-1")
    listed = files_of(read_bag(root), survey(root), ["data/masters/t01.wav"])
    sent = [
        f"{folder}/{file.name}" for folder, file in folder_of(root, listed, {"fetch.txt": b"x"})
    ]
    assert sent[-1] == "bag-1/bagit.txt"
    assert "bag-1/fetch.txt" in sent
    assert "bag-1/data/masters/t01.wav" not in sent
    assert len(sent) == len(set(sent)) == len(listed)
