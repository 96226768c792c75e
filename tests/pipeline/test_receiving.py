"""Receiving: what passes is in the store in one step, what does not is set aside with a letter.

Packages are made by the tarfile module of the standard library where they are hostile.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import tarfile
from pathlib import Path
from typing import Any

import pytest

from archiver.errors import MisuseError, SurroundingsError
from archiver.pipeline.audit import AuditPlan, audit_store
from archiver.pipeline.receiving import receive_packages
from archiver.pipeline.receiving_outcome import PackageOutcome
from tests.package.small_bags import contents
from tests.pipeline.handing import (
    Both,
    as_tar,
    both_sides,
    climbing,
    held,
    is_refused,
    kinds,
    letter_of,
    same,
    small_bag,
)


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return both_sides(tmp_path)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return small_bag(tmp_path / "home" / "bags" / "lhm-1")


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


@pytest.mark.parametrize("form", ["tar", "folder"])
def test_what_lies_beside_a_package_is_told_and_is_never_removed(
    both: Both, bag: Path, form: str
) -> None:
    """The record of the deposit does not name it, and nothing has verified it."""
    both.use_form(form)
    (sent,) = both.deposit(bag)
    folder = both.inbox / sent.deposit
    (folder / "consent-form.txt").write_bytes(b"signed")
    (received,) = both.receive()
    assert received.outcome is PackageOutcome.ACCEPTED
    assert [one.code for one in received.notes] == ["package-beside-others"]
    (again,) = both.receive(clear=True)
    assert [one.code for one in again.notes] == ["package-beside-others"]
    assert contents(both.inbox) == {f"{sent.deposit}/consent-form.txt": b"signed"}
    # Nor is it a deposit that does not go on, from then on.
    for rehearse in (False, True):
        (left,) = both.receive(both.inbox, rehearse=rehearse)
        assert (left.outcome, left.deposit, left.receipt, left.exit_status) == (
            PackageOutcome.HELD, sent.deposit, received.receipt, 0,
        )  # fmt: skip
        assert "consent-form.txt" in left.notes[0].message
    (folder / "consent-form.txt").unlink()
    (left,) = both.receive(both.inbox)
    assert (left.exit_status, left.notes) == (0, ())


def test_parts_and_what_was_left_unfinished_of_them_belong_to_the_deposit(
    both: Both, bag: Path
) -> None:
    both.use_form("tar", "largest_part: 70 kB\n")
    (sent,) = both.deposit(bag)
    folder = both.inbox / sent.deposit
    assert (folder / "lhm-1.tar.0002").exists()
    (folder / ".lhm-1.tar.0002.unfinished").write_bytes(b"an earlier run")
    (received,) = both.receive(clear=True)
    assert (received.outcome, received.notes) == (PackageOutcome.ACCEPTED, ())
    assert list(both.inbox.iterdir()) == []


def test_an_inbox_to_which_nothing_has_come_is_no_error(both: Both) -> None:
    assert both.receive(both.inbox) == ()
    (both.inbox / "notes.txt").write_text("no package", encoding="utf-8")
    (both.inbox / ".lhm-4.tar.unfinished").write_bytes(b"on its way")
    assert both.receive(both.inbox) == ()


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
    (both.store / "lhm-1").write_bytes(b"kept")
    (received,) = both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    is_refused(both, received, "another bag of the name")
    assert (both.store / "lhm-1").read_bytes() == b"kept"


def test_a_rehearsal_looks_at_everything_and_leaves_all_as_it_is(both: Both, bag: Path) -> None:
    both.deposit(bag)
    as_tar(bag, both.inbox / "cut.tar").write_bytes(b"no tar")
    before = contents(both.root)
    done = both.receive(rehearse=True)
    assert {str(one.outcome) for one in done} == {"would be accepted", "would be quarantined"}
    assert contents(both.root) == before
    assert list(both.store.iterdir()) == []
    assert list(both.quarantine.iterdir()) == []
    assert not both.their_ledger.exists()


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
    (both.store / "q").mkdir()
    facts = {name: both.root / value for name, value in more.items()}
    with pytest.raises(MisuseError, match=words):
        receive_packages(both.receiving(both.inbox, **facts))


@pytest.mark.parametrize("rehearse", [True, False])
@pytest.mark.parametrize("what", ["store", "quarantine"])
def test_a_store_that_is_not_there_is_never_made(
    both: Both, bag: Path, what: str, rehearse: bool
) -> None:
    """A disk that is not mounted leaves an empty place, and the bag would lie on another."""
    both.deposit(bag)
    unmounted = both.root / "vault" / "a"
    with pytest.raises(SurroundingsError, match=f"no such folder for the {what}") as refused:
        receive_packages(both.receiving(rehearse=rehearse, **{what: unmounted}))
    assert "make the folder first" in refused.value.remedy
    assert not unmounted.parent.exists()
    assert not both.their_ledger.exists()
    assert list(both.store.iterdir()) == []
    unmounted.parent.mkdir()
    unmounted.write_bytes(b"")
    with pytest.raises(MisuseError, match="is not a directory"):
        receive_packages(both.receiving(rehearse=rehearse, **{what: unmounted}))


def test_the_same_package_refused_twice_has_a_place_for_each(both: Both, bag: Path) -> None:
    for _ in range(2):
        package = as_tar(bag, both.inbox / "lhm-1.tar", climbing)
        both.receive(package)
    assert len(list(both.quarantine.iterdir())) == 2


@pytest.mark.parametrize("content", [None, b"no JSON"])
def test_what_is_wrong_with_the_institutions_own_profile_is_no_ground_for_a_letter(
    both: Both, bag: Path, content: bytes | None
) -> None:
    both.use_form("tar", "bagit_profile: ours.json\n")
    if content is not None:
        (both.root / "ours.json").write_bytes(content)
    as_tar(bag, both.inbox / "lhm-1.tar")
    with pytest.raises(MisuseError, match="the profile is wrong"):
        receive_packages(both.receiving())
    assert list(both.quarantine.iterdir()) == []
    assert (both.inbox / "lhm-1.tar").exists()


def test_a_letter_names_a_package_of_which_nothing_is_known(both: Both) -> None:
    (both.inbox / "Sending 3.zip").write_bytes(b"")
    (received,) = both.receive(both.inbox / "Sending 3.zip")
    is_refused(both, received, "we could not take in your package Sending 3.zip")
    assert "send it once more" in letter_of(received)
    assert "Ask for" not in letter_of(received)
    assert {reason.remedy for reason in received.reasons} == {
        reason["remedy"]
        for reason in json.loads(
            (received.papers or both.root).joinpath("receipt.json").read_bytes()
        )["reasons"]
    }
