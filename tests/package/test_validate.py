"""Validation: everything that is wrong, rightly named.

Judges: the bagit library (Library of Congress) beside ours; RFC 8493 section 3. The cases
are those that the public conformance suite tests or leaves out, in our own bags.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import bagit
import pytest

from archiver import files
from archiver.errors import MisuseError, SurroundingsError
from archiver.files import Entry, OperatingSystem
from archiver.findings import Severity
from archiver.package import BagReport, Outcome, Verdict, read_bag, validate
from archiver.package.comparison import compare
from archiver.package.tree import Kind, Tree, TreeFile
from tests.faults import FaultySeam
from tests.package.small_bags import (
    contents,
    make_bag,
    manifest_of,
    rewrite_tag_manifests,
    sources,
    write_bag,
)

PAYLOAD = {"a.txt": b"first\n", "sub/b.bin": bytes(range(256)) * 64, "c.txt": b"third\n"}


def codes(report: BagReport) -> set[str]:
    return {f.code for f in report.findings if f.severity is Severity.ERROR}


def warnings(report: BagReport) -> set[str]:
    return {f.code for f in report.findings if f.severity is Severity.WARNING}


def judged_valid(path: Path) -> bool:
    """What the bagit library says."""
    try:
        bagit.Bag(str(path)).validate()
    except bagit.BagError:
        return False
    return True


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return write_bag(tmp_path / "bag", PAYLOAD)


def test_bag_made_by_plain_means_is_valid(bag: Path) -> None:
    report = validate(bag)
    assert report.verdict is Verdict.VALID
    assert report.findings == ()
    assert report.payload_files == 3
    assert report.payload_bytes == sum(map(len, PAYLOAD.values()))
    assert judged_valid(bag)


def test_bag_made_by_the_judge_is_valid(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "x.txt").write_bytes(b"x")
    bagit.make_bag(str(tmp_path / "b"), {"Contact-Name": "A. E. Newman"}, checksums=["sha512"])
    report = validate(tmp_path / "b")
    assert report.valid
    assert report.version == "0.97"
    assert report.algorithms == ("sha512",)


@pytest.mark.parametrize("version", ["0.93", "0.94", "0.95", "0.96", "0.97", "1.0"])
def test_all_versions_are_known(tmp_path: Path, version: str) -> None:
    bag = write_bag(tmp_path / "bag", PAYLOAD, version=version, algorithm="md5")
    report = validate(bag)
    assert report.valid
    assert report.version == version
    assert warnings(report) == {"bag-algorithm-weak"}


# Damage: what was done, what ours must say, and about which file. Fourteen kinds.

Damage = Callable[[Path], None]


def _truncate(bag: Path) -> None:
    (bag / "data/sub/b.bin").write_bytes(PAYLOAD["sub/b.bin"][:-1])


def _extend(bag: Path) -> None:
    (bag / "data/sub/b.bin").write_bytes(PAYLOAD["sub/b.bin"] + b"\0")


def _zero_block(bag: Path) -> None:
    content = PAYLOAD["sub/b.bin"]
    (bag / "data/sub/b.bin").write_bytes(content[:4096] + bytes(4096) + content[8192:])


def _swap_blocks(bag: Path) -> None:
    # The pattern repeats every 256 bytes, so blocks are moved by half of one.
    content = PAYLOAD["sub/b.bin"]
    swapped = content[128:256] + content[:128] + content[256:]
    (bag / "data/sub/b.bin").write_bytes(swapped)


def _swap_files(bag: Path) -> None:
    (bag / "data/a.txt").write_bytes(PAYLOAD["c.txt"])
    (bag / "data/c.txt").write_bytes(PAYLOAD["a.txt"])


def _rename(bag: Path) -> None:
    (bag / "data/a.txt").rename(bag / "data/other.txt")


def _change_case(bag: Path) -> None:
    (bag / "data/a.txt").rename(bag / "data/A.txt")


def _remove(bag: Path) -> None:
    (bag / "data/a.txt").unlink()


def _add(bag: Path) -> None:
    (bag / "data/sub/new.txt").write_bytes(b"new")


def _empty(bag: Path) -> None:
    (bag / "data/a.txt").write_bytes(b"")


def _duplicate_line(bag: Path) -> None:
    manifest = bag / "manifest-sha256.txt"
    lines = manifest.read_bytes().splitlines(keepends=True)
    manifest.write_bytes(b"".join([*lines, lines[0]]))
    rewrite_tag_manifests(bag)


def _break_line(bag: Path) -> None:
    manifest = bag / "manifest-sha256.txt"
    manifest.write_bytes(manifest.read_bytes().replace(b"  data/a.txt", b"-data/a.txt"))
    rewrite_tag_manifests(bag)


def _mix_line_ends(bag: Path) -> None:
    manifest = bag / "manifest-sha256.txt"
    first, second, third = manifest.read_bytes().splitlines()
    manifest.write_bytes(first + b"\r\n" + second + b"\r" + third + b"\n")
    rewrite_tag_manifests(bag)


def _other_unicode_form(bag: Path) -> None:
    (bag / "data/a.txt").rename(bag / "data" / unicodedata.normalize("NFD", "caf\u00e9.txt"))
    manifest = bag / "manifest-sha256.txt"
    listed = "data/caf\u00e9.txt".encode()
    manifest.write_bytes(manifest.read_bytes().replace(b"data/a.txt", listed))
    rewrite_tag_manifests(bag)


@pytest.mark.parametrize(
    ("damage", "expected", "place"),
    [
        (_truncate, {"bag-checksum-differs"}, "data/sub/b.bin"),
        (_extend, {"bag-checksum-differs"}, "data/sub/b.bin"),
        (_zero_block, {"bag-checksum-differs"}, "data/sub/b.bin"),
        (_swap_blocks, {"bag-checksum-differs"}, "data/sub/b.bin"),
        (_swap_files, {"bag-checksum-differs"}, "data/a.txt"),
        (_rename, {"bag-file-renamed"}, "data/other.txt"),
        (_change_case, {"bag-file-renamed"}, "data/A.txt"),
        (_remove, {"bag-file-missing"}, "data/a.txt"),
        (_add, {"bag-file-unlisted"}, "data/sub/new.txt"),
        (_empty, {"bag-checksum-differs"}, "data/a.txt"),
        (_duplicate_line, {"bag-line-duplicate"}, "manifest-sha256.txt"),
        (_break_line, {"bag-line-malformed", "bag-file-unlisted"}, "manifest-sha256.txt"),
        (_mix_line_ends, set(), ""),
        (_other_unicode_form, set(), ""),
    ],
)
def test_damage_is_found_named_and_agreed_upon_by_the_judge(
    bag: Path, damage: Damage, expected: set[str], place: str
) -> None:
    damage(bag)
    report = validate(bag)
    assert codes(report) == expected
    assert report.valid is not bool(expected)
    if place:
        assert report.findings[0].where.file == place or place in {
            f.where.file for f in report.findings
        }
    assert judged_valid(bag) is report.valid


def test_swapped_files_are_told_as_swapped(bag: Path) -> None:
    _swap_files(bag)
    messages = {f.where.file: f.message for f in validate(bag).findings}
    assert "belongs to 'data/c.txt'" in messages["data/a.txt"]
    assert "belongs to 'data/a.txt'" in messages["data/c.txt"]


def test_a_file_that_two_manifests_list_has_one_finding_that_names_both(tmp_path: Path) -> None:
    """RFC 8493, section 2.2.1, lets a bag have a manifest for each of several algorithms."""
    listed = {f"data/{name}": content for name, content in PAYLOAD.items()}
    bag = write_bag(
        tmp_path / "bag", PAYLOAD, extra={"manifest-sha512.txt": manifest_of(listed, "sha512")}
    )
    _swap_files(bag)
    report = validate(bag)
    assert [(f.code, f.where.file) for f in report.findings] == [
        ("bag-checksum-differs", "data/a.txt"),
        ("bag-checksum-differs", "data/c.txt"),
    ]
    message = report.findings[0].message
    for algorithm in ("sha256", "sha512"):
        found = hashlib.new(algorithm, PAYLOAD["c.txt"]).hexdigest()
        said = hashlib.new(algorithm, PAYLOAD["a.txt"]).hexdigest()
        assert (
            f"the {algorithm} checksum is {found}; manifest-{algorithm}.txt line 1 says {said}"
        ) in message
    assert message.count("a second reading gave the same") == 1
    assert message.count("belongs to 'data/c.txt'") == 1
    assert not judged_valid(bag)


def test_a_first_reading_that_was_wrong_is_told_once_for_both_manifests(tmp_path: Path) -> None:
    listed = {f"data/{name}": content for name, content in PAYLOAD.items()}
    bag = write_bag(
        tmp_path / "bag", PAYLOAD, extra={"manifest-sha512.txt": manifest_of(listed, "sha512")}
    )
    with files.use(FaultySeam(flipped_once={"b.bin": 700})):
        (finding,) = validate(bag).findings
    assert finding.code == "bag-reading-unsteady"
    assert "the sha256 checksum" not in finding.message.partition("sha512")[2]
    assert "sha256" in finding.message


def test_emptied_file_is_told_as_empty(bag: Path) -> None:
    _empty(bag)
    assert "the file is empty" in validate(bag).findings[0].message


def test_renamed_file_is_told_with_both_names(bag: Path) -> None:
    _rename(bag)
    message = validate(bag).findings[0].message
    assert "data/a.txt" in message
    assert "data/other.txt" in message


def test_name_in_another_unicode_form_is_a_warning(bag: Path) -> None:
    _other_unicode_form(bag)
    assert warnings(validate(bag)) == {"bag-name-other-form"}


def test_all_findings_come_in_one_run(bag: Path) -> None:
    _remove(bag)
    _add(bag)
    (bag / "data/c.txt").write_bytes(b"other")
    (bag / "bagit.txt").write_bytes(b"BagIt-Version: 1.0\n")
    report = validate(bag)
    assert codes(report) == {
        "bag-file-missing",
        "bag-file-unlisted",
        "bag-checksum-differs",
        "bag-declaration-malformed",
    }
    assert [f.severity for f in report.findings] == sorted(
        (f.severity for f in report.findings), key=["error", "warning", "note"].index
    )


def _flips(path: Path, chance: random.Random) -> list[tuple[int, int]]:
    content = path.read_bytes()
    flips = []
    for offset, byte in enumerate(content):
        bits = [1 << bit for bit in range(8)]
        if path.name.startswith("tagmanifest-"):
            # Hexadecimal may be written in either case (RFC 8493 section 2.1.3), so this one
            # change is none; nothing stands above a tag manifest to notice it.
            bits = [b for b in bits if chr(byte ^ b).lower() != chr(byte)]
        flips.append((offset, chance.choice(bits)))
    return flips


def test_flipped_bit_in_any_byte_of_any_file_is_found_and_the_file_named(tmp_path: Path) -> None:
    bag = make_bag(tmp_path / "archive", sources(tmp_path / "session"))
    (bag / "data/photographs/horn.png").write_bytes(b"\x89PNG tiny")
    held = contents(bag)
    payload = {name: content for name, content in held.items() if name.startswith("data/")}
    (bag / "manifest-sha256.txt").write_bytes(manifest_of(payload))
    info = held["bag-info.txt"].decode().split("Bag-Size")[0]
    (bag / "bag-info.txt").write_bytes(info.encode())
    rewrite_tag_manifests(bag)
    assert validate(bag).findings == ()
    seed = 8493
    chance = random.Random(seed)  # noqa: S311 - repeatable damage, no secrets
    tried = 0
    for name in contents(bag):
        path = bag / name
        whole = path.read_bytes()
        for offset, bit in _flips(path, chance):
            damaged = bytearray(whole)
            damaged[offset] ^= bit
            path.write_bytes(damaged)
            report = validate(bag, None, 1)
            told = [f for f in report.findings if f.severity is Severity.ERROR]
            assert told, f"seed {seed}: {name} byte {offset} bit {bit:#x} was not noticed"
            assert any(f.where.file == name or name in f.message for f in told), (name, offset)
            tried += 1
        path.write_bytes(whole)
    assert tried == sum(map(len, contents(bag).values())) > 900


def test_every_bit_of_the_first_line_of_bagit_txt_and_of_a_manifest_is_guarded(bag: Path) -> None:
    for name in ("bagit.txt", "manifest-sha256.txt"):
        path = bag / name
        whole = path.read_bytes()
        for offset in range(whole.index(b"\n") + 1):
            for bit in range(8):
                damaged = bytearray(whole)
                damaged[offset] ^= 1 << bit
                path.write_bytes(damaged)
                assert not validate(bag, None, 1).valid
        path.write_bytes(whole)


# Rules that the public suite does not isolate.


ANYWHERE = ["100%.txt", "%0A", "%25", "a\x85b", "a\u2028b", " a"]
NOT_ON_WINDOWS = ["a\nb", "a\rb", "a\r\nb", "a ", "a\\b"]


@pytest.mark.parametrize("name", ANYWHERE if os.name == "nt" else ANYWHERE + NOT_ON_WINDOWS)
def test_any_name_is_found_again(tmp_path: Path, name: str) -> None:
    assert validate(write_bag(tmp_path / "bag", {name: b"x"})).valid


def test_name_written_without_encoding_the_percent_sign_is_found_but_not_valid(
    tmp_path: Path,
) -> None:
    bag = write_bag(tmp_path / "bag", {"100%.txt": b"x"})
    manifest = bag / "manifest-sha256.txt"
    manifest.write_bytes(manifest.read_bytes().replace(b"%25", b"%"))
    rewrite_tag_manifests(bag)
    assert codes(validate(bag)) == {"bag-percent-stray"}


def test_file_whose_very_name_looks_encoded_is_found_with_a_warning(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", {"a%25b.txt": b"x"})
    manifest = bag / "manifest-sha256.txt"
    manifest.write_bytes(manifest.read_bytes().replace(b"%2525", b"%25"))
    rewrite_tag_manifests(bag)
    report = validate(bag)
    assert report.valid
    assert warnings(report) == {"bag-name-other-form"}


def test_file_missing_from_one_of_two_manifests_is_told_since_1_0(tmp_path: Path) -> None:
    for version, expected in (("1.0", {"bag-file-unlisted"}), ("0.97", set())):
        bag = write_bag(tmp_path / version, PAYLOAD, version=version)
        lines = manifest_of({f"data/{n}": c for n, c in PAYLOAD.items()}, "sha512")
        (bag / "manifest-sha512.txt").write_bytes(b"".join(lines.splitlines(keepends=True)[1:]))
        rewrite_tag_manifests(bag)
        report = validate(bag)
        assert codes(report) == expected
        assert all("manifest-sha512.txt" in f.message for f in report.findings)


def test_tag_manifest_must_list_every_payload_manifest(bag: Path) -> None:
    tagmanifest = bag / "tagmanifest-sha256.txt"
    tagmanifest.write_bytes(tagmanifest.read_bytes().splitlines(keepends=True)[0])
    report = validate(bag)
    assert codes(report) == {"bag-tag-manifest-incomplete"}
    assert report.not_looked_at == ("manifest-sha256.txt",)


def test_tag_file_in_no_tag_manifest_is_only_a_note(bag: Path) -> None:
    (bag / "notes.txt").write_bytes(b"x")
    report = validate(bag)
    assert report.valid
    assert [f.code for f in report.findings] == ["bag-tag-unlisted"]
    assert report.not_looked_at == ("notes.txt",)
    assert report.bytes_read == report.bytes_held - 1
    assert judged_valid(bag)


def test_bag_without_tag_manifest_is_valid_with_a_warning(tmp_path: Path) -> None:
    report = validate(write_bag(tmp_path / "bag", PAYLOAD, tag_manifest=False))
    assert report.valid
    assert "bag-tag-manifest-missing" in warnings(report)


def test_missing_tag_file_is_told(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", PAYLOAD, extra={"metadata/x.json": b"{}"})
    (bag / "metadata/x.json").unlink()
    report = validate(bag)
    assert codes(report) == {"bag-file-missing"}
    assert report.findings[0].where.file == "metadata/x.json"
    assert not judged_valid(bag)


@pytest.mark.parametrize(
    ("name", "code"),
    [("bagit.txt", "bag-declaration-missing"), ("manifest-sha256.txt", "bag-manifest-missing")],
)
def test_missing_required_file_is_told(bag: Path, name: str, code: str) -> None:
    (bag / name).unlink()
    assert code in codes(validate(bag))
    assert not judged_valid(bag)


def test_payload_directory_that_is_missing_or_a_file_is_told(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", {})
    (bag / "data").rmdir()
    assert codes(validate(bag)) == {"bag-data-missing"}
    (bag / "data").write_bytes(b"x")
    assert "bag-data-missing" in codes(validate(bag))


def test_empty_payload_with_an_empty_manifest_is_accepted(tmp_path: Path) -> None:
    assert validate(write_bag(tmp_path / "bag", {})).valid


def test_unknown_algorithm_cannot_be_established_and_never_is_valid(bag: Path) -> None:
    (bag / "manifest-whirlpool.txt").write_bytes(
        "".join(f"{'0' * 128}  data/{name}\n" for name in PAYLOAD).encode()
    )
    rewrite_tag_manifests(bag)
    report = validate(bag)
    assert report.verdict is Verdict.UNDECIDED
    assert codes(report) == {"bag-algorithm-unknown"}


def test_bag_with_only_an_unknown_algorithm_is_not_looked_at(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", PAYLOAD, tag_manifest=False)
    (bag / "manifest-sha256.txt").rename(bag / "manifest-crc32.txt")
    report = validate(bag)
    assert report.verdict is Verdict.UNDECIDED
    assert {file.outcome for file in report.files} == {Outcome.UNKNOWN}
    assert set(report.not_looked_at) >= {f"data/{name}" for name in PAYLOAD}


@pytest.mark.parametrize("algorithm", ["sha1", "sha224", "sha384", "sha512", "sha3256", "blake2b"])
def test_other_algorithms_are_verified(tmp_path: Path, algorithm: str) -> None:
    python = {"sha3256": "sha3_256"}.get(algorithm, algorithm)
    bag = write_bag(tmp_path / "bag", PAYLOAD, algorithm=python, tag_manifest=False)
    (bag / f"manifest-{python}.txt").rename(bag / f"manifest-{algorithm}.txt")
    assert validate(bag).valid
    _extend(bag)
    assert codes(validate(bag)) == {"bag-checksum-differs"}


@pytest.mark.parametrize("stated", ["1.1", "16396.2", "16397.3"])
def test_payload_oxum_that_is_wrong_is_told(tmp_path: Path, stated: str) -> None:
    extra = {"bag-info.txt": f"Payload-Oxum: {stated}\n".encode()}
    bag = write_bag(tmp_path / "bag", PAYLOAD, extra=extra)
    report = validate(bag)
    assert codes(report) == {"bag-oxum"}
    assert "16396 bytes in 3 files" in report.findings[0].message
    assert not judged_valid(bag)


def test_fetch_is_never_followed_and_what_is_missing_makes_the_bag_incomplete(
    tmp_path: Path,
) -> None:
    extra = {"fetch.txt": b"https://museum.example/a 6 data/a.txt\n"}
    bag = write_bag(tmp_path / "bag", PAYLOAD, extra=extra)
    assert validate(bag).valid
    _remove(bag)
    report = validate(bag)
    assert codes(report) == {"bag-fetch-pending"}
    assert not judged_valid(bag)


def test_fetch_of_a_file_outside_every_manifest_is_told(tmp_path: Path) -> None:
    extra = {"fetch.txt": b"https://museum.example/z 6 data/z.txt\n"}
    assert codes(validate(write_bag(tmp_path / "bag", PAYLOAD, extra=extra))) == {
        "bag-fetch-unlisted"
    }


def test_payload_that_is_itself_a_bag_is_only_payload(tmp_path: Path) -> None:
    inner = {
        "bagit.txt": b"BagIt-Version: 9.9\n",
        "manifest-md5.txt": b"junk\n",
        "data/x": b"x",
    }
    assert validate(write_bag(tmp_path / "bag", inner)).findings == ()


def test_name_listed_in_two_cases_is_a_warning_before_1_0_only(tmp_path: Path) -> None:
    # The public suite's case "duplicate file with different case".
    for version, expected in (("0.97", set()), ("1.0", {"bag-file-missing"})):
        bag = write_bag(tmp_path / version, {"hello.txt": b"x"}, version=version)
        manifest = bag / "manifest-sha256.txt"
        line = manifest.read_bytes()
        manifest.write_bytes(line + line.replace(b"hello", b"HELLO"))
        rewrite_tag_manifests(bag)
        assert codes(validate(bag)) == expected


def test_name_listed_in_two_unicode_forms_is_a_warning_before_1_0_only(tmp_path: Path) -> None:
    # The public suite's case "same filename listed twice with different normalization".
    for version, expected in (("0.97", set()), ("1.0", {"bag-file-missing"})):
        bag = write_bag(tmp_path / version, {"caf\u00e9": b"x"}, version=version)
        manifest = bag / "manifest-sha256.txt"
        line = manifest.read_bytes()
        manifest.write_bytes(line + line.replace("\u00e9".encode(), "e\u0301".encode()))
        rewrite_tag_manifests(bag)
        assert codes(validate(bag)) == expected


def test_two_files_whose_names_differ_only_in_form_are_told_apart(tmp_path: Path) -> None:
    # Compared without a disk, since some file systems hold both names as one.
    names = ("data/caf\u00e9", "data/cafe\u0301")
    bag = write_bag(tmp_path / "bag", {})
    (bag / "manifest-sha256.txt").write_bytes(manifest_of(dict.fromkeys(names, b"x")))
    tree = Tree(
        files=tuple(TreeFile(path=name, size=1, kind=Kind.FILE) for name in names),
        has_data=True,
        findings=(),
    )
    comparison = compare(read_bag(bag), tree)
    assert set(comparison.expected) == set(names)
    assert comparison.missing == {}
    assert "bag-names-collide" in {f.code for f in comparison.findings}


def test_system_files_are_a_warning(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", {".DS_Store": b"", "Thumbs.db": b"x"})
    report = validate(bag)
    assert report.valid
    assert warnings(report) == {"bag-system-file"}


def test_name_that_another_system_refuses_is_a_warning(tmp_path: Path) -> None:
    # Compared without a disk, since Windows could not hold these names.
    bag = write_bag(tmp_path / "bag", {})
    names = ("data/a:b", "data/con.wav", "data/x.")
    files_ = tuple(TreeFile(path=name, size=1, kind=Kind.FILE) for name in names)
    found = compare(read_bag(bag), Tree(files=files_, has_data=True, findings=())).findings
    assert [f.where.file for f in found if f.code == "bag-name-obstacle"] == list(names)


# What must never be opened.

HOSTILE = [
    "../outside.txt",
    "../../outside.txt",
    "data/../../outside.txt",
    "/etc/passwd",
    "~/x",
    "~root/x",
    "C:\\Windows\\System32\\setx.exe",
    "%HomeDrive%\\Windows\\x",
    "\\\\?\\UNC\\server\\share\\x",
    "..\\outside.txt",
]


@pytest.mark.parametrize("path", HOSTILE)
@pytest.mark.parametrize("where", ["manifest-sha256.txt", "tagmanifest-sha256.txt", "fetch.txt"])
def test_path_out_of_the_bag_is_refused_before_anything_is_opened(
    bag: Path, path: str, where: str
) -> None:
    outside = bag.parent / "outside.txt"
    outside.write_bytes(b"secret")
    digest = hashlib.sha256(b"secret").hexdigest()
    line = f"https://x.example/ - {path}\n" if where == "fetch.txt" else f"{digest}  {path}\n"
    with (bag / where).open("ab") as file:
        file.write(line.encode())
    if where != "tagmanifest-sha256.txt":
        rewrite_tag_manifests(bag)
    seam = FaultySeam()
    with files.use(seam):
        report = validate(bag)
    assert codes(report) == {"bag-path-dangerous"}
    opened = [call.path for call in seam.calls if call.operation == "open_read"]
    assert opened
    assert all(place.resolve().is_relative_to(bag) for place in opened)


def _link(bag: Path, target: str | Path) -> None:
    (bag / "data/a.txt").unlink()
    (bag / "data/a.txt").symlink_to(target)


def test_link_out_of_the_bag_is_refused_and_not_followed(bag: Path) -> None:
    outside = bag.parent / "outside.txt"
    outside.write_bytes(PAYLOAD["a.txt"])
    _link(bag, outside)
    seam = FaultySeam()
    with files.use(seam):
        report = validate(bag)
    assert codes(report) == {"bag-link"}
    assert not [c for c in seam.calls if c.operation == "open_read" and c.path.name == "a.txt"]


@pytest.mark.parametrize("target", ["nowhere", "a.txt", "sub"])
def test_link_to_nothing_itself_or_a_directory_is_refused(bag: Path, target: str) -> None:
    _link(bag, target)
    assert codes(validate(bag)) == {"bag-link"}


def test_link_within_the_bag_is_followed_with_a_warning(bag: Path) -> None:
    (bag / "data/copy.txt").write_bytes(PAYLOAD["a.txt"])
    payload = {f"data/{n}": c for n, c in (PAYLOAD | {"copy.txt": PAYLOAD["a.txt"]}).items()}
    (bag / "manifest-sha256.txt").write_bytes(manifest_of(payload))
    rewrite_tag_manifests(bag)
    _link(bag, "copy.txt")
    report = validate(bag)
    assert report.valid
    assert warnings(report) == {"bag-link-inside"}
    (bag / "data/copy.txt").write_bytes(b"other")
    assert codes(validate(bag)) == {"bag-checksum-differs"}


def test_linked_directory_is_not_walked(bag: Path) -> None:
    outside = bag.parent / "outside"
    (bag / "data/sub").rename(outside)
    (bag / "data/sub").symlink_to(outside)
    assert codes(validate(bag)) >= {"bag-link", "bag-file-missing"}


def test_linked_tag_file_is_refused(bag: Path) -> None:
    (bag / "manifest-sha256.txt").rename(bag.parent / "m")
    (bag / "manifest-sha256.txt").symlink_to(bag.parent / "m")
    assert "bag-link" in codes(validate(bag))


class WithPipe(OperatingSystem):
    """A file system on which ``a.txt`` is a pipe; not every system can make one."""

    def listing(self, path: Path) -> list[Entry]:
        return [
            replace(entry, is_file=False) if entry.name == "a.txt" else entry
            for entry in super().listing(path)
        ]


class WithoutSizes(OperatingSystem):
    """A file system that lists names and tells nothing of them."""

    def listing(self, path: Path) -> list[Entry]:
        return [replace(entry, size=None) for entry in super().listing(path)]


def test_file_of_unknown_size_leaves_validity_open(bag: Path) -> None:
    with files.use(WithoutSizes()):
        report = validate(bag)
    assert report.verdict is Verdict.UNDECIDED
    assert codes(report) == {"bag-file-not-opened"}


def test_pipe_is_refused_and_not_opened(bag: Path) -> None:
    seam = FaultySeam(inner=WithPipe())
    with files.use(seam):
        report = validate(bag)
    assert codes(report) == {"bag-file-special"}
    assert "data/a.txt" in report.not_looked_at
    assert not [c for c in seam.calls if c.operation == "open_read" and c.path.name == "a.txt"]


def test_bag_reached_through_a_link_is_read(bag: Path) -> None:
    link = bag.parent / "link"
    link.symlink_to(bag)
    assert validate(link).valid


def test_path_that_is_no_directory_is_misuse(bag: Path) -> None:
    with pytest.raises(MisuseError, match="not a directory"):
        read_bag(bag / "bagit.txt")
    with pytest.raises(SurroundingsError, match="does not exist"):
        read_bag(bag.parent / "none")


# Reading that fails.


def test_unreadable_sector_is_named_and_all_other_files_are_verified(bag: Path) -> None:
    (bag / "data/c.txt").write_bytes(b"other")
    seam = FaultySeam(unreadable_from={"b.bin": 5000})
    with files.use(seam):
        report = validate(bag)
    assert seam.injected
    assert codes(report) == {"bag-file-unreadable", "bag-checksum-differs"}
    messages = {f.where.file: f.message for f in report.findings}
    assert "past byte 5000" in messages["data/sub/b.bin"]
    outcomes = {file.path: file.outcome for file in report.files}
    assert outcomes["data/sub/b.bin"] is Outcome.UNREADABLE
    assert outcomes["data/a.txt"] is Outcome.INTACT
    assert outcomes["data/c.txt"] is Outcome.DIFFERS


@pytest.mark.parametrize(
    ("operation", "name"),
    [("open_read", "a.txt"), ("open_read", "bagit.txt"), ("listing", "sub")],
)
def test_refused_permission_leaves_validity_open(bag: Path, operation: str, name: str) -> None:
    seam = FaultySeam(errno=errno.EACCES, refused={(operation, name)})
    with files.use(seam):
        report = validate(bag)
    assert seam.injected
    assert "bag-file-not-opened" in codes(report)
    assert not report.valid


def test_file_that_reads_wrongly_once_is_told_from_one_that_is_wrong(bag: Path) -> None:
    seam = FaultySeam(flipped_once={"b.bin": 700})
    with files.use(seam):
        report = validate(bag)
    assert seam.injected == 1
    assert report.valid
    assert warnings(report) == {"bag-reading-unsteady"}
    assert "drop_cache" in {call.operation for call in seam.calls}
    assert {f.outcome for f in report.files if f.path == "data/sub/b.bin"} == {Outcome.UNSTEADY}
    _extend(bag)
    assert "a second reading gave the same" in validate(bag).findings[0].message


def test_file_that_reads_differently_each_time_is_told(bag: Path) -> None:
    _extend(bag)
    with files.use(FaultySeam(flipped_once={"b.bin": 700})):
        report = validate(bag)
    assert "the disk or this machine is failing" in report.findings[0].message


def test_validation_writes_nothing(bag: Path) -> None:
    seam = FaultySeam()
    before = {path: path.stat().st_mtime_ns for path in bag.rglob("*")}
    with files.use(seam):
        validate(bag)
    reading = {"open_read", "read", "listing", "status", "resolved"}
    assert {call.operation for call in seam.calls} <= reading
    assert {path: path.stat().st_mtime_ns for path in bag.rglob("*")} == before


@pytest.mark.parametrize("workers", [1, 2, 7])
def test_findings_do_not_depend_on_the_number_of_threads(bag: Path, workers: int) -> None:
    _swap_files(bag)
    _remove(bag)
    counted: list[int] = []
    report = validate(bag, counted.append, workers)
    assert report == validate(bag)
    assert sum(counted) == sum(
        len(content)
        for path, content in contents(bag).items()
        if not path.startswith("tagmanifest-")
    )


def test_no_more_files_are_open_than_there_are_threads(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", {f"{n:03d}": b"x" for n in range(300)})
    seam = FaultySeam()
    with files.use(seam):
        assert validate(bag, workers=4).valid
    assert seam.most_open_files <= 4
    assert seam.open_files == 0


def test_interrupt_ends_the_hashing(bag: Path) -> None:
    def interrupted(count: int) -> None:
        del count
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        validate(bag, interrupted, 2)
