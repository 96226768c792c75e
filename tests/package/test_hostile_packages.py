"""Every hostile package is refused for its own reason, and nothing of it is left anywhere."""

from __future__ import annotations

import gzip
import os
import random
import struct
import tempfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from archiver import files
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from archiver.findings import Finding, Rule
from archiver.package import package_rules
from archiver.package.incoming import Incoming
from archiver.package.limits import Limits
from archiver.package.refusal import PackageDamagedError, PackageRefusedError
from archiver.package.tar_reading import read_tar
from archiver.package.unpacking import unpack
from archiver.package.zip_reading import read_zip
from tests.faults import FaultySeam
from tests.package.hostile_packages import (
    END,
    TOP,
    Hostile,
    Zipped,
    bag_entries,
    bag_files,
    extended,
    header,
    hostile_packages,
    large,
    member,
    record,
    tar_with,
    zip_of,
    zstd,
)
from tests.package.small_bags import contents

HOSTILE = hostile_packages()


def tree(root: Path) -> dict[str, tuple[str, bytes | str]]:
    """Everything below a directory: kind and content, links not followed."""
    found: dict[str, tuple[str, bytes | str]] = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        if path.is_symlink():
            found[name] = ("link", str(path.readlink()))
        elif path.is_dir():
            found[name] = ("directory", b"")
        else:
            found[name] = ("file", path.read_bytes())
    return found


def described(entries: list[Zipped], form: str) -> list[Zipped]:
    """The same entries with what is said of them behind the content, as streams have it."""
    for entry in entries:
        said = (zlib.crc32(entry.content), len(entry.content), len(entry.content))
        signed = (b"PK\x07\x08", *said) if "s" in form else said
        entry.flags |= 8
        entry.descriptor = struct.pack(form, *signed)
    return entries


def streamed_zstd(content: bytes) -> bytes:
    """A frame that does not say how much is in it."""
    deflate = zstandard.ZstdCompressor(write_content_size=False).compressobj()
    return deflate.compress(content) + deflate.flush()


def refusal(package: Path, target: Path, limits: Limits | None = None) -> Finding:
    """Why a package is refused."""
    with pytest.raises((PackageRefusedError, PackageDamagedError)) as refused:
        unpack(package, target, limits=limits)
    error = refused.value
    assert isinstance(error, PackageRefusedError | PackageDamagedError)
    return error.finding


@pytest.mark.parametrize("hostile", HOSTILE, ids=[h.name for h in HOSTILE])
def test_it_is_refused_for_its_reason_and_nothing_is_written(
    hostile: Hostile, tmp_path: Path
) -> None:
    (tmp_path / "secret").write_bytes(b"kept")
    target = tmp_path / "a" / "target"
    (tmp_path / "a").mkdir()
    package = tmp_path / hostile.file_name
    package.write_bytes(hostile.content)
    before = tree(tmp_path)
    with files.use(FaultySeam()):
        finding = refusal(package, target)
    assert finding.code == hostile.code, finding
    assert finding.where.file == hostile.file_name
    assert finding.remedy
    assert tree(tmp_path) == before


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("x.tar", tar_with()),
        ("x.zip", zip_of(bag_entries())),
        ("x.zip", large(zip_of(bag_entries()))),
        ("x.zip", zip_of(described(bag_entries(), "<4s3L"))),
        ("x.zip", zip_of(described(bag_entries(), "<3L"))),
        ("x.zip", zip_of(described(bag_entries(), "<4sL2Q"))),
        ("x.tar.gz", gzip.compress(tar_with(), mtime=0)),
        ("x.tar.gz", gzip.compress(tar_with()[:700]) + gzip.compress(tar_with()[700:])),
        ("x.tar.zst", zstd(tar_with())),
        ("x.tar.zst", zstd(tar_with()[:700]) + zstd(tar_with()[700:])),
        ("x.tar.zst", streamed_zstd(tar_with())),
        ("x.tar", extended(record("comment", b"git"), kind=b"g") + tar_with()),
        ("x.tar", member("./", kind=b"5") + tar_with()),
        # Before 1970, as GNU tar writes it.
        ("x.tar", member(f"{TOP}/", kind=b"5", mtime=b"\xff" * 12) + tar_with()),
    ],
)
def test_the_same_packages_without_the_evil_part_are_taken(
    name: str, content: bytes, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(content)
    unpacked = unpack(tmp_path / name, tmp_path / "target")
    assert contents(unpacked.root) == bag_files()
    assert [entry.name for entry in (tmp_path / "target").iterdir()] == [TOP]


def test_there_are_as_many_reasons_as_rules() -> None:
    """Every rule that refuses a package by itself is met by one of the packages here.

    Parts, limits and bags that cannot be packed have tests of their own.
    """
    rules = {rule.code for rule in vars(package_rules).values() if isinstance(rule, Rule)}
    elsewhere = {"too-many", "too-much", "parts-disagree", "bag-not-complete", "not-whole"}
    assert rules - {hostile.code for hostile in HOSTILE} == {f"package-{w}" for w in elsewhere}


@pytest.mark.parametrize(
    ("limits", "code"),
    [
        (Limits(most_entries=3), "package-too-many"),
        (Limits(most_bytes=1000), "package-too-much"),
    ],
)
@pytest.mark.parametrize("form", ["tar", "zip"])
def test_a_limit_that_is_passed_is_named(
    limits: Limits, code: str, form: str, tmp_path: Path
) -> None:
    package = tmp_path / f"x.{form}"
    package.write_bytes(tar_with() if form == "tar" else zip_of(bag_entries()))
    before = tree(tmp_path)
    with pytest.raises(PackageRefusedError) as refused:
        unpack(package, tmp_path / "target", limits=limits)
    assert refused.value.finding.code == code
    assert "at most" in str(refused.value)
    assert tree(tmp_path) == before


def test_directories_that_are_only_named_on_the_way_count(tmp_path: Path) -> None:
    """One entry can make as many directories as are allowed in each other."""
    package = tmp_path / "x.tar"
    deep = "/".join("abcdefgh")
    package.write_bytes(member(f"{TOP}/{deep}/x", b"1") + member(f"{TOP}/{deep}/y", b"1") + END)
    with pytest.raises(PackageRefusedError) as refused:
        unpack(package, tmp_path / "target", limits=Limits(most_entries=10))
    assert refused.value.finding.code == "package-too-many"
    with pytest.raises(PackageRefusedError) as other:
        unpack(package, tmp_path / "target", limits=Limits(most_entries=11))
    assert other.value.finding.code == "package-no-bag"


def test_what_stands_behind_compressed_content_is_not_gathered(tmp_path: Path) -> None:
    package = tmp_path / "x.zip"
    packed = Zipped(name="", content=b"x", method=8).body() + bytes(3 << 20)
    package.write_bytes(zip_of([Zipped(name="x", content=b"x", method=8, packed=packed)]))
    with Incoming([package]) as incoming:
        (entry,) = read_zip(incoming, Limits())
        taken = 0
        blocks = incoming.blocks

        def counted(start: int = 0, end: int | None = None) -> Iterator[bytes]:
            nonlocal taken
            for block in blocks(start, end):
                taken += len(block)
                yield block

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(incoming, "blocks", counted)
            with pytest.raises(PackageRefusedError, match="behind the compressed"):
                list(entry.blocks())
    assert taken < 1 << 20


@pytest.mark.parametrize("name", ["x.tar", "x.tar.zst", "x.zip"])
def test_free_space_is_looked_at_before_anything_is_written(name: str, tmp_path: Path) -> None:
    content = {"x.tar": tar_with(), "x.tar.zst": zstd(tar_with()), "x.zip": zip_of(bag_entries())}
    (tmp_path / name).write_bytes(content[name])
    before = tree(tmp_path)
    seam = FaultySeam(free=2000)
    with files.use(seam), pytest.raises(SurroundingsError, match="2000 are free"):
        unpack(tmp_path / name, tmp_path / "target")
    assert tree(tmp_path) == before
    assert not [call for call in seam.calls if call.operation == "create"]


def test_a_large_entry_is_held_against_the_free_space_where_nothing_is_announced(
    tmp_path: Path,
) -> None:
    package = tmp_path / "x.tar.gz"
    content = member(f"{TOP}/", kind=b"5") + header(f"{TOP}/data/a.wav", 2 << 20) + bytes(2 << 20)
    package.write_bytes(gzip.compress(content + END, mtime=0))
    seam = FaultySeam(free=1 << 20)
    with files.use(seam), pytest.raises(SurroundingsError, match="1048576 are free"):
        unpack(package, tmp_path / "target")
    assert not (tmp_path / "target").exists()


def test_content_that_nobody_takes_is_passed_over(tmp_path: Path) -> None:
    package = tmp_path / "x.tar"
    package.write_bytes(tar_with())
    with Incoming([package]) as incoming:
        names = [entry.name for entry in read_tar(incoming.blocks(), incoming)]
    assert names == [f"{TOP}/", *(f"{TOP}/{path}" for path in sorted(bag_files()))]


def test_a_package_that_becomes_shorter_while_it_is_read_is_damaged(tmp_path: Path) -> None:
    package = tmp_path / "x.tar"
    package.write_bytes(tar_with())
    with Incoming([package]) as incoming:
        package.write_bytes(tar_with()[:1000])
        for read in (lambda: list(incoming.blocks()), lambda: incoming.read_at(900, 200)):
            with pytest.raises(PackageDamagedError) as damaged:
                read()
            assert damaged.value.finding.code == "package-truncated"


def test_an_unreadable_sector_of_a_package_is_told_with_its_place(tmp_path: Path) -> None:
    package = tmp_path / "x.tar"
    package.write_bytes(tar_with())
    seam = FaultySeam(unreadable_from={"x.tar": 600})
    with files.use(seam), pytest.raises(IntegrityError, match="cannot be read past byte"):
        unpack(package, tmp_path / "target")
    assert not (tmp_path / "target").exists()


def test_much_that_comes_out_of_little_comes_out_whole(tmp_path: Path) -> None:
    """More than one block of output of one block of input, below the limit of bombs."""
    bag = bag_files({"zeros.wav": bytes(5 << 20)})
    tar = b"".join(member(f"{TOP}/{path}", content) for path, content in bag.items()) + END
    for name, content in (("x.tar.gz", gzip.compress(tar, mtime=0)), ("x.tar.zst", zstd(tar))):
        (tmp_path / name).write_bytes(content)
        unpacked = unpack(tmp_path / name, tmp_path / name[2:])
        assert contents(unpacked.root) == bag


def test_what_is_no_destination_and_no_package_is_misuse(tmp_path: Path) -> None:
    package = tmp_path / "x.tar"
    package.write_bytes(tar_with())
    with pytest.raises(MisuseError, match="not a directory"):
        unpack(package, package)
    with pytest.raises(MisuseError, match="not a file"):
        unpack(tmp_path, tmp_path / "target")
    with pytest.raises(MisuseError, match="no package"):
        unpack([], tmp_path / "target")
    with pytest.raises(MisuseError, match="below 1"):
        Limits(most_bytes=-1)


def test_names_of_any_kind_are_taken_when_they_are_asked_for(tmp_path: Path) -> None:
    if os.name == "nt":  # such names cannot lie there
        return
    bag = bag_files({"What?.txt": b"1", "what?.txt": b"2", "CON": b"3", "end.": b"4"})
    package = tmp_path / "x.tar"
    package.write_bytes(
        b"".join(member(f"{TOP}/{path}", content) for path, content in bag.items()) + END
    )
    with pytest.raises(PackageRefusedError):
        unpack(package, tmp_path / "target")
    unpacked = unpack(package, tmp_path / "target", limits=Limits(any_names=True))
    assert contents(unpacked.root) == bag


def test_what_leads_out_is_refused_among_names_of_any_kind_too(tmp_path: Path) -> None:
    leading_out = [h for h in HOSTILE if h.code.startswith(("package-path", "package-link"))]
    for hostile in leading_out:
        (tmp_path / hostile.file_name).write_bytes(hostile.content)
        package = tmp_path / hostile.file_name
        found = refusal(package, tmp_path / "t", limits=Limits(any_names=True))
        assert found.code == hostile.code
    assert len(leading_out) > 25


def outcome(package: Path, target: Path) -> dict[str, bytes] | str:
    """What unpacking gives: the files of the bag, or the code of the refusal."""
    try:
        unpacked = unpack(package, target)
    except PackageRefusedError as error:
        return error.finding.code
    except PackageDamagedError as error:
        return error.finding.code
    found = contents(unpacked.root)
    files.discard(target)
    return found


@pytest.mark.parametrize("name", ["x.tar", "x.tar.gz", "x.tar.zst", "x.zip"])
def test_a_package_that_is_cut_off_is_refused_or_whole(name: str, tmp_path: Path) -> None:
    """Cut every 512 bytes for tar, and every 64 for the others, which are smaller."""
    content = {
        "x.tar": tar_with() + bytes(4096),
        "x.tar.gz": gzip.compress(tar_with(), mtime=0),
        "x.tar.zst": zstd(tar_with()),
        "x.zip": zip_of(bag_entries()),
    }[name]
    package = tmp_path / name
    whole = 0
    step = 512 if name == "x.tar" else 64
    with files.use(FaultySeam()):
        for length in range(0, len(content), step):
            package.write_bytes(content[:length])
            before = tree(tmp_path)
            found = outcome(package, tmp_path / "target")
            if isinstance(found, dict):
                assert found == bag_files()
                whole += 1
            assert tree(tmp_path) == before, length
    # A tar is whole without the empty blocks that fill its last record.
    assert whole == (len(range(len(tar_with()), len(content), step)) if name == "x.tar" else 0)


def test_a_bit_that_flips_in_a_header_of_a_tar_is_always_found(tmp_path: Path) -> None:
    content = tar_with()
    offsets, position = [], 0
    while content[position : position + 512] != bytes(512):
        offsets.append(position)
        size = int(content[position + 124 : position + 135], 8)
        position += 512 + size + -size % 512
    assert len(offsets) == 6
    package = tmp_path / "x.tar"
    seeded = random.Random(8493)  # noqa: S311 - damage that can be repeated
    unseen = set()
    for offset in offsets[::3]:
        for at in range(512):
            damaged = bytearray(content)
            damaged[offset + at] ^= 1 << seeded.randrange(8)
            package.write_bytes(damaged)
            with Incoming([package]) as incoming:
                try:
                    incoming.form()
                    for entry in read_tar(incoming.blocks(), incoming):
                        list(entry.blocks())
                except ArchiverError:
                    continue
            unseen.add(at)
    # Behind the six digits of the checksum stand a NUL and a blank, which it does not cover.
    # A zero before them that becomes a blank says the same.
    assert unseen <= {148, 154, 155}


def test_a_bit_that_flips_in_a_zip_is_found_or_changes_nothing(tmp_path: Path) -> None:
    """Times and versions may flip unseen, since nothing is made of them."""
    content = zip_of(bag_entries())
    package = tmp_path / "x.zip"
    seeded = random.Random(8493)  # noqa: S311 - damage that can be repeated
    expected = {f"{TOP}/{path}": content for path, content in bag_files().items()}
    of_content = {
        content.index(each) + at for each in bag_files().values() for at in range(len(each))
    }
    unseen = 0
    for at in sorted(set(range(len(content))) - of_content):
        damaged = bytearray(content)
        damaged[at] ^= 1 << seeded.randrange(8)
        package.write_bytes(damaged)
        with Incoming([package]) as incoming:
            try:
                incoming.form()
                entries = read_zip(incoming, Limits())
                found = {entry.name: b"".join(entry.blocks()) for entry in entries}
            except ArchiverError:
                continue
        assert found == expected, at
        unseen += 1
    headers = len(bag_entries()) * (30 + 46) + 22
    assert 0 < unseen < headers / 2


@given(st.data())
def test_whatever_arrives_is_a_whole_bag_or_an_error_of_ours(data: st.DataObject) -> None:
    originals = {
        "x.tar": tar_with(),
        "x.tar.gz": gzip.compress(tar_with(), mtime=0),
        "x.tar.zst": zstd(tar_with()),
        "x.zip": zip_of(bag_entries()),
    }
    name = data.draw(st.sampled_from(sorted(originals)))
    content = bytearray(originals[name])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        kind = data.draw(st.sampled_from(["flip", "cut", "insert", "copy"]))
        piece = data.draw(st.binary(min_size=1, max_size=40))
        if kind == "flip":
            content[at] ^= 1 << data.draw(st.integers(0, 7))
        elif kind == "cut":
            del content[at : at + len(piece)]
        elif kind == "insert":
            content[at:at] = piece
        else:
            content[at : at + 512] = content[at // 2 : at // 2 + 512]
    with tempfile.TemporaryDirectory() as folder, files.use(FaultySeam()):
        root = Path(folder)
        (root / name).write_bytes(content)
        try:
            unpacked = unpack(root / name, root / "target")
        except ArchiverError:
            assert [path.name for path in root.iterdir()] == [name]
        else:
            assert contents(unpacked.root) == bag_files()
