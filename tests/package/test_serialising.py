"""A bag in one file: alike each time, begun anywhere, read by stock tools.

Judges: tarfile, zipfile and gzip of the standard library, GNU tar, Info-ZIP unzip, the zstd
program where they are there, and the bagit library (Library of Congress) on what they unpack.
"""

from __future__ import annotations

import errno
import gzip
import hashlib
import io
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import threading
import zipfile
from pathlib import Path
from typing import Literal

import bagit
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from archiver import files
from archiver.errors import InputError, IntegrityError, MisuseError, SurroundingsError
from archiver.package.compressed import zstd_blocks
from archiver.package.form import Form, form_of_name
from archiver.package.incoming import Incoming
from archiver.package.layout import Layout, Member
from archiver.package.limits import Limits
from archiver.package.refusal import PackageDamagedError, PackageRefusedError
from archiver.package.serialising import Addition, serialise
from archiver.package.tar_form import TarFrame
from archiver.package.tar_reading import read_tar
from archiver.package.unpacking import unpack
from archiver.package.zip_form import ZipFrame
from archiver.package.zip_reading import read_zip
from tests.faults import FaultySeam
from tests.package.small_bags import contents, make_bag, sources, write_bag
from tests.package.strategies import paths

PACKED = [form for form in Form if form is not Form.FOLDER]
NAME = "lhm-2026-04-18"


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return make_bag(tmp_path / "archive", sources(tmp_path / "session"), NAME)


def whole(bag: Path, form: Form) -> bytes:
    return b"".join(serialise(bag, form).blocks())


def plain_tar(package: bytes, form: Form) -> bytes:
    if form is Form.TAR_GZ:
        return gzip.decompress(package)
    if form is Form.TAR_ZST:
        return zstandard.ZstdDecompressor().decompress(package)
    return package


@pytest.mark.parametrize("form", PACKED)
def test_it_comes_back_from_every_form(bag: Path, form: Form, tmp_path: Path) -> None:
    serialised = serialise(bag, form)
    assert serialised.name == f"{NAME}.{form}"
    assert form_of_name(serialised.name) is form
    package = tmp_path / serialised.name
    package.write_bytes(b"".join(serialised.blocks()))
    unpacked = unpack(package, tmp_path / "store")
    assert unpacked.root == tmp_path / "store" / NAME
    assert unpacked.form is form
    assert contents(unpacked.root) == contents(bag)
    assert unpacked.files == len(contents(bag))
    assert unpacked.bytes == sum(map(len, contents(bag).values()))
    assert [entry.name for entry in (tmp_path / "store").iterdir()] == [NAME]


@pytest.mark.parametrize("form", PACKED)
def test_the_same_bag_gives_the_same_bytes_wherever_it_lies(
    bag: Path, form: Form, tmp_path: Path
) -> None:
    first = whole(bag, form)
    moved = tmp_path / "elsewhere" / NAME
    shutil.copytree(bag, moved)
    for path in moved.rglob("*"):
        os.utime(path, (0, 0))
        path.chmod(0o700)
    assert whole(moved, form) == first
    assert b"".join(serialise(moved, form, modified_s=1_800_000_000).blocks()) != first


@pytest.mark.parametrize("form", [Form.TAR, Form.ZIP])
def test_the_size_is_known_beforehand(bag: Path, form: Form) -> None:
    assert serialise(bag, form).size == len(whole(bag, form))


@pytest.mark.parametrize("form", [Form.TAR_GZ, Form.TAR_ZST])
def test_the_size_of_what_is_compressed_is_not(bag: Path, form: Form) -> None:
    assert serialise(bag, form).size is None


@pytest.mark.parametrize("form", PACKED)
def test_it_can_be_begun_anywhere(bag: Path, form: Form) -> None:
    package = whole(bag, form)
    serialised = serialise(bag, form)
    for start in {*range(0, len(package), 97), 512, 513, len(package) - 1, len(package)}:
        assert b"".join(serialised.blocks(start)) == package[start:]


@pytest.mark.parametrize("form", [Form.TAR, Form.TAR_GZ, Form.TAR_ZST])
def test_entries_of_a_tar_are_in_byte_order_with_fixed_owner_modes_and_time(
    bag: Path, form: Form
) -> None:
    with tarfile.open(fileobj=io.BytesIO(plain_tar(whole(bag, form), form))) as read:
        members = read.getmembers()
    names = [member.name + "/" * member.isdir() for member in members]
    assert names == sorted(names, key=str.encode)
    assert names[0] == f"{NAME}/"
    # The bag says that it was made on 18 April 2026.
    assert {member.mtime for member in members} == {1_776_470_400}
    assert {(m.uid, m.gid, m.uname, m.gname) for m in members} == {(0, 0, "", "")}
    assert {m.mode for m in members if m.isdir()} == {0o755}
    assert {m.mode for m in members if m.isfile()} == {0o644}


def test_a_header_of_gzip_names_no_file_and_no_time(bag: Path) -> None:
    # RFC 1952 section 2.3.1: flags 0, time 0, extra flags 0, operating system 255 (unknown).
    assert whole(bag, Form.TAR_GZ)[:10] == bytes.fromhex("1f8b08 00 00000000 00 ff")


def test_a_frame_of_zstandard_states_its_size_and_has_a_checksum(bag: Path) -> None:
    said = zstandard.get_frame_parameters(whole(bag, Form.TAR_ZST))
    assert said.content_size == serialise(bag, Form.TAR).size
    assert said.has_checksum


def test_a_zip_stores_everything_and_says_all_before_the_content(bag: Path) -> None:
    with zipfile.ZipFile(io.BytesIO(whole(bag, Form.ZIP))) as read:
        assert read.testzip() is None
        entries = read.infolist()
    assert {entry.compress_type for entry in entries} == {zipfile.ZIP_STORED}
    assert {entry.flag_bits for entry in entries} == {1 << 11}
    assert {entry.date_time for entry in entries} == {(2026, 4, 18, 0, 0, 0)}
    assert {entry.external_attr >> 16 for entry in entries} == {0o100644, 0o040755}


def test_a_plain_header_is_the_one_that_the_standard_library_writes() -> None:
    frame = TarFrame(1_776_470_400)
    for path in ("a/", "a/b.wav", f"a/{'n' * 96}", f"a/{'n' * 98}/", f"a/{'n' * 97}/x"):
        for size in (0,) if path.endswith("/") else (0, 1, 511, 8**11 - 1):
            entry = tarfile.TarInfo(path.rstrip("/"))
            entry.size, entry.mtime, entry.mode = size, 1_776_470_400, 0o644
            if path.endswith("/"):
                entry.type, entry.mode = tarfile.DIRTYPE, 0o755
            written = frame.before(Member(path=path, size=size))
            assert written == entry.tobuf(tarfile.PAX_FORMAT)
            assert frame.length_before(Member(path=path, size=size)) == len(written)


@pytest.mark.parametrize("size", [8**11 - 1, 8**11, 1 << 40])
def test_sizes_around_eight_gibibytes_are_read_by_the_standard_library(size: int) -> None:
    header = TarFrame(0).before(Member(path="bag/data/long.wav", size=size))
    with tarfile.open(fileobj=io.BytesIO(header), mode="r|") as read:
        member = read.next()
        assert member is not None
        assert (member.name, member.size) == ("bag/data/long.wav", size)


@pytest.mark.parametrize("form", [tarfile.GNU_FORMAT, tarfile.PAX_FORMAT], ids=["gnu", "pax"])
@pytest.mark.parametrize("size", [8**11 - 1, 8**11, 1 << 40])
def test_sizes_around_eight_gibibytes_are_read_as_others_write_them(
    form: Literal[1, 2], size: int, tmp_path: Path
) -> None:
    entry = tarfile.TarInfo("bag/data/long.wav")
    entry.size = size
    (tmp_path / "x.tar").write_bytes(entry.tobuf(form))
    with Incoming([tmp_path / "x.tar"]) as incoming:
        read = next(read_tar(incoming.blocks(), incoming))
        assert (read.name, read.size) == ("bag/data/long.wav", size)


def test_a_zip_of_more_than_65535_entries_is_read_by_the_standard_library() -> None:
    members = [Member(path=f"bag/{n:05d}", size=0) for n in range(70_000)]
    frame = ZipFrame(0)
    heads = [frame.before(member) for member in members]
    offsets = [0]
    for head in heads[:-1]:
        offsets.append(offsets[-1] + len(head))
    position = offsets[-1] + len(heads[-1])
    package = b"".join(heads) + frame.end(members, offsets, position)
    with zipfile.ZipFile(io.BytesIO(package)) as read:
        assert len(read.infolist()) == 70_000
        assert read.read("bag/69999") == b""


@pytest.mark.parametrize("large", [2**32 - 2, 2**32 - 1, 2**32, 2**32 + 2])
def test_a_zip_around_four_gibibytes_is_read_by_the_standard_library_and_by_us(
    large: int, tmp_path: Path
) -> None:
    """A file of zeros takes no room; its content is not read, only what stands behind it."""
    members = [
        Member(path="bag/a.wav", size=large),
        Member(path="bag/b.txt", size=5, source=b"small"),
    ]
    frame = ZipFrame(0)
    frame.prepare(members[1:])
    first, second = (frame.before(member) for member in members)
    offsets = [0, len(first) + large]
    end = offsets[1] + len(second) + 5
    package = tmp_path / "x.zip"
    with package.open("wb") as file:
        file.write(first)
        file.seek(offsets[1])
        file.write(second + b"small" + frame.end(members, offsets, end))
    with zipfile.ZipFile(package) as read:
        assert [(e.filename, e.file_size) for e in read.infolist()] == [
            ("bag/a.wav", large),
            ("bag/b.txt", 5),
        ]
        assert read.read("bag/b.txt") == b"small"
    with Incoming([package]) as incoming:
        entries = read_zip(incoming, Limits())
        assert [(entry.name, entry.size) for entry in entries] == [
            ("bag/a.wav", large),
            ("bag/b.txt", 5),
        ]
        assert b"".join(entries[1].blocks()) == b"small"


# stock tools


def program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"the program {name} is not on this machine")
    return found


@pytest.mark.parametrize(
    ("form", "command"),
    [
        (Form.TAR, ["tar", "xf"]),
        (Form.TAR_GZ, ["tar", "xzf"]),
        (Form.ZIP, ["unzip", "-q"]),
    ],
)
def test_stock_programs_unpack_it_to_a_valid_bag(
    bag: Path, form: Form, command: list[str], tmp_path: Path
) -> None:
    tool = program(command[0])
    package = tmp_path / f"{NAME}.{form}"
    package.write_bytes(whole(bag, form))
    (tmp_path / "out").mkdir()
    subprocess.run([tool, *command[1:], str(package)], cwd=tmp_path / "out", check=True)
    assert [entry.name for entry in (tmp_path / "out").iterdir()] == [NAME]
    assert contents(tmp_path / "out" / NAME) == contents(bag)
    assert bagit.Bag(str(tmp_path / "out" / NAME)).validate()


def test_the_zstd_program_unpacks_it(bag: Path) -> None:
    tool = program("zstd")
    ran = subprocess.run(
        [tool, "-dc"], input=whole(bag, Form.TAR_ZST), capture_output=True, check=True
    )
    assert ran.stdout == whole(bag, Form.TAR)


@pytest.mark.parametrize("form", PACKED)
def test_the_standard_library_unpacks_it_to_a_valid_bag(
    bag: Path, form: Form, tmp_path: Path
) -> None:
    package = whole(bag, form)
    if form is Form.ZIP:
        with zipfile.ZipFile(io.BytesIO(package)) as read:
            read.extractall(tmp_path / "out")  # noqa: S202 - our own package
    else:
        with tarfile.open(fileobj=io.BytesIO(plain_tar(package, form))) as tar:
            tar.extractall(tmp_path / "out", filter="data")
    assert contents(tmp_path / "out" / NAME) == contents(bag)
    assert bagit.Bag(str(tmp_path / "out" / NAME)).validate()


@pytest.mark.parametrize(
    "how",
    [["--format=gnu"], ["--format=pax"], ["--format=ustar"], ["--format=posix", "--sort=name"]],
)
def test_what_gnu_tar_packs_is_unpacked(how: list[str], tmp_path: Path) -> None:
    tool = program("tar")
    name = "tréfle-" + "n" * 90
    bag = write_bag(tmp_path / NAME, {f"{name}.txt": b"1", "d/b.wav": bytes(3000)})
    if "ustar" in how[0]:
        shutil.rmtree(bag)
        bag = write_bag(tmp_path / NAME, {"plain.txt": b"1", "d/b.wav": bytes(3000)})
    package = tmp_path / "x.tar"
    subprocess.run([tool, *how, "-cf", str(package), f"./{NAME}"], cwd=tmp_path, check=True)
    assert contents(unpack(package, tmp_path / "store").root) == contents(bag)


def test_what_the_zip_program_packs_is_unpacked(tmp_path: Path) -> None:
    tool = program("zip")
    bag = write_bag(tmp_path / NAME, {"tréfle.txt": b"1" * 5000, "d/b.wav": bytes(3000)})
    subprocess.run([tool, "-qr", "x.zip", NAME], cwd=tmp_path, check=True)
    assert contents(unpack(tmp_path / "x.zip", tmp_path / "store").root) == contents(bag)
    with (tmp_path / "streamed.zip").open("wb") as out:
        subprocess.run([tool, "-qr", "-", NAME], cwd=tmp_path, check=True, stdout=out)
    assert contents(unpack(tmp_path / "streamed.zip", tmp_path / "other").root) == contents(bag)


@pytest.mark.parametrize("form", ["tar", "tar.gz", "zip"])
def test_what_the_standard_library_packs_is_unpacked(form: str, tmp_path: Path) -> None:
    bag = write_bag(tmp_path / NAME, {"tréfle.txt": b"1" * 5000, "d/b.wav": bytes(3000)})
    package = tmp_path / f"x.{form}"
    if form == "zip":
        with zipfile.ZipFile(package, "w", zipfile.ZIP_DEFLATED) as made:
            for path in sorted(bag.rglob("*")):
                made.write(path, path.relative_to(tmp_path))
    else:
        with tarfile.open(package, "w:gz" if form == "tar.gz" else "w") as tar:
            tar.add(bag, NAME)
    assert contents(unpack(package, tmp_path / "store").root) == contents(bag)


# what is left out, what is added, what does not fit


def test_payload_is_left_out_and_a_tag_file_added(bag: Path) -> None:
    added = Addition(path="fetch.txt", content=b"ni:///sha-256;x 204 data/masters/t01.wav\n")
    serialised = serialise(bag, Form.TAR, omit=["data/masters/t01.wav"], additions=[added])
    with tarfile.open(fileobj=io.BytesIO(b"".join(serialised.blocks()))) as read:
        names = read.getnames()
        file = read.extractfile(f"{NAME}/fetch.txt")
        assert file is not None
        assert file.read() == added.content
    assert f"{NAME}/data/masters/t01.wav" not in names
    assert f"{NAME}/data" in names


def test_what_was_left_out_is_brought_in_before_the_bag_has_its_name(
    bag: Path, tmp_path: Path
) -> None:
    omitted = "data/masters/t01.wav"
    line = f"https://example.org/a - {omitted}\n".encode()
    serialised = serialise(
        bag, Form.TAR, omit=[omitted], additions=[Addition(path="fetch.txt", content=line)]
    )
    package = tmp_path / serialised.name
    package.write_bytes(b"".join(serialised.blocks()))
    with pytest.raises(PackageRefusedError, match="1 file at a URL") as asked:
        unpack(package, tmp_path / "store")
    assert asked.value.finding.code == "package-not-whole"
    assert not (tmp_path / "store").exists()

    def complete(root: Path) -> None:
        assert not (tmp_path / "store" / NAME).exists()
        (root / omitted).parent.mkdir(exist_ok=True)
        shutil.copy(bag / omitted, root / omitted)
        (root / "fetch.txt").unlink()

    unpacked = unpack(package, tmp_path / "store", complete=complete)
    assert contents(unpacked.root) == contents(bag)


@pytest.mark.parametrize(
    ("omit", "additions"),
    [
        (["data/nothing.wav"], []),
        (["bagit.txt"], []),
        ([], [Addition(path="bagit.txt", content=b"")]),
        ([], [Addition(path="data/more.txt", content=b"")]),
    ],
)
def test_what_does_not_fit_the_bag_is_misuse(
    bag: Path, omit: list[str], additions: list[Addition]
) -> None:
    with pytest.raises(MisuseError, match="cannot be"):
        serialise(bag, Form.TAR, omit=omit, additions=additions)


def test_a_folder_is_no_package(bag: Path) -> None:
    with pytest.raises(MisuseError, match="not serialised"):
        serialise(bag, Form.FOLDER)


def test_an_incomplete_bag_is_not_packed(bag: Path) -> None:
    (bag / "data/documents/notes.txt").unlink()
    with pytest.raises(PackageDamagedError, match=r"notes\.txt") as refused:
        serialise(bag, Form.TAR)
    assert refused.value.finding.code == "package-bag-not-complete"


def test_a_disk_that_fails_is_not_taken_for_a_file_that_is_gone(bag: Path) -> None:
    serialised = serialise(bag, Form.TAR)
    faulty = FaultySeam(refused={("status", "horn.png")}, errno=errno.EIO)
    with files.use(faulty), pytest.raises(SurroundingsError, match="examined"):
        list(serialised.blocks())
    (bag / "data/photographs/horn.png").unlink()
    with pytest.raises(InputError, match="it is gone"):
        list(serialised.blocks())


@pytest.mark.parametrize(("beside", "named"), [("__MACOSX", True), ("other", False)])
def test_what_macos_puts_beside_a_bag_is_named(
    bag: Path, tmp_path: Path, beside: str, named: bool
) -> None:
    package = tmp_path / f"{NAME}.zip"
    package.write_bytes(whole(bag, Form.ZIP))
    with zipfile.ZipFile(package, "a") as archive:
        archive.writestr(f"{beside}/._{NAME}", b"x")
    with pytest.raises(PackageRefusedError) as refused:
        unpack(package, tmp_path / "store")
    assert refused.value.finding.code == "package-several-tops"
    assert ("macOS" in refused.value.finding.message) is named


def test_a_link_in_a_bag_is_not_packed(bag: Path) -> None:
    (bag / "data/documents/notes.txt").unlink()
    (bag / "data/documents/notes.txt").symlink_to(bag / "data/photographs/horn.png")
    with pytest.raises(PackageDamagedError):
        list(serialise(bag, Form.TAR).blocks())


def test_names_that_would_be_refused_are_not_packed(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / NAME, {"what?.txt": b"1"})
    with pytest.raises(PackageRefusedError) as refused:
        serialise(bag, Form.TAR)
    assert refused.value.finding.code == "package-name-character"
    assert b"what?.txt" in b"".join(serialise(bag, Form.TAR, any_names=True).blocks())


def test_a_name_that_is_not_unicode_is_not_packed(tmp_path: Path) -> None:
    if sys.platform != "linux":  # other systems hold no such names
        return
    bag = write_bag(tmp_path / NAME, {"a.txt": b"1"})
    (bag / os.fsdecode(b"caf\xe9.txt")).write_bytes(b"a tag file that is listed nowhere")
    with pytest.raises(PackageRefusedError, match="not UTF-8"):
        serialise(bag, Form.TAR, any_names=True)


def test_a_date_that_is_none_is_passed_over(tmp_path: Path) -> None:
    info = b"Bagging-Date: 2026-02-30\nBagging-Date: 2026-04-18\n"
    bag = write_bag(tmp_path / NAME, {"a.txt": b"1"}, extra={"bag-info.txt": info})
    with tarfile.open(fileobj=io.BytesIO(whole(bag, Form.TAR))) as read:
        assert {member.mtime for member in read} == {1_776_470_400}


def test_a_bag_without_a_date_has_a_fixed_time(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / NAME, {"a.txt": b"1"})
    with tarfile.open(fileobj=io.BytesIO(whole(bag, Form.TAR))) as read:
        assert {member.mtime for member in read} == {315_532_800}  # 1980-01-01, the first of zip


# bags that change or are damaged


@pytest.mark.parametrize("form", PACKED)
@pytest.mark.parametrize("what", ["grown", "shrunk", "touched", "replaced", "gone"])
def test_a_file_that_changed_since_is_named(bag: Path, form: Form, what: str) -> None:
    serialised = serialise(bag, form)
    victim = bag / "data/photographs/horn.png"
    content = victim.read_bytes()
    if what == "grown":
        victim.write_bytes(content + b"x")
    elif what == "shrunk":
        victim.write_bytes(content[:-1])
    elif what == "touched":
        os.utime(victim, ns=(0, victim.stat().st_mtime_ns + 1))
    elif what == "replaced":
        status = victim.stat()
        victim.rename(bag.parent / "kept")
        victim.write_bytes(content)
        os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
    else:
        victim.unlink()
    with pytest.raises(InputError, match="changed while the bag was packed") as caught:
        list(serialised.blocks())
    assert "horn.png" in caught.value.where


@pytest.mark.parametrize("form", PACKED)
def test_a_file_that_is_not_what_the_manifest_says_is_named(bag: Path, form: Form) -> None:
    victim = bag / "data/photographs/horn.png"
    content = bytearray(victim.read_bytes())
    content[100] ^= 1
    victim.write_bytes(content)
    with pytest.raises(IntegrityError, match="the manifest says") as caught:
        list(serialise(bag, form).blocks())
    assert "horn.png" in caught.value.where
    assert list(serialise(bag, form, compare=False).blocks())


def test_an_unreadable_sector_is_told_with_its_place(bag: Path) -> None:
    seam = FaultySeam(unreadable_from={"horn.png": 500})
    with files.use(seam), pytest.raises(IntegrityError, match="cannot be read past byte"):
        list(serialise(bag, Form.TAR).blocks())


def test_short_reads_change_nothing(bag: Path) -> None:
    expected = whole(bag, Form.TAR)
    with files.use(FaultySeam(longest_read=7)):
        assert whole(bag, Form.TAR) == expected


def test_no_thread_is_left_when_the_reader_stops_early(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / NAME, {"long.wav": bytes(5 << 20)})
    blocks = serialise(bag, Form.TAR).blocks()
    next(blocks)
    next(blocks)
    assert any(thread.name == "hash" for thread in threading.enumerate())
    del blocks
    assert not any(thread.name == "hash" for thread in threading.enumerate())


def test_a_long_file_is_sent_piece_by_piece_and_compared(tmp_path: Path) -> None:
    content = hashlib.shake_256(b"long").digest(5 << 20)
    bag = write_bag(tmp_path / NAME, {"long.wav": content})
    counted: list[int] = []
    package = serialise(bag, Form.TAR, on_bytes=counted.append)
    blocks = list(package.blocks())
    assert max(map(len, blocks)) <= 1 << 20
    assert len(blocks) < 20
    assert sum(counted) == package.read_bytes == sum(map(len, contents(bag).values()))
    with tarfile.open(fileobj=io.BytesIO(b"".join(blocks))) as read:
        file = read.extractfile(f"{NAME}/data/long.wav")
        assert file is not None
        assert file.read() == content


@pytest.mark.parametrize("form", PACKED)
def test_many_small_files_are_sent_in_blocks_of_some_size(tmp_path: Path, form: Form) -> None:
    noise = hashlib.shake_256(b"small").digest(6 << 20)
    payload = {f"{n:03d}.txt": noise[n << 14 : (n + 1) << 14] for n in range(100)}
    payload["long.wav"] = noise
    bag = write_bag(tmp_path / NAME, payload)
    blocks = list(serialise(bag, form).blocks())
    assert all(len(block) >= 1 << 14 for block in blocks[:-1])
    assert 1 < len(blocks) < 30
    (tmp_path / f"x.{form}").write_bytes(b"".join(blocks))
    assert contents(unpack(tmp_path / f"x.{form}", tmp_path / "store").root) == contents(bag)


@pytest.mark.parametrize(("form", "readings"), [(Form.TAR, 1), (Form.TAR_ZST, 1), (Form.ZIP, 2)])
def test_every_file_is_opened_once_and_for_a_zip_twice(
    bag: Path, form: Form, readings: int
) -> None:
    serialised = serialise(bag, form)
    seam = FaultySeam()
    with files.use(seam):
        list(serialised.blocks())
    opened = [call.path for call in seam.calls if call.operation == "open_read"]
    assert len(opened) == readings * len(contents(bag))
    assert len(set(opened)) == len(contents(bag))


# any names and sizes

sizes = st.one_of(st.integers(0, 3), st.sampled_from([511, 512, 513, 1024, 10_240]))


@given(st.dictionaries(paths, sizes, min_size=1, max_size=5), st.sampled_from(PACKED))
def test_any_names_and_sizes_come_back(payload: dict[str, int], form: Form) -> None:
    if os.name == "nt":  # such names cannot lie there
        return
    # A name cannot be a file and a directory; no common file system takes more than 255 bytes.
    taken = [
        name
        for name in payload
        if not any(other.startswith(f"{name}/") for other in payload)
        and all(len(part.encode()) <= 255 for part in name.split("/"))
        and not name.startswith("~")
    ]
    with tempfile.TemporaryDirectory() as folder, files.use(FaultySeam()):
        root = Path(folder)
        bag = write_bag(root / NAME, {name: bytes(payload[name]) for name in taken} or {"a": b""})
        serialised = serialise(bag, form, any_names=True)
        package = root / serialised.name
        package.write_bytes(b"".join(serialised.blocks()))
        if serialised.size is not None:
            assert package.stat().st_size == serialised.size
        unpacked = unpack(package, root / "store", limits=Limits(any_names=True))
        assert contents(unpacked.root) == contents(bag)


@given(st.lists(st.binary(max_size=2000), max_size=6), st.integers(0, 40_000))
def test_every_offset_continues_the_same_stream(pieces: list[bytes], start: int) -> None:
    members = [
        Member(path=f"bag/{number}.txt", size=len(piece), source=piece)
        for number, piece in enumerate(pieces)
    ]
    for frame in (TarFrame(0), ZipFrame(0)):
        layout = Layout("x", members, frame)
        everything = b"".join(layout.blocks())
        assert layout.size == len(everything)
        assert b"".join(layout.blocks(start)) == everything[start:]


def test_threads_change_no_byte_of_zstandard() -> None:
    """What is sent again after a cut, on another machine too, is what was sent before."""
    noise = hashlib.shake_256(b"sound").digest(5 << 20) + bytes(3 << 20)
    member = Member(path="bag/a.wav", size=len(noise), source=noise)
    tar = Layout("x.tar", [member], TarFrame(0))
    made = {b"".join(zstd_blocks(tar, threads)) for threads in (1, 2, 3, 8)}
    assert len(made) == 1
