"""What holds for every place, shown on a folder and its faults."""

from __future__ import annotations

import errno
import sys
import tempfile
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver import files
from archiver.custody import places
from archiver.custody.places import Held, Place, Retries, open_place
from archiver.custody.transport.address import address_of
from archiver.custody.transport.far_end import final_name, partial_name
from archiver.custody.transport.local import LocalFolder
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from tests.custody.transport.sendables import Bytes, some_bytes
from tests.faults import FaultySeam

PARCEL = some_bytes("lhm-2026-04-18.tar", 300_000)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    place = tmp_path / "drive"
    place.mkdir()
    return place


@pytest.fixture
def place(folder: Path) -> Iterator[Place]:
    with open_place(folder, chunk_bytes=10_000) as opened:
        yield opened


def hidden_of(folder: Path) -> Path:
    return folder / partial_name(PARCEL.name)


class Growing(LocalFolder):
    """A far end that gives more than it says, without an end."""

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        del folder, name, start
        for _ in range(1000):
            yield bytes(1000)
        pytest.fail("nobody stopped reading")


def test_what_is_longer_than_stated_is_not_fetched(folder: Path, tmp_path: Path) -> None:
    (folder / "p.tar").write_bytes(bytes(2500))
    place = Place(address_of(folder), Growing(folder), Retries(attempts=1))
    with pytest.raises(IntegrityError, match="longer than the 2500 bytes"):
        place.fetch("p.tar", tmp_path / "here.tar")
    assert not list(tmp_path.glob("*here*"))


@given(st.text(min_size=1, max_size=30))
def test_a_hidden_name_tells_the_final_one(name: str) -> None:
    assert final_name(partial_name(name)) == name


@pytest.mark.parametrize("name", ["a.tar", ".a.tar", "a.unfinished", ".unfinished", "..unfinished"])
def test_other_names_are_not_hidden_ones(name: str) -> None:
    assert final_name(name) is None


def test_what_is_sent_is_there_and_described(place: Place, folder: Path) -> None:
    arrived: list[int] = []
    sent = place.send(PARCEL, folder="2026/april", on_bytes=arrived.append)
    target = folder / "2026" / "april" / PARCEL.name
    assert target.read_bytes() == PARCEL.content
    assert sent == places.Sent(
        name=PARCEL.name,
        url=str(target),
        size=300_000,
        sha256=PARCEL.sha256,
        verified_by="read back",
        resumed_at_bytes=0,
        sent_bytes=300_000,
        attempts=1,
    )
    assert sum(arrived) == 300_000
    assert place.listing("2026") == (Held(name="april", size=None, is_folder=True),)
    assert place.listing("2026/april") == (Held(name=PARCEL.name, size=300_000),)
    assert place.listing("2027") == ()


@pytest.mark.parametrize("size", [0, 1, 10_000, 10_001])
@pytest.mark.parametrize("announced", [True, False])
def test_every_size_arrives(place: Place, folder: Path, size: int, announced: bool) -> None:
    parcel = some_bytes("p.tar", size, announced=announced)
    assert place.send(parcel).sha256 == parcel.sha256
    assert (folder / "p.tar").read_bytes() == parcel.content


def test_the_very_same_bytes_are_not_sent_again(place: Place, folder: Path) -> None:
    first = place.send(PARCEL)
    before = (folder / PARCEL.name).stat()
    arrived: list[int] = []
    again = place.send(PARCEL, on_bytes=arrived.append)
    assert again.already_there
    assert (again.sent_bytes, again.sha256, again.size) == (0, first.sha256, first.size)
    assert (folder / PARCEL.name).stat().st_mtime_ns == before.st_mtime_ns
    assert arrived == [300_000]


@pytest.mark.parametrize(
    "other",
    [
        some_bytes(PARCEL.name, 300_000, seed=1),
        some_bytes(PARCEL.name, 300_000, seed=1, announced=False),
        some_bytes(PARCEL.name, 299_999),
        some_bytes(PARCEL.name, 299_999, announced=False),
    ],
)
def test_what_is_there_is_never_overwritten(place: Place, folder: Path, other: Bytes) -> None:
    place.send(PARCEL)
    with pytest.raises(MisuseError, match="is there already, with other content"):
        place.send(other)
    assert (folder / PARCEL.name).read_bytes() == PARCEL.content
    assert [path.name for path in folder.iterdir()] == [PARCEL.name]


def test_a_name_taken_while_it_is_sent_is_not_overwritten(place: Place, folder: Path) -> None:
    def another_comes(_count: int) -> None:
        (folder / PARCEL.name).write_bytes(b"another's")

    with pytest.raises(MisuseError, match="is there already"):
        place.send(PARCEL, on_bytes=another_comes)
    assert (folder / PARCEL.name).read_bytes() == b"another's"


def test_a_leftover_is_gone_on_with_from_its_first_difference(place: Place, folder: Path) -> None:
    begun = bytearray(PARCEL.content[:200_000])
    begun[123_456] ^= 1
    hidden_of(folder).write_bytes(begun)
    assert place.listing() == (Held(name=PARCEL.name, size=200_000, unfinished=True),)
    sent = place.send(PARCEL)
    assert (sent.resumed_at_bytes, sent.sent_bytes) == (123_456, 300_000 - 123_456)
    assert (folder / PARCEL.name).read_bytes() == PARCEL.content
    assert not hidden_of(folder).exists()


@pytest.mark.parametrize("announced", [True, False])
def test_a_leftover_that_is_longer_is_cut_to_size(
    place: Place, folder: Path, announced: bool
) -> None:
    hidden_of(folder).write_bytes(PARCEL.content + b"and more")
    sent = place.send(
        Bytes(name=PARCEL.name, content=PARCEL.content, size=300_000 if announced else None)
    )
    assert (sent.resumed_at_bytes, sent.sent_bytes) == (300_000, 0)
    assert (folder / PARCEL.name).read_bytes() == PARCEL.content


def test_a_full_disk_is_told_and_what_arrived_is_kept(place: Place, folder: Path) -> None:
    seam = FaultySeam(capacity_bytes=120_000, errno=errno.ENOSPC)
    with files.use(seam), pytest.raises(SurroundingsError, match="the disk is full"):
        place.send(PARCEL)
    assert seam.injected == 1
    assert not (folder / PARCEL.name).exists()
    sent = place.send(PARCEL)
    assert sent.resumed_at_bytes >= 110_000
    assert sent.resumed_at_bytes + sent.sent_bytes == 300_000


def test_too_little_room_is_refused_before_anything_is_written(place: Place, folder: Path) -> None:
    with (
        files.use(FaultySeam(free=299_999)),
        pytest.raises(SurroundingsError, match="has room for"),
    ):
        place.send(PARCEL)
    assert not list(folder.iterdir())
    with files.use(FaultySeam(free=300_000)):
        place.send(PARCEL)


@pytest.mark.parametrize("number", [errno.EACCES, errno.EROFS])
def test_a_folder_that_may_not_be_written_is_told(place: Place, folder: Path, number: int) -> None:
    seam = FaultySeam(errno=number, refused={("create", hidden_of(folder).name)})
    with files.use(seam), pytest.raises(SurroundingsError, match="could not be created"):
        place.send(PARCEL)
    assert seam.injected == 1
    assert not (folder / PARCEL.name).exists()


def test_a_drive_that_alters_what_it_is_given_is_found_out(place: Place, folder: Path) -> None:
    seam = FaultySeam(flipped_once={hidden_of(folder).name: 150_000})
    with files.use(seam), pytest.raises(IntegrityError, match="does not hold the bytes") as caught:
        place.send(PARCEL)
    assert seam.injected == 1
    assert PARCEL.sha256 in str(caught.value)
    assert not list(folder.iterdir())


def test_a_source_that_changes_its_length_gets_no_name(place: Place, folder: Path) -> None:
    with pytest.raises(ArchiverError, match="fewer bytes than"):
        place.send(Bytes(name=PARCEL.name, content=PARCEL.content, size=300_001))
    assert not (folder / PARCEL.name).exists()


def test_leftovers_can_be_removed(place: Place, folder: Path) -> None:
    hidden_of(folder).write_bytes(b"begun")
    assert place.remove_unfinished(PARCEL.name) == 1
    assert not list(folder.iterdir())
    assert place.remove_unfinished(PARCEL.name) == 0


def test_a_folder_is_removed_if_nothing_lies_in_it(place: Place, folder: Path) -> None:
    for name in ("empty", "full"):
        (folder / name).mkdir()
    (folder / "full" / "paper").write_bytes(b"held")
    for name in ("empty", "full", "missing", ""):
        place.remove_empty(name)
    assert [one.name for one in folder.iterdir()] == ["full"]
    assert (folder / "full" / "paper").read_bytes() == b"held"


def test_a_second_sender_of_the_same_name_is_refused(place: Place, folder: Path) -> None:
    def second(_count: int) -> None:
        with (
            open_place(folder) as another,
            pytest.raises(MisuseError, match="is being sent by another run"),
        ):
            another.send(PARCEL)

    place.send(PARCEL, on_bytes=second)
    assert (folder / PARCEL.name).read_bytes() == PARCEL.content


def test_a_second_sender_that_names_the_place_another_way_is_refused(
    place: Place, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder.parent)
    refused: list[str] = []

    def second(_count: int) -> None:
        for way in (Path("drive"), folder / ".." / "drive"):
            with (
                open_place(way) as another,
                pytest.raises(MisuseError, match="is being sent by another run") as caught,
            ):
                another.send(PARCEL, folder="2026/april")
            refused.append(str(caught.value))

    place.send(PARCEL, folder="2026/april", on_bytes=second)
    assert refused


def test_where_no_temporary_file_can_be_made_it_is_told(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full() -> str:
        # As tempfile says it, which tries them all.
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found in ['/tmp']")

    monkeypatch.setattr(tempfile, "gettempdir", full)
    with pytest.raises(SurroundingsError, match="temporary files: could not be found"):
        place.send(PARCEL)


def test_what_is_held_can_be_fetched(place: Place, tmp_path: Path) -> None:
    place.send(PARCEL, folder="a")
    fetched = place.fetch(PARCEL.name, tmp_path / "back.tar", folder="a", sha256=PARCEL.sha256)
    assert (tmp_path / "back.tar").read_bytes() == PARCEL.content
    assert (fetched.size, fetched.sha256) == (300_000, PARCEL.sha256)


def test_what_is_fetched_is_what_is_expected_or_nothing(
    place: Place, folder: Path, tmp_path: Path
) -> None:
    place.send(PARCEL)
    with pytest.raises(IntegrityError, match=f"Accepted: SHA-256 {'0' * 64}"):
        place.fetch(PARCEL.name, tmp_path / "back.tar", sha256="0" * 64)
    with pytest.raises(MisuseError, match="does not exist"):
        place.fetch("other.tar", tmp_path / "back.tar")
    with pytest.raises(MisuseError, match="the name is taken"):
        place.fetch(PARCEL.name, folder)
    assert sorted(path.name for path in tmp_path.iterdir()) == [folder.name, "temporary"]


@pytest.mark.parametrize(
    "name", ["", ".", "..", "a/b", "a\\b", "a\nb", ".a.tar.unfinished", "/etc/passwd"]
)
def test_no_name_leaves_its_folder(place: Place, name: str) -> None:
    with pytest.raises(MisuseError, match="cannot be the name"):
        place.send(some_bytes(name, 1))
    with pytest.raises(MisuseError, match="cannot be the name"):
        place.remove_unfinished(name)


@pytest.mark.parametrize("below", ["..", "a/../..", "a\\b", "a/./b", "a\0b"])
def test_no_folder_leaves_its_place(place: Place, below: str) -> None:
    with pytest.raises(MisuseError, match="cannot be a folder"):
        place.send(PARCEL, folder=below)


def test_a_place_that_is_no_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(MisuseError, match="is not a directory"), open_place(tmp_path / "file"):
        pass
    # A drive that is not mounted must not become a folder of the system's own disk.
    with (
        pytest.raises(SurroundingsError, match="the disk it lies on is connected"),
        open_place(tmp_path / "not-mounted"),
    ):
        pass


def test_a_file_url_is_a_folder(tmp_path: Path) -> None:
    place = tmp_path / "a drive"
    place.mkdir()
    with open_place(place.as_uri()) as opened:
        opened.send(PARCEL)
    assert (place / PARCEL.name).read_bytes() == PARCEL.content


@pytest.mark.parametrize(
    ("url", "module", "extra"),
    [
        ("sftp://example.org/in", "sshfs", "sftp"),
        ("sftp://example.org/in", "asyncssh", "sftp"),
        ("s3://vault/in", "s3fs", "s3"),
        ("webdavs://example.org/in", "webdav4.fsspec", "webdav"),
    ],
)
def test_a_missing_extra_is_named_with_the_command_that_brings_it(
    monkeypatch: pytest.MonkeyPatch, url: str, module: str, extra: str
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    with (
        pytest.raises(MisuseError, match=f'python -m pip install "archiver\\[{extra}\\]"'),
        open_place(url),
    ):
        pass


class Endless:
    """A sendable that is made while it is sent."""

    name = "large.tar"
    size: int | None = 64 << 20

    def blocks(self, start: int = 0) -> Iterator[bytes | memoryview]:
        block = bytes(1 << 18)
        for _ in range(start, 64 << 20, 1 << 18):
            yield block


def test_memory_does_not_grow_with_what_is_sent(folder: Path) -> None:
    with open_place(folder) as place:
        place.send(PARCEL)
        tracemalloc.start()
        try:
            place.send(Endless())
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert peak < 8 << 20
