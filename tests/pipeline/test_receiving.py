"""Receiving: what passes is in the store in one step, what does not is set aside with a letter.

Packages are made by the tarfile module of the standard library where they are hostile.
"""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import shutil
import tarfile
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from archiver import files
from archiver.custody.entry import EntryKind
from archiver.custody.ledger import open_ledger
from archiver.custody.store import bags_of, opened_store
from archiver.errors import ArchiverError, MisuseError
from archiver.package.named_information import ni_of
from archiver.pipeline.audit import AuditPlan, audit_store
from archiver.pipeline.receiving import receive_packages
from archiver.pipeline.receiving_outcome import PackageOutcome, ReceivedPackage
from tests.custody.tls_server import TlsServer, redirect, tls_server
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.small_bags import contents
from tests.pipeline.handing import PAYLOAD, Both, both_sides, same, small_bag


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return both_sides(tmp_path)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return small_bag(tmp_path / "home" / "bags" / "lhm-1")


def as_tar(bag: Path, target: Path, edit: Any = None) -> Path:
    """A package by the standard library; ``edit`` adds to it."""
    with tarfile.open(target, "w") as opened:
        opened.add(bag, bag.name)
        if edit is not None:
            edit(opened)
    return target


def kinds(both: Both) -> list[str]:
    with open_ledger(both.their_ledger, read_only=True) as ledger:
        return [entry.kind for entry in ledger.entries()]


def letter_of(received: ReceivedPackage) -> str:
    assert received.papers is not None
    text = (received.papers / "letter.txt").read_text(encoding="utf-8")
    return " ".join(text.split())


def held(both: Both) -> list[str]:
    with opened_store(str(both.store)) as store:
        return sorted(bags_of(store))


def is_refused(both: Both, received: ReceivedPackage, words: str) -> None:
    """It lies in quarantine as it arrived, the letter says why, and the store is empty."""
    assert (received.outcome, received.exit_status) == (PackageOutcome.QUARANTINED, 1)
    # A sentence of a letter begins with a capital.
    assert words.lower() in letter_of(received).lower()
    assert received.place is not None
    assert list(received.place.iterdir())
    assert not received.package.exists()
    assert kinds(both)[-1] == "quarantined"


# --- accepted -----------------------------------------------------------------------------


def test_what_passes_is_in_the_store_with_a_receipt_and_a_check_in_the_ledger(
    both: Both, bag: Path
) -> None:
    (sent,) = both.deposit(bag)
    (received,) = both.receive(reference="2026/117")
    assert (received.outcome, received.exit_status) == (PackageOutcome.ACCEPTED, 0)
    assert same(bag, both.store / "lhm-1")
    assert kinds(both) == ["received", "check"]
    assert received.papers is not None
    receipt = json.loads((received.papers / "receipt.json").read_text(encoding="utf-8"))
    assert receipt["decision"] == "accepted"
    assert receipt["deposit"] == sent.deposit
    assert receipt["reference"] == "2026/117"
    assert receipt["words"] == ["Egeskov State Sound Archive keeps lhm-1 from today."]
    page = (received.papers / "receipt.html").read_text(encoding="utf-8")
    assert receipt["bag"]["manifests"]["tagmanifest-sha256.txt"] in page
    audited = audit_store(AuditPlan(store=str(both.store), ledger=both.their_ledger))
    assert audited.exit_status == 0


def test_a_bag_as_a_folder_and_a_package_without_a_record_are_taken_too(
    both: Both, bag: Path
) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar")
    (received,) = both.receive(package)
    assert (received.outcome, received.deposit) == (PackageOutcome.ACCEPTED, "")
    both.use_form("folder")
    folder = small_bag(both.inbox / "lhm-2")
    (received,) = both.receive(folder)
    assert received.outcome is PackageOutcome.ACCEPTED
    assert held(both) == ["lhm-1", "lhm-2"]
    assert folder.exists()


def test_the_inbox_is_left_as_it_is_unless_it_is_to_be_cleared(both: Both, bag: Path) -> None:
    both.deposit(bag)
    before = contents(both.inbox)
    both.receive()
    assert contents(both.inbox) == before
    (again,) = both.receive(clear=True)
    assert again.outcome is PackageOutcome.HELD
    assert list(both.inbox.iterdir()) == []
    assert same(bag, both.store / "lhm-1")


def test_what_is_held_already_is_told_and_answered_with_the_same_receipt(
    both: Both, bag: Path
) -> None:
    both.deposit(bag)
    (first,) = both.receive()
    before = contents(both.root / "archive" / "receipts")
    (again,) = both.receive()
    assert (again.outcome, again.exit_status) == (PackageOutcome.HELD, 0)
    assert again.receipt == first.receipt
    assert contents(both.root / "archive" / "receipts") == before
    assert kinds(both) == ["received", "check"]
    # Another deposit of the same bag is another thing to be answered.
    (sent,) = both.deposit(bag, again=True)
    (third,) = both.receive(both.inbox / sent.deposit)
    assert third.outcome is PackageOutcome.HELD
    assert third.receipt != first.receipt
    assert third.papers is not None
    receipt = json.loads((third.papers / "receipt.json").read_text(encoding="utf-8"))
    assert receipt["already_held"] is True


@pytest.mark.parametrize("rotten", ["data/masters/t01.wav", "tagmanifest-sha256.txt"])
def test_a_held_bag_that_has_changed_is_no_ground_for_a_receipt_or_a_letter(
    both: Both, bag: Path, rotten: str
) -> None:
    both.deposit(bag)
    both.receive()
    (both.store / "lhm-1" / rotten).write_bytes(b"rot")
    (again,) = both.receive()
    assert (again.outcome, again.exit_status) == (PackageOutcome.FAILED, 3)
    assert "the bag that is held has changed" in str(again.error)
    assert again.package.exists()


def test_a_package_that_is_not_there_does_not_keep_the_others_waiting(
    both: Both, bag: Path
) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar")
    missing, taken = both.receive(both.inbox / "missing.tar", package)
    assert (missing.outcome, missing.exit_status) == (PackageOutcome.FAILED, 4)
    assert taken.outcome is PackageOutcome.ACCEPTED


def test_a_file_of_the_bags_name_in_the_store_is_never_replaced(both: Both, bag: Path) -> None:
    both.store.mkdir(parents=True)
    (both.store / "lhm-1").write_bytes(b"kept")
    (received,) = both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    is_refused(both, received, "another bag of the name")
    assert (both.store / "lhm-1").read_bytes() == b"kept"


def test_a_rehearsal_looks_at_everything_and_leaves_all_as_it_is(both: Both, bag: Path) -> None:
    both.deposit(bag)
    as_tar(bag, both.inbox / "cut.tar").write_bytes(b"no tar")
    both.store.mkdir(parents=True)
    before = contents(both.root)
    done = both.receive(rehearse=True)
    assert {str(one.outcome) for one in done} == {"would be accepted", "would be quarantined"}
    assert contents(both.root) == before
    assert list(both.store.iterdir()) == []
    assert not both.quarantine.exists()


def test_a_whole_inbox_is_gone_through_thing_by_thing(both: Both, bag: Path) -> None:
    both.deposit(bag)
    (cut,) = both.deposit(small_bag(both.root / "home" / "lhm-2"))
    (both.inbox / cut.deposit / "deposit.json").unlink()
    as_tar(small_bag(both.root / "home" / "lhm-3"), both.inbox / "lhm-3.tar")
    (both.inbox / "notes.txt").write_text("no package", encoding="utf-8")
    (both.inbox / ".lhm-4.tar.unfinished").write_bytes(b"on its way")
    done = both.receive(both.inbox)
    assert sorted(str(one.outcome) for one in done) == ["accepted", "accepted", "not complete yet"]
    assert {one.exit_status for one in done} == {0}
    assert held(both) == ["lhm-1", "lhm-3"]
    assert (both.inbox / "notes.txt").exists()
    # What does not grow any more is told to cron.
    for path in [both.inbox / cut.deposit, *(both.inbox / cut.deposit).iterdir()]:
        os.utime(path, (1, 1))
    assert max(one.exit_status for one in both.receive(both.inbox)) == 4
    # A deposit that is named itself and is not complete is never taken for an inbox.
    (one,) = both.receive(both.inbox / cut.deposit)
    assert one.outcome is PackageOutcome.INCOMPLETE


def test_parts_without_a_record_are_joined_by_their_list(both: Both, bag: Path) -> None:
    from archiver.package.form import Form
    from archiver.pipeline.packing import pack_bag

    pack_bag(bag, both.inbox, Form.TAR, part_bytes=70_000)
    (received,) = both.receive(both.inbox)
    assert received.outcome is PackageOutcome.ACCEPTED
    assert same(bag, both.store / "lhm-1")
    other = small_bag(both.root / "home" / "lhm-2")
    pack_bag(other, both.inbox, Form.TAR, part_bytes=70_000)
    (both.inbox / "lhm-2.tar.0002").unlink()
    (received,) = both.receive(both.inbox / "lhm-2.tar.sha256")
    assert received.outcome is PackageOutcome.QUARANTINED
    assert "lhm-2.tar.0002" in letter_of(received)


# --- not complete, damaged, hostile -----------------------------------------------------------


def test_what_is_still_on_its_way_is_left_where_it_is(both: Both, bag: Path) -> None:
    (sent,) = both.deposit(bag)
    (both.inbox / sent.deposit / "deposit.json").unlink()
    before = contents(both.inbox)
    (received,) = both.receive()
    assert (received.outcome, received.exit_status) == (PackageOutcome.INCOMPLETE, 4)
    assert contents(both.inbox) == before


def test_a_package_that_was_damaged_on_the_way_is_set_aside(both: Both, bag: Path) -> None:
    (sent,) = both.deposit(bag)
    package = both.inbox / sent.deposit / "lhm-1.tar"
    content = bytearray(package.read_bytes())
    content[len(content) // 2] ^= 1
    package.write_bytes(content)
    (received,) = both.receive()
    is_refused(both, received, "deposit.json states")
    assert held(both) == []
    assert f"your deposit {sent.deposit}" in letter_of(received)
    assert "Please correct" in letter_of(received)


def test_a_bag_damaged_before_it_was_packed_is_named_file_by_file(both: Both, bag: Path) -> None:
    (bag / "data/masters/t01.wav").write_bytes(b"rot")
    (bag / "data/documents/notes.txt").unlink()
    (received,) = both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    is_refused(both, received, "data/masters/t01.wav")
    assert "data/documents/notes.txt" in letter_of(received)
    assert {"bag-checksum-differs", "bag-file-missing"} <= {one.code for one in received.reasons}


def test_a_package_missing_from_its_deposit_is_told(both: Both, bag: Path) -> None:
    (sent,) = both.deposit(bag)
    (both.inbox / sent.deposit / "lhm-1.tar").unlink()
    (received,) = both.receive()
    is_refused(both, received, "it is not there")


def climbing(opened: tarfile.TarFile) -> None:
    entry = tarfile.TarInfo("lhm-1/../../evil")
    entry.size = 4
    opened.addfile(entry, io.BytesIO(b"evil"))


def linked(opened: tarfile.TarFile) -> None:
    entry = tarfile.TarInfo("lhm-1/data/link")
    entry.type, entry.linkname = tarfile.SYMTYPE, "/etc/passwd"
    opened.addfile(entry)


def device(opened: tarfile.TarFile) -> None:
    entry = tarfile.TarInfo("lhm-1/data/null")
    entry.type, entry.devmajor, entry.devminor = tarfile.CHRTYPE, 1, 3
    opened.addfile(entry)


def second(opened: tarfile.TarFile) -> None:
    entry = tarfile.TarInfo("other/bagit.txt")
    opened.addfile(entry, io.BytesIO())


@pytest.mark.parametrize("edit", [climbing, linked, device, second])
def test_a_hostile_package_is_set_aside_unopened_and_writes_nothing_outside(
    both: Both, bag: Path, edit: Any
) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar", edit)
    content = package.read_bytes()
    (received,) = both.receive(package)
    assert received.outcome is PackageOutcome.QUARANTINED
    assert received.place is not None
    assert (received.place / "lhm-1.tar").read_bytes() == content
    assert held(both) == []
    assert not list(both.root.rglob("evil"))


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="links cannot be made here")
def test_links_in_a_folder_are_refused_and_never_followed(both: Both, tmp_path: Path) -> None:
    both.use_form("folder")
    secret = tmp_path / "secret.txt"
    secret.write_text("not to be read", encoding="utf-8")
    for target in (secret, tmp_path):
        folder = small_bag(both.inbox / "lhm-1")
        (folder / "data" / "link").symlink_to(target)
        (received,) = both.receive(folder)
        is_refused(both, received, "stands for no file")
        assert received.place is not None
        assert (received.place / "lhm-1/data/link").is_symlink()
    assert secret.exists()
    link = both.inbox / "lhm-2"
    link.symlink_to(small_bag(tmp_path / "lhm-2"))
    (received,) = both.receive(link)
    assert (received.outcome, received.exit_status) == (PackageOutcome.FAILED, 2)
    assert held(both) == []


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda _: "{", "no JSON"),
        (lambda d: json.dumps(d | {"schema": "deposit 9"}), "'deposit 9'"),
        (lambda d: json.dumps(d | {"packages": [d["packages"][0] | {"name": "../a"}]}), "'../a'"),
        (lambda d: json.dumps(d | {"packages": [d["packages"][0] | {"name": "/etc/"}]}), "'/etc'"),
    ],
)
def test_a_record_that_lies_is_no_way_out_of_its_folder(
    both: Both, bag: Path, edit: Any, words: str
) -> None:
    (sent,) = both.deposit(bag)
    place = both.inbox / sent.deposit / "deposit.json"
    place.write_text(edit(json.loads(place.read_text(encoding="utf-8"))), encoding="utf-8")
    (received,) = both.receive()
    is_refused(both, received, words)


def test_a_bag_that_is_not_the_one_of_the_record_is_refused(both: Both, bag: Path) -> None:
    both.use_form("folder")
    (sent,) = both.deposit(bag)
    place = both.inbox / sent.deposit / "lhm-1"
    shutil.rmtree(place)
    small_bag(place, {"masters/other.wav": b"another bag altogether"})
    (received,) = both.receive()
    is_refused(both, received, "manifests of the bag are not those")


# --- the profile -----------------------------------------------------------------------------


def test_what_the_profile_asks_for_is_asked_in_the_institutions_words(both: Both) -> None:
    bag = small_bag(both.root / "lhm-1", sender=" ")
    (received,) = both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    is_refused(both, received, "“Your name as it stands in our register”")
    assert "Please correct lhm-1 and send it again." in letter_of(received)


def test_another_form_than_the_profile_takes_is_refused(both: Both, bag: Path) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar")
    both.use_form("zip")
    (received,) = both.receive(package)
    is_refused(both, received, "it came as tar")


def test_limits_of_the_profile_hold_for_packages_and_folders(both: Both, bag: Path) -> None:
    for form, limit, words in (
        ("tar", "  largest_unpacked: 100 kB\n", "more than 100000 bytes"),
        ("folder", "  largest_unpacked: 100 kB\n", "more than 100000 bytes"),
        ("folder", "  most_files: 3\n", "more than 3 files"),
    ):
        both.use_form(form, limit)
        place = as_tar(bag, both.inbox / "lhm-1.tar") if form == "tar" else None
        (received,) = both.receive(place or small_bag(both.inbox / "lhm-1"))
        is_refused(both, received, words)


def test_a_sender_who_is_not_known_is_refused(both: Both, bag: Path) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar")
    both.use_form("tar", "  senders: [Somebody else]\n")
    (received,) = both.receive(package)
    is_refused(both, received, "the sender is")


def test_an_unsigned_bag_is_refused_where_a_signature_is_asked_for(both: Both, bag: Path) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar")
    (both.root / "signers").write_text("", encoding="utf-8")
    both.use_form("tar", "  signers: signers\n  signature_required: yes\n")
    (received,) = both.receive(package)
    is_refused(both, received, "no good signature")


def test_a_signed_bag_of_a_known_signer_is_accepted(both: Both, bag: Path) -> None:
    from archiver.pipeline.signing import sign_bags
    from tests.package.test_signature import KEY, PUBLIC

    key = both.root / "key"
    key.write_text(KEY, encoding="utf-8")
    (both.root / "signers").write_text(f"lyd@lindehavn.example {PUBLIC}\n", encoding="utf-8")
    sign_bags([bag], key)
    both.use_form("tar", "  signers: signers\n  signature_required: yes\n")
    both.deposit(bag)
    (received,) = both.receive()
    assert received.outcome is PackageOutcome.ACCEPTED


def test_another_bag_of_a_name_that_is_taken_is_refused(both: Both, bag: Path) -> None:
    both.deposit(bag)
    both.receive()
    other = small_bag(both.root / "other" / "lhm-1", {"masters/other.wav": b"other"})
    (received,) = both.receive(as_tar(other, both.inbox / "x.tar"))
    is_refused(both, received, "another bag of the name lhm-1 is held here")
    assert same(bag, both.store / "lhm-1")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"quarantine": "archive/store/q"}, "lie in each other"),
        ({"store": "archive/quarantine"}, "lie in each other"),
    ],
)
def test_store_and_quarantine_are_apart(both: Both, more: dict[str, str], words: str) -> None:
    facts = {name: both.root / value for name, value in more.items()}
    with pytest.raises(MisuseError, match=words):
        receive_packages(both.receiving(both.inbox, **facts))


def test_the_same_package_refused_twice_has_a_place_for_each(both: Both, bag: Path) -> None:
    for _ in range(2):
        package = as_tar(bag, both.inbox / "lhm-1.tar", climbing)
        both.receive(package)
    assert len(list(both.quarantine.iterdir())) == 2


# --- what is not in the package ---------------------------------------------------------------


def holey(both: Both, lines: list[str], leave_out: str = "masters/t01.wav") -> Path:
    """A package without one payload file, which fetch.txt names."""
    bag = small_bag(both.root / "holey" / "lhm-1-v2")
    (bag / "data" / leave_out).unlink()
    (bag / "fetch.txt").write_text("".join(lines), encoding="utf-8")
    return as_tar(bag, both.inbox / "lhm-1-v2.tar")


def ni_line(content: bytes = PAYLOAD["masters/t01.wav"]) -> str:
    import hashlib

    uri = ni_of("sha256", hashlib.sha256(content).hexdigest())
    return f"{uri} {len(content)} data/masters/t01.wav\n"


def test_a_reference_that_is_not_held_is_refused(both: Both) -> None:
    (received,) = both.receive(holey(both, [ni_line()]))
    is_refused(both, received, "no earlier bag that is held has the content")
    assert "Send the whole bag" in letter_of(received)


def test_a_file_of_another_depositor_is_never_brought_in_by_its_digest(both: Both) -> None:
    others = small_bag(both.root / "theirs" / "theirs-1", sender="Another museum")
    both.receive(as_tar(others, both.inbox / "theirs-1.tar"))
    (received,) = both.receive(holey(both, [ni_line()]))
    is_refused(both, received, "no earlier bag that is held has the content")


def test_references_are_refused_where_whole_bags_are_asked_for(both: Both, bag: Path) -> None:
    both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    text = both.profile.read_text(encoding="utf-8")
    both.profile.write_text(text.replace("earlier_versions: referenced\n", ""), encoding="utf-8")
    (received,) = both.receive(holey(both, [ni_line()]))
    is_refused(both, received, "only named by their digest")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TlsServer]:
    with tls_server(tmp_path_factory.mktemp("tls")) as server:
        yield server


@pytest.fixture
def server(running: TlsServer) -> TlsServer:
    running.content = {"/t01.wav": PAYLOAD["masters/t01.wav"], "/wrong.wav": b"wrong"}
    running.answers = {"/away": redirect("https://elsewhere.example/t01.wav")}
    running.asked.clear()
    return running


def fetch_line(server: TlsServer, path: str, size: str = "-") -> str:
    return f"{server.url(path)} {size} data/masters/t01.wav\n"


def test_nothing_is_fetched_without_being_asked(both: Both, server: TlsServer) -> None:
    (received,) = both.receive(holey(both, [fetch_line(server, "/t01.wav")]), trust=server.trust)
    is_refused(both, received, "it is to be fetched")
    assert server.asked == []


def test_what_is_asked_for_is_fetched_and_its_digest_compared(
    both: Both, server: TlsServer
) -> None:
    (received,) = both.receive(
        holey(both, [fetch_line(server, "/t01.wav")]),
        fetch_from=(server.host,),
        trust=server.trust,
    )
    assert (received.outcome, received.completed) == (PackageOutcome.ACCEPTED, 1)
    fetched = both.store / "lhm-1-v2/data/masters/t01.wav"
    assert fetched.read_bytes() == PAYLOAD["masters/t01.wav"]


@pytest.mark.parametrize(
    ("path", "size", "more", "words"),
    [
        ("/wrong.wav", "-", "", "its sha256 is"),
        ("/t01.wav", "10", "", "more than 10 bytes"),
        ("/away", "-", "", "redirects to another"),
        ("/t01.wav", "-", "  largest_fetch: 10 kB\n", "more than 10000 bytes"),
        ("/t01.wav", "-", "  fetch_hosts: [files.example]\n", "it is to be fetched"),
    ],
)
def test_what_was_fetched_and_is_not_what_was_promised_is_refused(
    both: Both, server: TlsServer, path: str, size: str, more: str, words: str
) -> None:
    both.use_form("tar", more)
    (received,) = both.receive(
        holey(both, [fetch_line(server, path, size)]),
        fetch_from=(server.host,),
        trust=server.trust,
    )
    is_refused(both, received, words)
    assert held(both) == []


# --- at once, and interrupted -----------------------------------------------------------------


def test_of_several_who_receive_one_package_one_accepts_it(both: Both, bag: Path) -> None:
    (sent,) = both.deposit(bag)
    start = threading.Barrier(4)

    def run(_: int) -> ReceivedPackage:
        start.wait()
        return receive_packages(both.receiving(both.inbox / sent.deposit))[0]

    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(run, range(4)))
    assert [one.outcome for one in done].count(PackageOutcome.ACCEPTED) == 1
    for one in done:
        assert one.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD} or "another" in str(
            one.error
        )
    assert kinds(both) == ["received", "check"]
    assert same(bag, both.store / "lhm-1")


def test_two_packages_of_one_bag_at_once_end_in_one_bag(both: Both, bag: Path) -> None:
    packages = [as_tar(bag, both.inbox / f"{number}.tar") for number in range(3)]
    start = threading.Barrier(3)

    def run(package: Path) -> ReceivedPackage:
        start.wait()
        return receive_packages(both.receiving(package))[0]

    with ThreadPoolExecutor(3) as pool:
        done = list(pool.map(run, packages))
    assert {one.outcome for one in done} <= {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
    assert same(bag, both.store / "lhm-1")


@pytest.mark.parametrize("part", range(8))
def test_receiving_that_dies_anywhere_leaves_a_whole_bag_or_none_and_goes_on(
    tmp_path: Path, part: int
) -> None:
    both = both_sides(tmp_path / "count")
    both.deposit(small_bag(tmp_path / "count" / "home" / "lhm-1"))
    counting = FaultySeam()
    with files.use(counting):
        receive_packages(both.receiving())
    both = both_sides(tmp_path / "dies")
    bag = small_bag(tmp_path / "dies" / "home" / "lhm-1")
    both.deposit(bag)
    dying = FaultySeam(fail_at=1 + part * (len(counting.calls) - 1) // 7)
    with files.use(dying), pytest.raises(ProcessDeathError):
        receive_packages(both.receiving())
    if (both.store / "lhm-1").exists():
        assert same(bag, both.store / "lhm-1")
    (received,) = both.receive()
    assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
    assert same(bag, both.store / "lhm-1")
    assert kinds(both)[:2] == ["received", "check"]


@pytest.mark.parametrize("part", range(8))
def test_a_full_disk_at_the_institution_never_ends_in_a_letter_to_the_depositor(
    tmp_path: Path, part: int
) -> None:
    both = both_sides(tmp_path / "count")
    both.deposit(small_bag(tmp_path / "count" / "home" / "lhm-1"))
    counting = FaultySeam()
    with files.use(counting):
        receive_packages(both.receiving())
    both = both_sides(tmp_path / "fails")
    bag = small_bag(tmp_path / "fails" / "home" / "lhm-1")
    both.deposit(bag)
    failing = FaultySeam(fail_at=5 + part * (len(counting.calls) - 6) // 7, errno=errno.ENOSPC)
    outcome = PackageOutcome.FAILED
    # What is no result of the package is one of the command: the ledger, say.
    with files.use(failing), contextlib.suppress(ArchiverError):
        outcome = receive_packages(both.receiving())[0].outcome
    assert outcome is not PackageOutcome.QUARANTINED
    if both.quarantine.exists():
        assert list(both.quarantine.iterdir()) == []
    (received,) = both.receive()
    assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
    assert same(bag, both.store / "lhm-1")


@pytest.fixture(scope="module")
def half_sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new version in the inbox, of which the institution holds the rest."""
    root = tmp_path_factory.mktemp("half") / "sides"
    both = both_sides(root)
    both.deposit(small_bag(root / "home" / "lhm-1"))
    (received,) = both.receive(clear=True)
    assert received.papers is not None
    both.import_receipt(received.papers / "receipt.json")
    payload = PAYLOAD | {"documents/notes.txt": b"new"}
    second = small_bag(root / "home" / "lhm-1-v2", payload, version=2, replaces="lhm-1")
    both.deposit(second, only_new=True)
    return root


@pytest.mark.parametrize("number", [0, errno.EIO])
def test_completing_a_version_that_meets_a_fault_anywhere_is_no_fault_of_the_sender(
    half_sent: Path, tmp_path: Path, number: int
) -> None:
    counting = FaultySeam()
    shutil.copytree(half_sent, tmp_path / "count")
    with files.use(counting):
        receive_packages(Both(root=tmp_path / "count").receiving())
    for part in range(10):
        root = tmp_path / str(part)
        shutil.copytree(half_sent, root)
        both = Both(root=root)
        failing = FaultySeam(fail_at=40 + part * (len(counting.calls) - 40) // 10, errno=number)
        outcome = PackageOutcome.FAILED
        with (
            files.use(failing),
            contextlib.suppress(ArchiverError, ProcessDeathError),
        ):
            outcome = receive_packages(both.receiving())[0].outcome
        assert failing.injected
        assert outcome is not PackageOutcome.QUARANTINED
        (received,) = both.receive()
        assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
        assert same(root / "home" / "lhm-1-v2", both.store / "lhm-1-v2")


def test_what_lies_in_quarantine_the_ledger_knows_wherever_a_run_died(
    both: Both, bag: Path
) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar", climbing)
    content = package.read_bytes()
    counting = FaultySeam()
    receive_packages(both.receiving(package))
    package.write_bytes(content)
    with files.use(counting):
        receive_packages(both.receiving(package))
    for part in range(12):
        (both.inbox / "lhm-1.tar").write_bytes(content)
        dying = FaultySeam(fail_at=len(counting.calls) - 30 + part * 2)
        with files.use(dying), pytest.raises(ProcessDeathError):
            receive_packages(both.receiving(package))
        places = [*both.inbox.rglob("lhm-1.tar"), *both.quarantine.rglob("lhm-1.tar")]
        assert any(path.read_bytes() == content for path in places)
        (both.inbox / "lhm-1.tar").unlink(missing_ok=True)
        both.receive(both.inbox)
        aside = {path.parent.parent.name for path in both.quarantine.rglob("lhm-1.tar")}
        with open_ledger(both.their_ledger, read_only=True) as ledger:
            known = [
                entry.parsed_facts()["receipt"]
                for entry in ledger.entries(kind=EntryKind.QUARANTINED)
            ]
        assert len(known) == len(set(known))
        assert set(known) == aside
    assert EntryKind.RECEIVED not in kinds(both)
