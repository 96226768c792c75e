"""A bag is made whole or not at all. Judge: the bagit library (Library of Congress)."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import bagit
import pytest

from archiver import files
from archiver.errors import DefectError, InputError, IntegrityError, MisuseError, SurroundingsError
from archiver.package import (
    BagBuilder,
    bytes_needed,
    next_version,
    require_space,
    unchanged,
    validate,
    versioned_name,
)
from tests.faults import FaultySeam
from tests.package.small_bags import PHOTOGRAPH, contents, make_bag, sources, tiny_wav


@pytest.fixture
def photograph(tmp_path: Path) -> Path:
    return sources(tmp_path / "session")


def test_bag_is_valid_for_us_and_for_the_judge(tmp_path: Path, photograph: Path) -> None:
    bag = make_bag(tmp_path / "archive", photograph, algorithms=("sha256", "sha512", "md5"))
    report = validate(bag)
    assert report.valid
    assert report.findings == ()
    assert report.bytes_read == report.bytes_held
    assert report.not_looked_at == ()
    assert bagit.Bag(str(bag)).validate()
    assert contents(bag)["data/masters/t01.wav"] == tiny_wav()
    assert contents(bag)["data/photographs/horn.png"] == PHOTOGRAPH


def test_bag_holds_exactly_what_the_standard_asks_for(tmp_path: Path, photograph: Path) -> None:
    bag = make_bag(tmp_path / "archive", photograph)
    held = contents(bag)
    assert list(held) == [
        "bag-info.txt",
        "bagit.txt",
        "data/documents/notes.txt",
        "data/masters/t01.wav",
        "data/photographs/horn.png",
        "manifest-sha256.txt",
        "metadata/session.json",
        "tagmanifest-sha256.txt",
    ]
    assert held["bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    octets = len(PHOTOGRAPH) + len(tiny_wav()) + len(b"Stylus no. 3\n")
    assert f"Payload-Oxum: {octets}.3\n".encode() in held["bag-info.txt"]


def test_nothing_but_the_bag_stays_in_the_destination(tmp_path: Path, photograph: Path) -> None:
    bag = make_bag(tmp_path / "archive", photograph)
    assert [entry.name for entry in (tmp_path / "archive").iterdir()] == [bag.name]


def test_same_input_gives_same_bytes(tmp_path: Path, photograph: Path) -> None:
    first = make_bag(tmp_path / "one", photograph)
    second = make_bag(tmp_path / "other" / "place", photograph)
    assert contents(first) == contents(second)


def test_manifest_is_sorted_by_path_whatever_the_order_of_adding(tmp_path: Path) -> None:
    with BagBuilder(tmp_path, "bag") as bag:
        for name in ("data/z.txt", "data/a/b.txt", "data/a.txt"):
            bag.write_payload(name, name.encode())
        sealed = bag.seal([])
    lines = (sealed / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines()
    assert [line[66:] for line in lines] == ["data/a.txt", "data/a/b.txt", "data/z.txt"]


def test_copy_returns_the_digests_of_what_was_copied(tmp_path: Path, photograph: Path) -> None:
    seen: list[bytes] = []
    counted: list[int] = []
    builder = BagBuilder(tmp_path, "bag", ("sha256", "md5"), on_bytes=counted.append)
    with builder as bag:
        stored = bag.copy(photograph, "data/x.png", also=[lambda block: seen.append(bytes(block))])
    assert stored.size == len(PHOTOGRAPH) == sum(counted)
    assert stored.digest("sha256") == hashlib.sha256(PHOTOGRAPH).hexdigest()
    assert stored.digest("md5") == hashlib.md5(PHOTOGRAPH, usedforsecurity=False).hexdigest()
    assert b"".join(seen) == PHOTOGRAPH


def test_adopt_reads_back_what_the_caller_wrote(tmp_path: Path) -> None:
    seen: list[bytes] = []
    with BagBuilder(tmp_path, "bag") as bag:
        with bag.create("data/m.wav") as file:
            file.write(b"....fmt ")
            file.seek(0)
            file.write(b"RIFF")
            file.seek(0)
            assert file.read() == b"RIFFfmt "
        stored = bag.adopt("data/m.wav", also=[lambda block: seen.append(bytes(block))])
    assert b"".join(seen) == b"RIFFfmt "
    assert stored.digest("sha256") == hashlib.sha256(b"RIFFfmt ").hexdigest()


def test_file_that_was_created_must_be_adopted(tmp_path: Path) -> None:
    with BagBuilder(tmp_path, "bag") as bag:
        bag.create("data/m.wav").write(b"x")
        with pytest.raises(DefectError, match="not adopted"):
            bag.seal([])
    assert list(tmp_path.iterdir()) == []


def test_leaving_without_sealing_leaves_nothing(tmp_path: Path, photograph: Path) -> None:
    destination = tmp_path / "new" / "deep"
    with BagBuilder(destination, "bag") as bag:
        bag.copy(photograph, "data/x.png")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit, ValueError])
def test_any_exception_leaves_nothing(
    tmp_path: Path, photograph: Path, error: type[BaseException]
) -> None:
    def interrupted() -> None:
        with BagBuilder(tmp_path / "archive", "bag") as bag:
            bag.copy(photograph, "data/x.png")
            bag.create("data/m.wav").write(b"half")
            raise error

    with pytest.raises(error):
        interrupted()
    assert not (tmp_path / "archive").exists()
    assert photograph.read_bytes() == PHOTOGRAPH


def test_existing_bag_is_never_overwritten_and_the_next_version_is_named(
    tmp_path: Path, photograph: Path
) -> None:
    bag = make_bag(tmp_path, photograph, "lhm-1")
    before = contents(bag)
    with pytest.raises(MisuseError, match=r"--version 2.*lhm-1-v2"):
        make_bag(tmp_path, photograph, "lhm-1")
    make_bag(tmp_path, photograph, "lhm-1-v2")
    with pytest.raises(MisuseError, match=r"--version 3.*lhm-1-v3"):
        make_bag(tmp_path, photograph, "lhm-1-v2")
    assert contents(bag) == before


def test_versions_are_counted_from_what_stands_there(tmp_path: Path) -> None:
    assert next_version(tmp_path / "none", "a") == 1
    assert next_version(tmp_path, "a") == 1
    for name in ("a", "a-v7", "ab-v9", "a-vx"):
        (tmp_path / name).mkdir()
    assert next_version(tmp_path, "a") == 8
    assert versioned_name("a", 1) == "a"
    assert versioned_name("a", 8) == "a-v8"


def test_file_in_the_place_of_the_bag_is_not_overwritten(tmp_path: Path, photograph: Path) -> None:
    (tmp_path / "lhm-2026-04-18").write_bytes(b"mine")
    with pytest.raises(MisuseError, match="exists already"):
        make_bag(tmp_path, photograph)
    assert (tmp_path / "lhm-2026-04-18").read_bytes() == b"mine"


def test_destination_that_is_a_file_is_refused(tmp_path: Path, photograph: Path) -> None:
    (tmp_path / "archive").write_bytes(b"mine")
    with pytest.raises(MisuseError, match="not a directory"):
        make_bag(tmp_path / "archive", photograph)
    with pytest.raises(MisuseError, match="not a directory"):
        make_bag(tmp_path / "archive" / "deeper", photograph)
    assert (tmp_path / "archive").read_bytes() == b"mine"


def test_leftover_of_a_dead_run_is_removed_by_the_next(tmp_path: Path, photograph: Path) -> None:
    leftover = tmp_path / ".lhm-2026-04-18.0a1b2c3d.unfinished" / "data"
    leftover.mkdir(parents=True)
    (leftover / "half.wav").write_bytes(b"half")
    (tmp_path / ".lhm-2026-04-18.lock").touch()
    other = tmp_path / ".lhm-2026-04-18-v2.0a1b2c3d.unfinished"
    other.mkdir()
    make_bag(tmp_path, photograph)
    assert {entry.name for entry in tmp_path.iterdir()} == {
        "session",
        "lhm-2026-04-18",
        other.name,
    }


def test_second_run_is_refused_at_once_while_the_first_goes_on(
    tmp_path: Path, photograph: Path
) -> None:
    with BagBuilder(tmp_path / "archive", "bag") as bag:
        bag.copy(photograph, "data/x.png")
        with (
            pytest.raises(MisuseError, match=r"another run.*bag\.lock"),
            BagBuilder(tmp_path / "archive", "bag"),
        ):
            pytest.fail("two runs made one bag")
        with BagBuilder(tmp_path / "archive", "other") as other:
            other.copy(photograph, "data/x.png")
            other.seal([])
        sealed = bag.seal([])
    assert validate(sealed).valid


def test_too_little_space_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    seam = FaultySeam(free=1000)
    with (
        files.use(seam),
        pytest.raises(SurroundingsError, match=r"needs 5000 bytes and 1000 are free.*4000"),
        BagBuilder(tmp_path / "archive", "bag", needed_bytes=5000),
    ):
        pytest.fail("it began")
    assert not (tmp_path / "archive").exists()
    assert "create" not in {call.operation for call in seam.calls}
    require_space(tmp_path, 1)


@pytest.mark.parametrize("count", [1, 40, 400])
def test_estimate_is_at_most_five_percent_above_and_never_below(tmp_path: Path, count: int) -> None:
    sizes = [40_000 + 997 * n for n in range(count)] + [3_000_000]
    seam = FaultySeam()
    with files.use(seam), BagBuilder(tmp_path, "bag") as bag:
        for number, size in enumerate(sizes):
            bag.write_payload(f"data/photographs/picture-{number:05d}.png", bytes(size))
        bag.seal([("Source-Organization", "Lillehavn Museum of Machines")])
    estimate = bytes_needed(sizes)
    clusters = sum(
        -(-path.stat().st_size // 4096) * 4096 for path in tmp_path.rglob("*") if path.is_file()
    )
    assert clusters <= estimate <= 1.05 * clusters
    assert seam.written_bytes <= estimate


@pytest.mark.parametrize(
    ("path", "reason"),
    [
        ("data/../../x", "climbs out"),
        ("/data/x", "absolute"),
        ("C:/data/x", "drive"),
        ("~/x", "tilde"),
        ("data/con.wav", "reserves"),
        ("data/x.", "drops the last"),
        ("data/a:b", "refuses the character"),
        ("data//x", "empty component"),
    ],
)
def test_path_that_does_not_travel_is_refused(tmp_path: Path, path: str, reason: str) -> None:
    with (
        BagBuilder(tmp_path / "archive", "bag") as bag,
        pytest.raises((InputError, DefectError), match=reason),
    ):
        (bag.write_payload if path.startswith("data/") else bag.write_tag)(path, b"x")
    assert not (tmp_path / "archive").exists()


@pytest.mark.parametrize("twin", ["data/HORN.png", "data/Horn.PNG"])
def test_names_that_differ_only_in_case_are_refused(tmp_path: Path, twin: str) -> None:
    with BagBuilder(tmp_path, "bag") as bag:
        bag.write_payload("data/horn.png", b"1")
        with pytest.raises(InputError, match="one name on some systems"):
            bag.write_payload(twin, b"2")


def test_names_that_differ_only_in_unicode_form_are_refused(tmp_path: Path) -> None:
    with BagBuilder(tmp_path, "bag") as bag:
        bag.write_payload("data/caf\u00e9.txt", b"1")
        with pytest.raises(InputError, match="one name on some systems"):
            bag.write_payload("data/cafe\u0301.txt", b"2")


@pytest.mark.parametrize(
    "path", ["bagit.txt", "bag-info.txt", "fetch.txt", "manifest-md5.txt", "tagmanifest-sha1.txt"]
)
def test_reserved_tag_files_cannot_be_written_by_the_caller(tmp_path: Path, path: str) -> None:
    with BagBuilder(tmp_path, "bag") as bag, pytest.raises(DefectError):
        bag.write_tag(path, b"x")


@pytest.mark.parametrize("name", ["a/b", "..", ".hidden", "con", "", "a:b"])
def test_unfit_name_of_a_bag_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(MisuseError, match="cannot be the name of a bag"):
        BagBuilder(tmp_path, name)


def test_unknown_algorithm_is_refused_with_those_offered(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="sha256, sha512, md5"):
        BagBuilder(tmp_path, "bag", ("crc32",))
    with pytest.raises(MisuseError, match="no digest algorithm"):
        BagBuilder(tmp_path, "bag", ())


def test_bag_without_payload_is_not_made(tmp_path: Path) -> None:
    with BagBuilder(tmp_path, "bag") as bag:
        bag.write_tag("metadata/x.json", b"{}")
        with pytest.raises(InputError, match="nothing to put"):
            bag.seal([])
    assert list(tmp_path.iterdir()) == []


def test_link_is_refused_as_a_source(tmp_path: Path, photograph: Path) -> None:
    link = tmp_path / "link.png"
    link.symlink_to(photograph)
    with BagBuilder(tmp_path / "archive", "bag") as bag:
        with pytest.raises(InputError, match="is a link"):
            bag.copy(link, "data/x.png")
        with pytest.raises(InputError, match="is a directory"):
            bag.copy(tmp_path, "data/y.png")
        with pytest.raises(SurroundingsError, match="does not exist"):
            bag.copy(tmp_path / "none", "data/z.png")


def test_device_is_refused_as_a_source(tmp_path: Path) -> None:
    with BagBuilder(tmp_path / "archive", "bag") as bag, pytest.raises(InputError, match="device"):
        bag.copy(Path(os.devnull), "data/x.png")


def _written(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content)
    os.utime(path, ns=(1, 1))


def _grown(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"more")


def _shrunk(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-5])


def _replaced(path: Path) -> None:
    before = path.stat()
    other = path.with_name("other")
    other.write_bytes(path.read_bytes())
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    other.replace(path)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (_written, "was written to"),
        (_grown, "longer than its 768 bytes|its size went from 768 to 772"),
        (_shrunk, "its size went from 768 to 763|could be read"),
        (Path.unlink, "it is gone"),
        (_replaced, "it is another file"),
    ],
)
def test_source_that_changes_underneath_stops_the_run_and_is_named(
    tmp_path: Path, photograph: Path, change: object, told: str
) -> None:
    def during(block: object) -> None:
        del block
        assert callable(change)
        change(photograph)

    def run() -> None:
        with BagBuilder(tmp_path / "archive", "bag") as bag:
            bag.copy(photograph, "data/x.png", also=[during])

    with pytest.raises(InputError, match=rf"horn\.png: changed while .*({told})"):
        run()
    assert not (tmp_path / "archive").exists()


def test_unchanged_source_passes(photograph: Path) -> None:
    with unchanged(photograph) as status:
        assert status.size == len(PHOTOGRAPH)


def test_unreadable_source_is_named_with_the_byte(tmp_path: Path, photograph: Path) -> None:
    seam = FaultySeam(unreadable_from={"horn.png": 500})
    with (
        files.use(seam),
        BagBuilder(tmp_path / "archive", "bag") as bag,
        pytest.raises(SurroundingsError, match=r"horn\.png: cannot be read past byte 500"),
    ):
        bag.copy(photograph, "data/x.png")
    assert seam.injected


def test_short_reads_lose_nothing(tmp_path: Path, photograph: Path) -> None:
    with files.use(FaultySeam(longest_read=7)):
        bag = make_bag(tmp_path / "archive", photograph)
    assert contents(bag)["data/photographs/horn.png"] == PHOTOGRAPH
    assert validate(bag).valid


@pytest.mark.parametrize("name", ["manifest-sha256.txt", "bag-info.txt", "notes.txt"])
def test_file_that_reads_back_differently_stops_the_run(
    tmp_path: Path, photograph: Path, name: str
) -> None:
    seam = FaultySeam(flipped_once={name: 3})
    with files.use(seam), pytest.raises(IntegrityError, match=rf"{name}: what is read back"):
        make_bag(tmp_path / "archive", photograph)
    assert seam.injected == 1
    assert not (tmp_path / "archive").exists()


def test_file_put_into_the_unfinished_bag_by_another_stops_the_run(
    tmp_path: Path, photograph: Path
) -> None:
    with BagBuilder(tmp_path, "bag") as bag:
        bag.copy(photograph, "data/x.png")
        (unfinished,) = tmp_path.glob(".bag.*.unfinished")
        (unfinished / "data" / "stray").write_bytes(b"x")
        with pytest.raises(IntegrityError, match="data/stray"):
            bag.seal([])


def test_everything_is_flushed_before_the_rename_and_the_parent_after(
    tmp_path: Path, photograph: Path
) -> None:
    seam = FaultySeam()
    with files.use(seam):
        bag = make_bag(tmp_path / "archive", photograph)
    order = [(call.operation, call.path) for call in seam.calls]
    rename = order.index(("rename", bag))
    last_write = max(i for i, (operation, _) in enumerate(order) if operation == "write")
    created = {path for operation, path in order if operation == "create"}
    flushed = {path for operation, path in order[:rename] if operation == "fsync"}
    assert created == flushed
    assert len(created) == 8
    directories = [path for op, path in order[last_write:rename] if op == "fsync_directory"]
    depth = [len(path.parts) for path in directories]
    assert depth == sorted(depth, reverse=True)
    made = {path for operation, path in order if operation == "mkdir"} - {bag.parent}
    assert made == set(directories)
    assert order[rename + 1] == ("fsync_directory", bag.parent)
    assert not [op for op, _ in order[rename + 1 :] if op in {"write", "create", "rename"}]


def test_large_file_is_flushed_while_it_grows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("archiver.package.settling._EARLY_BYTES", 100_000)
    seam = FaultySeam()
    with files.use(seam), BagBuilder(tmp_path, "bag") as bag:
        with bag.create("data/m.wav") as file:
            for _ in range(30):
                file.write(bytes(20_000))
        bag.adopt("data/m.wav")
        sealed = bag.seal([])
    flushes = [c for c in seam.calls if c.operation == "fsync" and c.path.name == "m.wav"]
    # How many fit beside the writing depends on the disk; one is the last, of the whole file.
    assert len(flushes) > 1
    assert validate(sealed).valid


def test_few_files_are_open_at_a_time(tmp_path: Path) -> None:
    seam = FaultySeam()
    with files.use(seam):
        with BagBuilder(tmp_path, "bag") as bag:
            for number in range(200):
                bag.write_payload(f"data/{number}", b"x")
            sealed = bag.seal([])
        assert validate(sealed).valid
    assert seam.most_open_files <= 32
    assert seam.open_files == 0
