"""Parts that ``cat`` joins and a list that ``sha256sum -c`` reads.

Judges: GNU coreutils (cat, sha256sum), where they are there.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver import files
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from archiver.package.arrivals import arrivals, differing_parts
from archiver.package.form import Form
from archiver.package.parts import (
    SMALLEST_PART_BYTES,
    Listed,
    PartsList,
    decode_list,
    encode_list,
    part_name,
    part_of,
    split,
)
from archiver.package.refusal import PackageRefusedError
from archiver.package.serialising import serialise
from archiver.package.storing import Stored, store
from archiver.package.unpacking import unpack
from tests.faults import FaultySeam
from tests.package.small_bags import contents, write_bag

NAME = "lhm-2026-04-18"
PART = SMALLEST_PART_BYTES
PACKED = [form for form in Form if form is not Form.FOLDER]


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A bag of noise, which no form makes smaller."""
    noise = hashlib.shake_256(b"noise").digest(5 * PART)
    return write_bag(tmp_path / "archive" / NAME, {"t01.wav": noise, "t02.wav": noise[:7]})


class Counted:
    """A stream that counts how often it is begun anew."""

    def __init__(self, content: bytes, *, size_known: bool) -> None:
        self.name = "x.tar"
        self.begun: list[int] = []
        self._content = content
        self._known = size_known

    @property
    def size(self) -> int | None:
        return len(self._content) if self._known else None

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        self.begun.append(start)
        for at in range(start, len(self._content), 1000):
            yield self._content[at : at + 1000]


class Endless(Counted):
    """A long stream of zeros."""

    def __init__(self, length: int, *, size_known: bool) -> None:
        super().__init__(b"", size_known=size_known)
        self._length = length

    @property
    def size(self) -> int | None:
        return self._length if self._known else None

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        zeros = bytes(1 << 20)
        for at in range(start, self._length, len(zeros)):
            yield zeros[: self._length - at]


def program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"the program {name} is not on this machine")
    return found


# splitting


@pytest.mark.parametrize("size_known", [True, False])
@pytest.mark.parametrize("length", [0, 1, PART - 1, PART, PART + 1, 3 * PART, 3 * PART + 5])
def test_parts_join_to_the_package(length: int, size_known: bool) -> None:
    content = hashlib.shake_256(b"x").digest(length)
    source = Counted(content, size_known=size_known)
    parts = []
    for part in split(source, PART):
        parts.append((part.name, b"".join(part.blocks())))
        if size_known:
            assert part.size == len(parts[-1][1])
        else:
            assert part.size is None
    assert b"".join(piece for _, piece in parts) == content
    assert [len(piece) for _, piece in parts[:-1]] == [PART] * (len(parts) - 1)
    assert [name for name, _ in parts] == [f"x.tar.{n:04d}" for n in range(1, len(parts) + 1)]
    # One stream for all of them.
    assert source.begun == [0]


@given(st.integers(0, 4), st.integers(0, PART + 10))
@example(number=0, start=PART + 7)
def test_a_part_can_be_begun_anywhere_and_in_any_order(number: int, start: int) -> None:
    content = hashlib.shake_256(b"x").digest(4 * PART + 123)
    parts = list(split(Counted(content, size_known=True), PART))
    mine = content[number * PART : (number + 1) * PART]
    for part in (parts[number], parts[4], parts[number]):
        list(part.blocks())
    assert b"".join(parts[number].blocks(start)) == mine[start:]


def test_two_parts_that_are_read_in_turns_do_not_disturb_each_other() -> None:
    content = hashlib.shake_256(b"x").digest(2 * PART)
    first, second = split(Counted(content, size_known=True), PART)
    found: dict[str, bytes] = {first.name: b"", second.name: b""}
    for one, other in zip(first.blocks(), second.blocks(), strict=False):
        found[first.name] += one
        found[second.name] += other
    assert found[first.name] == content[: len(found[first.name])]
    assert found[second.name] == content[PART : PART + len(found[second.name])]


def test_parts_too_small_or_too_many_are_misuse() -> None:
    source = Counted(b"x", size_known=True)
    with pytest.raises(MisuseError, match="too small"):
        list(split(source, PART - 1))
    for size_known in (True, False):
        with pytest.raises(MisuseError, match="larger parts"):
            list(split(Endless(10_000 * PART, size_known=size_known), PART))


def test_names_of_parts_say_package_and_number() -> None:
    assert part_of(part_name("x.tar.zst", 12)) == ("x.tar.zst", 12)
    assert part_of("x.tar") is None
    assert part_of("x.tar.0000") is None


# the list


listeds = st.builds(
    lambda count, sizes, digests: PartsList(
        package="a b.tar",
        parts=tuple(
            Listed(
                name="a b.tar" if count == 1 else part_name("a b.tar", number + 1),
                size=sizes[number],
                sha256=digests[number].hex(),
            )
            for number in range(count)
        ),
    ),
    st.integers(1, 4),
    st.lists(st.integers(0, 1 << 60), min_size=4, max_size=4),
    st.lists(st.binary(min_size=32, max_size=32), min_size=4, max_size=4),
)


@given(listeds)
def test_a_list_comes_back(listed: PartsList) -> None:
    assert decode_list("x", encode_list(listed)) == listed


@given(listeds, st.data())
def test_a_list_that_was_changed_is_read_or_refused(listed: PartsList, data: st.DataObject) -> None:
    content = bytearray(encode_list(listed))
    at = data.draw(st.integers(0, len(content) - 1))
    content[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    try:
        found = decode_list("x", bytes(content))
    except PackageRefusedError:
        return
    # What can change unseen is a digest, a comment, or the name of the package.
    assert sum(part.size for part in found.parts) == found.size
    assert all(part.name.startswith(found.package) for part in found.parts)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"x.tar.0002", b"x.tar.0003"),
        (b"x.tar.0002", b"../x.tar.0002"),
        (b"x.tar.0001", b"/etc/passwd"),
        (b"part 2 of 2", b"part 1 of 2"),
        (b"30 bytes in 2", b"31 bytes in 2"),
        (b"in 2 parts", b"in 3 parts"),
        (b"# x.tar", b"# ../x.tar"),
    ],
)
def test_a_list_that_disagrees_with_itself_is_refused(old: bytes, new: bytes) -> None:
    listed = PartsList(
        package="x.tar",
        parts=tuple(
            Listed(name=part_name("x.tar", n), size=10 * n, sha256="0" * 64) for n in (1, 2)
        ),
    )
    content = encode_list(listed)
    assert old in content
    with pytest.raises(PackageRefusedError, match=r"x|parts"):
        decode_list("x.tar.sha256", content.replace(old, new))


def test_a_list_of_somebody_else_is_refused() -> None:
    good = encode_list(
        PartsList(package="x.tar", parts=(Listed(name="x.tar", size=1, sha256="0" * 64),))
    )
    outside = good.replace(b"x.tar", b"../x.tar")
    for content in (
        b"",
        b"0" * 64 + b"  x.tar\n",
        b"\xff\xfe",
        b"# x\n",
        good + b"evil\n",
        outside,
    ):
        with pytest.raises(PackageRefusedError):
            decode_list("x.tar.sha256", content)


def test_a_name_that_a_list_cannot_hold_is_misuse() -> None:
    listed = PartsList(
        package="a\nb.tar", parts=(Listed(name="a\nb.tar", size=1, sha256="0" * 64),)
    )
    with pytest.raises(MisuseError, match="list of checksums"):
        encode_list(listed)


# writing and reading


@pytest.mark.parametrize("form", PACKED)
def test_a_package_in_parts_is_checked_joined_and_unpacked_by_stock_programs_and_by_us(
    bag: Path, form: Form, tmp_path: Path
) -> None:
    checker, joiner = program("sha256sum"), program("cat")
    stored = store(serialise(bag, form), tmp_path / "out", part_bytes=2 * PART)
    names = [part.name for part in stored.listed.parts]
    assert len(names) >= 3
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        *names,
        f"{NAME}.{form}.sha256",
    ]
    ran = subprocess.run(
        [checker, "--strict", "-c", stored.listed.name],
        cwd=tmp_path / "out",
        check=True,
        capture_output=True,
        text=True,
    )
    assert ran.stdout.splitlines() == [f"{name}: OK" for name in names]
    joined = subprocess.run(
        [joiner, *sorted(names)], cwd=tmp_path / "out", check=True, capture_output=True
    ).stdout
    assert joined == b"".join(serialise(bag, form).blocks())
    assert len(joined) == stored.listed.size
    (arrival,) = arrivals([tmp_path / "out" / stored.listed.name])
    unpacked = unpack(arrival.paths, tmp_path / "store")
    assert contents(unpacked.root) == contents(bag)


@pytest.mark.parametrize("form", PACKED)
def test_a_package_that_fits_into_one_part_is_not_cut(
    bag: Path, form: Form, tmp_path: Path
) -> None:
    stored = store(serialise(bag, form), tmp_path, part_bytes=1 << 30)
    assert [part.name for part in stored.listed.parts] == [f"{NAME}.{form}"]
    assert (tmp_path / f"{NAME}.{form}").stat().st_size == stored.listed.size
    (arrival,) = arrivals([tmp_path / f"{NAME}.{form}"])
    assert arrival.listed == stored.listed


def written(bag: Path, folder: Path) -> Stored:
    return store(serialise(bag, Form.TAR), folder, part_bytes=2 * PART)


def test_parts_are_put_in_order_whatever_order_they_are_named_in(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    every = [path for path in (tmp_path / "out").iterdir() if path.suffix != ".sha256"]
    for given_paths in (every[::-1], every[:1]):
        (arrival,) = arrivals(given_paths)
        assert [path.name for path in arrival.paths] == [p.name for p in stored.listed.parts]
    (tmp_path / "out" / stored.listed.name).unlink()
    (arrival,) = arrivals(every[::-1])
    assert arrival.listed is None
    assert contents(unpack(arrival.paths, tmp_path / "store").root) == contents(bag)


def test_a_missing_part_is_named(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    gone = tmp_path / "out" / stored.listed.parts[1].name
    gone.unlink()
    with pytest.raises(PackageRefusedError, match=gone.name):
        arrivals([tmp_path / "out" / stored.listed.name])
    (tmp_path / "out" / stored.listed.name).unlink()
    with pytest.raises(PackageRefusedError, match="part 2 is missing"):
        arrivals(list((tmp_path / "out").iterdir()))


@pytest.mark.parametrize("other", [f"{NAME}.tar", f"{NAME}.tar.0009"])
def test_a_file_that_was_given_and_is_not_listed_is_never_passed_over(
    bag: Path, tmp_path: Path, other: str
) -> None:
    written(bag, tmp_path / "out")
    (tmp_path / "out" / other).write_bytes(b"of another package")
    with pytest.raises(PackageRefusedError, match=f"does not name '{re.escape(other)}'"):
        arrivals(sorted((tmp_path / "out").iterdir()))


def test_a_part_of_another_size_is_named(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    short = tmp_path / "out" / stored.listed.parts[1].name
    short.write_bytes(short.read_bytes()[:-1])
    with pytest.raises(PackageRefusedError, match=f"{short.name} has"):
        arrivals([tmp_path / "out" / stored.listed.name])


def test_a_last_part_that_is_missing_without_a_list_is_found(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    paths = [tmp_path / "out" / part.name for part in stored.listed.parts]
    with pytest.raises(ArchiverError):
        unpack(paths[:-1], tmp_path / "store")
    assert not (tmp_path / "store").exists()


def test_parts_in_the_wrong_order_are_found(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    paths = [tmp_path / "out" / part.name for part in stored.listed.parts]
    with pytest.raises(ArchiverError):
        unpack([paths[1], paths[0], *paths[2:]], tmp_path / "store")
    assert not (tmp_path / "store").exists()


def test_a_damaged_part_is_named(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    victim = tmp_path / "out" / stored.listed.parts[1].name
    content = bytearray(victim.read_bytes())
    content[500] ^= 4
    victim.write_bytes(content)
    (arrival,) = arrivals([victim])
    assert arrival.listed is not None
    assert differing_parts(arrival, arrival.listed) == (victim.name,)


def test_several_packages_are_told_apart(bag: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    store(serialise(bag, Form.TAR), out, part_bytes=2 * PART)
    store(serialise(bag, Form.ZIP), out)
    found = arrivals(sorted(out.iterdir()))
    assert [one.name for one in found] == [f"{NAME}.tar", f"{NAME}.zip"]
    assert all(one.listed for one in found)


def test_a_list_without_its_package_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError, match="does not exist"):
        arrivals([tmp_path / "x.tar.sha256"])
    with pytest.raises(MisuseError):
        arrivals([])


@pytest.mark.parametrize("name", ["a\0b.tar", "C:x.tar", "~x.tar", "a\x7fb.tar"])
def test_a_list_that_names_no_file_beside_it_is_refused(name: str, tmp_path: Path) -> None:
    listing = tmp_path / "x.tar.sha256"
    listing.write_bytes(
        f"# {name}: 1 bytes in 1 part\n# part 1 of 1: 1 bytes\n{'0' * 64}  {name}\n".encode()
    )
    with pytest.raises(PackageRefusedError, match="no file name"):
        arrivals([listing])


def test_a_list_of_another_package_is_refused(bag: Path, tmp_path: Path) -> None:
    stored = written(bag, tmp_path / "out")
    other = (tmp_path / "out" / stored.listed.name).rename(tmp_path / "out" / "x.tar.sha256")
    with pytest.raises(PackageRefusedError, match=f"that of '{re.escape(NAME)}.tar'"):
        arrivals([other])


def test_a_file_of_checksums_of_another_form_does_not_stand_in_the_way(
    bag: Path, tmp_path: Path
) -> None:
    stored = store(serialise(bag, Form.TAR), tmp_path / "out")
    listing = tmp_path / "out" / stored.listed.name
    listing.write_text(f"{'0' * 64} *{NAME}.tar\n", encoding="utf-8")
    (arrival,) = arrivals([tmp_path / "out" / f"{NAME}.tar"])
    assert arrival.listed is None


# whole or absent


@pytest.mark.parametrize("taken", ["x", f"{NAME}.tar", f"{NAME}.tar.0003", f"{NAME}.tar.sha256"])
def test_no_package_is_overwritten(bag: Path, tmp_path: Path, taken: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / taken).write_bytes(b"kept")
    if taken == "x":
        store(serialise(bag, Form.TAR), out)
    else:
        with pytest.raises(MisuseError, match="overwritten"):
            store(serialise(bag, Form.TAR), out)
        assert [path.name for path in out.iterdir()] == [taken]
    assert (out / taken).read_bytes() == b"kept"


def test_what_a_killed_run_left_is_removed(bag: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    for name in ("", ".0002", ".sha256"):
        (out / f".{NAME}.tar{name}.0a1b2c3d.unfinished").write_bytes(b"left")
    (out / ".other.tar.0a1b2c3d.unfinished").write_bytes(b"kept")
    store(serialise(bag, Form.TAR), out)
    assert sorted(path.name for path in out.iterdir()) == [
        ".other.tar.0a1b2c3d.unfinished",
        f"{NAME}.tar",
        f"{NAME}.tar.sha256",
    ]


def test_free_space_is_looked_at_before_anything_is_written(bag: Path, tmp_path: Path) -> None:
    with files.use(FaultySeam(free=1000)), pytest.raises(SurroundingsError, match="1000 are free"):
        store(serialise(bag, Form.TAR), tmp_path / "out")
    assert not (tmp_path / "out").exists()


class Misreading(FaultySeam):
    """Gets a byte wrong in the first reading of every file that is made through it."""

    def create(self, path: Path) -> BinaryIO:
        self.flipped_once[path.name] = 700
        return super().create(path)


def test_a_disk_that_gives_back_something_else_is_found(bag: Path, tmp_path: Path) -> None:
    seam = Misreading()
    with files.use(seam), pytest.raises(IntegrityError, match="read back"):
        store(serialise(bag, Form.TAR), tmp_path / "out")
    assert seam.injected
    assert not (tmp_path / "out").exists()
