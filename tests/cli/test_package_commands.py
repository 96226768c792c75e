"""Packing and unpacking on the command line.

Judge of the reports: the jsonschema library, by JSON Schema draft 2020-12.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from archiver.cli.package_commands import bytes_of
from archiver.cli.package_views import check_lines
from archiver.errors import MisuseError
from archiver.schema_store import schema
from tests.cli.running import Ran, Runner
from tests.cli.test_custody_reports import parts
from tests.package.hostile_packages import TOP, member, tar_with
from tests.package.small_bags import contents, write_bag
from tests.pipeline.handing import PAYLOAD, both_sides, small_bag

NOISE = hashlib.shake_256(b"noise").digest(200_000)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return write_bag(tmp_path / "archive" / TOP, {"t01.wav": NOISE, "notes.txt": b"no. 3\n"})


def held(ran: Ran, name: str) -> dict[str, Any]:
    """The report, once it holds to its schema."""
    document: dict[str, Any] = json.loads(ran.out)
    Draft202012Validator(schema(name)).validate(document)
    assert document.get("exit_status", ran.status) == ran.status
    return document


@pytest.mark.parametrize("name", ["pack-report", "unpack-report"])
def test_schema_says_of_every_field_what_it_is_and_gives_valid_examples(name: str) -> None:
    document = schema(name)
    Draft202012Validator.check_schema(document)
    for path, part in parts(document):
        assert part["description"].endswith("."), path
        assert part["examples"], path
        for example in part["examples"]:
            assert Draft202012Validator(part).is_valid(example), (path, example)
        if "properties" in part:
            assert part["additionalProperties"] is False, path


@pytest.mark.parametrize("form", ["tar", "tar.gz", "tar.zst", "zip"])
def test_a_bag_is_packed_and_unpacked_in_every_form(
    run: Runner, bag: Path, tmp_path: Path, form: str
) -> None:
    out, store = tmp_path / "out", tmp_path / "store"
    packed = held(run("pack", bag, "--to", out, "--form", form, "--json"), "pack-report")
    assert packed["package"] == f"{TOP}.{form}"
    (file,) = packed["files"]
    content = (out / file["name"]).read_bytes()
    assert file["sha256"] == hashlib.sha256(content).hexdigest()
    assert file["bytes"] == packed["bytes"] == len(content)
    (one,) = held(run("unpack", out / file["name"], "--to", store, "--json"), "unpack-report")[
        "packages"
    ]
    assert one["bag"]["verdict"] == "valid"
    assert one["bag"]["place"] == str(store / TOP)
    assert contents(store / TOP) == contents(bag)


def test_parts_are_written_and_joined(run: Runner, bag: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    ran = run("pack", bag, "--to", out, "--part-size", "100kB")
    assert ran.status == 0, ran.err
    assert f"sha256sum -c {TOP}.tar.sha256" in ran.out
    assert f"cat {TOP}.tar.???? > {TOP}.tar" in ran.out
    assert len(list(out.glob("*.tar.0*"))) == 3
    ran = run("unpack", *out.iterdir(), "--to", tmp_path / "store")
    assert ran.status == 0, ran.err
    assert "valid" in ran.out
    assert contents(tmp_path / "store" / TOP) == contents(bag)


@pytest.mark.skipif(os.name == "nt", reason="the shell of POSIX and coreutils judge")
@pytest.mark.parametrize("name", ["it's/bag one", "-dash", "plain"])
def test_the_lines_that_are_shown_can_be_pasted(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    bag = write_bag(tmp_path / "my bags" / name, {"t01.wav": NOISE})
    out = tmp_path / "to go" / name
    ran = run("pack", bag, "--to", out, "--part-size", "100kB")
    assert ran.status == 0, ran.err
    monkeypatch.chdir("/")
    lines = dict(re.findall(r"(?m)^(Check|Join): +(.+)$", ran.out))
    for line in (lines["Check"], lines["Join"]):
        done = subprocess.run(["/bin/sh", "-c", line], capture_output=True, text=True, check=False)
        assert done.returncode == 0, (line, done.stderr)
    assert tarfile.is_tarfile(out / f"{bag.name}.tar")


def test_the_lines_for_windows_and_macos_name_what_is_there() -> None:
    (check,) = check_lines("/my bags", "a.tar.sha256", "a.tar", 1, platform="darwin")
    assert check == "Check: (cd '/my bags' && shasum -a 256 -c a.tar.sha256)"
    lines = check_lines("D:\\my bags", "a.tar.sha256", "a.tar", 2, platform="win32")
    assert lines == [
        'Check: certutil -hashfile "D:\\my bags\\a.tar.0001" SHA256',
        "       and compare with a.tar.sha256, and so on for each part",
        'Join:  copy /b "D:\\my bags\\a.tar.0001" + "D:\\my bags\\a.tar.0002" "D:\\my bags\\a.tar"',
    ]


def test_a_package_of_only_new_files_is_intact_and_says_what_completes_it(
    run: Runner, tmp_path: Path
) -> None:
    both = both_sides(tmp_path)
    both.deposit(small_bag(tmp_path / "home" / "lhm-1"))
    (received,) = both.receive(clear=True)
    assert received.papers is not None
    both.import_receipt(received.papers / "receipt.json")
    new = small_bag(
        tmp_path / "home" / "lhm-1-v2", PAYLOAD | {"documents/new.txt": b"new"}, version=2
    )
    (sent,) = both.deposit(new, only_new=True)
    assert sent.files_referenced == 3
    package = both.inbox / sent.deposit / "lhm-1-v2.tar"
    report = held(run("unpack", package, "--to", tmp_path / "store", "--json"), "unpack-report")
    (one,) = report["packages"]
    assert [finding["code"] for finding in one["findings"]] == ["package-not-whole"]
    assert one["exit_status"] == 1
    assert "intact, and 3 files of an earlier version" in one["error"]
    assert "archiver receive" in one["error"]
    assert not (tmp_path / "store").exists()
    content = bytearray(package.read_bytes())
    at = content.index(b"\0new\0") + 1
    content[at] ^= 1
    package.write_bytes(content)
    ran = run("unpack", package, "--to", tmp_path / "store")
    assert ran.status == 3, ran.out


@pytest.mark.skipif(os.name == "nt", reason="the shell of POSIX judges")
def test_a_folder_of_packages_is_told_with_the_line_that_unpacks_them(
    run: Runner, bag: Path, tmp_path: Path
) -> None:
    out, store = tmp_path / "to go", tmp_path / "my store"
    run("pack", bag, "--to", out)
    ran = run("unpack", out, "--to", store)
    said = " ".join(ran.err.split())
    assert ran.status == 2
    assert "is a folder of packages" in said
    line = ran.err[ran.err.index("archiver unpack") :].partition("\n")[0].removesuffix(".")
    expanded = subprocess.run(
        ["/bin/sh", "-c", f'printf "%s\\n" {line.removeprefix("archiver ")}'],
        capture_output=True, encoding="utf-8", check=True,
    )  # fmt: skip
    assert run(*expanded.stdout.splitlines()).status == 0
    assert contents(store / TOP) == contents(bag)


def test_a_package_without_a_bag_is_told_as_that(run: Runner, tmp_path: Path) -> None:
    with tarfile.open(tmp_path / "photos.tar", "w") as opened:
        opened.add(__file__, "photos/a.txt")
    ran = run("unpack", tmp_path / "photos.tar", "--to", tmp_path / "store")
    said = " ".join(ran.out.split())
    assert ran.status == 1
    assert "it holds no bag" in said
    assert "once more" not in said


def test_a_name_that_is_refused_is_for_whoever_packs_to_change(run: Runner, tmp_path: Path) -> None:
    hidden = write_bag(tmp_path / ".hidden", {"t01.wav": NOISE})
    ran = run("pack", hidden, "--to", tmp_path / "out")
    said = " ".join(ran.err.split())
    assert ran.status == 1
    assert "Give the folder of the bag another name" in said
    assert "Do not unpack" not in said
    inner = write_bag(tmp_path / "inner", {"what?.wav": NOISE})
    ran = run("pack", inner, "--to", tmp_path / "out")
    said = " ".join(ran.err.split())
    assert "Make a new version of the bag in which it has another name" in said
    assert "--any-names" in said


def test_a_damaged_part_is_named(run: Runner, bag: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run("pack", bag, "--to", out, "--part-size", "100kB")
    victim = out / f"{TOP}.tar.0002"
    content = bytearray(victim.read_bytes())
    content[1000] ^= 1
    victim.write_bytes(content)
    report = held(
        run("unpack", out / f"{TOP}.tar.sha256", "--to", tmp_path / "store", "--json"),
        "unpack-report",
    )
    assert report["exit_status"] == 3
    (one,) = report["packages"]
    assert f"{victim.name} is not what the list says" in one["error"]
    assert {"package-bag-differs", "bag-checksum-differs"} <= {f["code"] for f in one["findings"]}
    assert not (tmp_path / "store").exists()


def test_a_package_that_was_damaged_before_it_was_listed_is_told_apart(
    run: Runner, bag: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run("pack", bag, "--to", out)
    package, listing = out / f"{TOP}.tar", out / f"{TOP}.tar.sha256"
    content = bytearray(package.read_bytes())
    content[-20_000] ^= 1
    package.write_bytes(content)
    ran = run("unpack", package, "--to", tmp_path / "store")
    assert ran.status == 3
    assert f"{package.name} is not what the list says" in " ".join(ran.out.split())
    (line,) = [x for x in listing.read_text(encoding="utf-8").splitlines() if not x.startswith("#")]
    text = listing.read_text(encoding="utf-8")
    digest = hashlib.sha256(content).hexdigest()
    listing.write_text(text.replace(line[:64], digest), encoding="utf-8")
    ran = run("unpack", package, "--to", tmp_path / "store")
    assert "so it was damaged before it was listed" in " ".join(ran.out.split())
    listing.unlink()
    ran = run("unpack", package, "--to", tmp_path / "store")
    assert ran.status == 3
    assert "list" not in ran.out


def test_a_hostile_package_does_not_keep_the_others_waiting(
    run: Runner, bag: Path, tmp_path: Path
) -> None:
    run("pack", bag, "--to", tmp_path / "out")
    evil = tmp_path / "evil.tar"
    evil.write_bytes(tar_with(member(f"{TOP}/data/l", kind=b"2", link=b"/etc/passwd")))
    store = tmp_path / "store"
    ran = run("unpack", evil, tmp_path / "out" / f"{TOP}.tar", "--to", store)
    assert ran.status == 1
    assert "symbolic link" in ran.out
    assert "package-link" in ran.out
    assert contents(store / TOP) == contents(bag)
    report = held(run("unpack", evil, "--to", tmp_path / "other", "--json"), "unpack-report")
    assert report["packages"][0]["findings"][0]["code"] == "package-link"
    assert not (tmp_path / "other").exists()


def test_the_reason_why_a_package_is_refused_can_be_explained(run: Runner) -> None:
    ran = run("check", "--explain", "package-entries-overlap")
    assert ran.status == 0
    assert "share" in ran.out


def test_a_limit_can_be_set_and_is_named(run: Runner, bag: Path, tmp_path: Path) -> None:
    run("pack", bag, "--to", tmp_path / "out")
    package = tmp_path / "out" / f"{TOP}.tar"
    for option, value, code in (
        ("--most-size", "100kB", "package-too-much"),
        ("--most-files", "3", "package-too-many"),
    ):
        ran = run("unpack", package, "--to", tmp_path / "store", option, value)
        assert ran.status == 1
        assert code in ran.out
    assert run("unpack", package, "--to", tmp_path / "store", "--most-size", "1 MB").status == 0


def test_nothing_is_overwritten(run: Runner, bag: Path, tmp_path: Path) -> None:
    run("pack", bag, "--to", tmp_path / "out")
    ran = run("pack", bag, "--to", tmp_path / "out")
    assert ran.status == 2
    assert "overwritten" in ran.err
    ran = run("unpack", tmp_path / "out" / f"{TOP}.tar", "--to", tmp_path / "archive")
    assert ran.status == 2
    assert "overwritten" in ran.out


@pytest.mark.parametrize("place", ["", "data", "out/more"])
def test_nothing_is_written_into_the_bag(run: Runner, bag: Path, place: str) -> None:
    before = contents(bag)
    ran = run("pack", bag, "--to", bag / place)
    assert ran.status == 2
    assert "which nothing may be added to" in ran.err.replace("\n", " ")
    assert contents(bag) == before


def test_a_damaged_bag_is_not_packed(run: Runner, bag: Path, tmp_path: Path) -> None:
    content = bytearray(NOISE)
    content[7] ^= 1
    (bag / "data" / "t01.wav").write_bytes(content)
    ran = run("pack", bag, "--to", tmp_path / "out", "--json")
    assert ran.status == 3
    assert json.loads(ran.out)["where"].endswith("t01.wav")
    assert "the manifest says" in ran.err
    assert not (tmp_path / "out").exists()


def test_a_name_that_others_would_refuse_is_packed_only_when_asked(
    run: Runner, tmp_path: Path
) -> None:
    if os.name == "nt":  # such a name cannot lie there
        return
    bag = write_bag(tmp_path / TOP, {"what?.txt": b"1"})
    ran = run("pack", bag, "--to", tmp_path / "out", "--json")
    assert ran.status == 1
    assert json.loads(ran.out)["code"] == "package-name-character"
    assert run("pack", bag, "--to", tmp_path / "out", "--any-names").status == 0
    package = tmp_path / "out" / f"{TOP}.tar"
    assert run("unpack", package, "--to", tmp_path / "store").status == 1
    assert run("unpack", package, "--to", tmp_path / "store", "--any-names").status == 0


def test_the_time_of_the_members_can_be_pinned(
    run: Runner, bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, pinned in enumerate(("", "1000000000", "1000000000")):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", pinned)
        run("pack", bag, "--to", tmp_path / f"out-{number}")
    made = [(tmp_path / f"out-{n}" / f"{TOP}.tar").read_bytes() for n in range(3)]
    assert made[1] == made[2] != made[0]


@pytest.mark.parametrize(
    "arguments",
    [
        ("pack", "nowhere", "--to", "out"),
        ("pack", "archive", "--to", "out", "--form", "rar"),
        ("pack", "archive", "--to", "out", "--part-size", "two"),
        ("pack", "archive", "--to", "out", "--part-size", "1kB"),
        ("unpack", "nowhere.tar", "--to", "out"),
        ("unpack", "archive", "--to", "out"),
        ("unpack", "note.txt", "--to", "out"),
    ],
)
def test_what_cannot_be_done_is_told_without_a_traceback(
    run: Runner,
    bag: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "note.txt").write_text("hello\n", encoding="utf-8")
    if arguments[0] == "pack" and arguments[1] == "archive":
        arguments = ("pack", str(bag), *arguments[2:])
    ran = run(*arguments)
    assert ran.status in {1, 2, 4}
    assert "Traceback" not in ran.err
    assert ran.err or ran.out
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("2GB", 2 * 10**9),
        ("4.7 gb", 4_700_000_000),
        ("700 MiB", 700 << 20),
        ("65536", 65_536),
        ("1.5kB", 1500),
    ],
)
def test_a_size_is_read_as_people_write_it(text: str, size: int) -> None:
    assert bytes_of(text, "--part-size") == size


@pytest.mark.parametrize("text", ["", "GB", "-1GB", "2 parsecs", "1e9", "1.2345GB", "१GB"])
def test_what_is_no_size_is_misuse(text: str) -> None:
    with pytest.raises(MisuseError, match="no size"):
        bytes_of(text, "--part-size")
