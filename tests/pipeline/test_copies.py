"""Copies in several stores: whose word counts, what is repaired, and what never happens.

The truth of each case is the bag as it was made; after a repair every copy must hold its very
bytes, by comparison of files and by the verdict of the bagit library.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import struct
from pathlib import Path

import bagit
import pytest

from archiver import files
from archiver.custody import BlockDigester, encode_sound_digests
from archiver.custody.copies import CopyVerdict, FileState
from archiver.custody.entry import EntryKind
from archiver.custody.ledger import open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.errors import ArchiverError, MisuseError, SurroundingsError
from archiver.package import BagBuilder
from archiver.package.signature import sign_bag
from archiver.package.signers import read_signers
from archiver.pipeline.audit import AuditPlan, audit_store
from archiver.pipeline.copies import ComparedBag, CopiesPlan, compare_stores
from archiver.signal.sampleformat import SampleFormat
from tests.custody.corruption import KINDS, damage, forge_manifests, seeded
from tests.custody.stores import copied, small_store
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.small_bags import contents, tiny_wav
from tests.package.test_signature import KEY, PUBLIC, WHO

REPAIRS = int(os.environ.get("ARCHIVER_REPAIRS", "20"))
STEP = int(os.environ.get("ARCHIVER_FAULT_STEP", "13"))
"""Every how many-th call is hit; 1 for all of them."""
BAG = "bag-0"


@pytest.fixture
def stores(tmp_path: Path) -> list[Path]:
    first = small_store(tmp_path / "a", 1)
    return [first, copied(first, tmp_path / "b"), copied(first, tmp_path / "c")]


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


def compared(
    stores: list[Path],
    ledger: Path | None = None,
    *,
    repair: bool = False,
    bags: tuple[str, ...] = (),
) -> ComparedBag:
    plan = CopiesPlan(
        stores=[str(store) for store in stores], ledger=ledger, repair=repair, bags=bags
    )
    (one,) = compare_stores(plan)
    return one


def states(one: ComparedBag, number: int) -> dict[str, FileState]:
    return dict(one.comparison.states[number])


def kinds_of(ledger: Path) -> list[str]:
    with open_ledger(ledger, read_only=True) as opened:
        assert verify_ledger(opened).intact
        return [entry.kind for entry in opened.entries()]


def test_equal_copies_are_good(stores: list[Path], ledger: Path) -> None:
    one = compared(stores, ledger)
    assert one.comparison.good
    assert one.exit_status == 0
    assert kinds_of(ledger) == ["comparison of copies"]


def test_altered_payload_is_told_from_altered_manifest(stores: list[Path]) -> None:
    note = "data/documents/notes.txt"
    (stores[1] / BAG / note).write_bytes(b"Stylus no. 4\n")
    manifest = stores[2] / BAG / "manifest-sha256.txt"
    manifest.write_bytes(manifest.read_bytes().replace(b"a", b"b", 1))
    one = compared(stores)
    assert one.comparison.verdicts == (
        CopyVerdict.GOOD,
        CopyVerdict.PAYLOAD,
        CopyVerdict.MANIFEST,
    )
    assert states(one, 1) == {note: FileState.ALTERED}
    assert states(one, 2) == {"manifest-sha256.txt": FileState.ALTERED}
    assert one.exit_status == 3


def forge(bag: Path) -> None:
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"Stylus no. 9\n")
    forge_manifests(bag)


def test_a_forged_copy_that_agrees_with_itself_is_outvoted(stores: list[Path]) -> None:
    forge(stores[0] / BAG)
    one = compared(stores)
    assert one.comparison.verdicts == (CopyVerdict.BOTH, CopyVerdict.GOOD, CopyVerdict.GOOD)
    assert one.comparison.reference is not None
    assert one.comparison.reference.basis == "2 of 3 copies"


def test_of_two_copies_that_agree_with_themselves_none_is_chosen(
    stores: list[Path], ledger: Path
) -> None:
    forge(stores[1] / BAG)
    before = [contents(store) for store in stores[:2]]
    one = compared(stores[:2], ledger, repair=True)
    assert one.comparison.reference is None
    assert isinstance(one.error, MisuseError)
    assert one.exit_status == 3
    assert [contents(store) for store in stores[:2]] == before


def test_the_ledger_decides_even_against_the_majority(stores: list[Path], ledger: Path) -> None:
    truth = contents(stores[0])
    audit_store(AuditPlan(store=str(stores[0]), ledger=ledger))
    forge(stores[1] / BAG)
    forge(stores[2] / BAG)
    one = compared(stores, ledger, repair=True)
    assert one.comparison.verdicts == (CopyVerdict.GOOD, CopyVerdict.BOTH, CopyVerdict.BOTH)
    assert one.exit_status == 0
    for store in stores:
        held = contents(store)
        assert {n: c for n, c in held.items() if n.startswith(f"{BAG}/")} == truth
    # What agreed with manifests of its own is not lost, should the ledger be the wrong one.
    assert contents(stores[1])[f"{BAG}.set-aside/data/documents/notes.txt"] == b"Stylus no. 9\n"


def test_of_two_tag_manifests_the_one_that_the_files_agree_with_counts(
    stores: list[Path],
) -> None:
    path = stores[1] / BAG / "tagmanifest-sha256.txt"
    path.write_bytes(path.read_bytes().replace(b"1", b"2", 1))
    one = compared(stores[:2])
    assert one.comparison.verdicts == (CopyVerdict.GOOD, CopyVerdict.MANIFEST)


@pytest.mark.parametrize("seed", range(REPAIRS))
def test_random_damage_to_two_of_three_copies_is_repaired_to_the_byte(
    stores: list[Path], ledger: Path, seed: int
) -> None:
    rng = seeded(seed)
    audit_store(AuditPlan(store=str(stores[0]), ledger=ledger))
    truth = contents(stores[0])
    for store in stores[1:]:
        damage(store / BAG, rng.choice(KINDS), rng)
    one = compared(stores, ledger, repair=True)
    assert one.exit_status == 0, one.as_json()
    for store in stores:
        held = {n: c for n, c in contents(store).items() if not n.startswith(f"{BAG}.set-aside")}
        assert held == truth
        assert bagit.Bag(str(store / BAG)).validate()
    assert kinds_of(ledger).count("repair intended") == kinds_of(ledger).count("repaired")
    assert compared(stores, ledger).comparison.good


def test_scattered_damage_is_repaired_from_copies_that_are_all_bad(
    stores: list[Path], ledger: Path
) -> None:
    truth = contents(stores[0])
    for store, name in zip(
        stores, ["masters/t01.wav", "masters/t02.wav", "photographs/horn.png"], strict=True
    ):
        (store / BAG / "data" / name).write_bytes(b"damaged")
    one = compared(stores, ledger, repair=True)
    assert one.exit_status == 0
    assert [contents(store) for store in stores] == [truth] * 3


def test_a_file_without_any_good_copy_is_named_and_left_alone(
    stores: list[Path], ledger: Path
) -> None:
    name = "data/masters/t01.wav"
    for number, store in enumerate(stores):
        (store / BAG / name).write_bytes(b"damaged %d" % number)
    before = [contents(store) for store in stores]
    one = compared(stores, ledger, repair=True)
    assert one.comparison.beyond_help() == (name,)
    assert one.exit_status == 3
    assert [contents(store) for store in stores] == before
    assert kinds_of(ledger).count("repair failed") == 3


def test_a_bag_that_is_nowhere_else_is_replicated_whole(stores: list[Path], ledger: Path) -> None:
    shutil.rmtree(stores[1] / BAG)
    one = compared(stores, ledger, repair=True, bags=(BAG,))
    assert one.comparison.verdicts[1] is CopyVerdict.ABSENT
    assert one.exit_status == 0
    assert contents(stores[1]) == contents(stores[0])
    assert "replicated" in kinds_of(ledger)


@pytest.mark.parametrize("repair", [False, True])
def test_a_store_without_any_bag_is_told_and_not_filled(
    stores: list[Path], ledger: Path, *, repair: bool
) -> None:
    shutil.rmtree(stores[1])
    # What a disk leaves behind that is not connected.
    stores[1].mkdir()
    with pytest.raises(SurroundingsError, match=r"b: holds no bag.*disk.*--repair --bag bag-0"):
        compared(stores, ledger, repair=repair)
    assert list(stores[1].iterdir()) == []
    assert not ledger.exists()
    shutil.rmtree(stores[0] / BAG)
    with pytest.raises(SurroundingsError, match=r"a: holds no bag"):
        compared(stores[:2], ledger, repair=repair)


def test_what_does_not_belong_is_set_aside_and_kept(stores: list[Path], ledger: Path) -> None:
    stray = stores[1] / BAG / "data" / "stray.txt"
    stray.write_bytes(b"whose?")
    compared(stores, ledger, repair=True)
    assert not stray.exists()
    assert (stores[1] / f"{BAG}.set-aside" / "data" / "stray.txt").read_bytes() == b"whose?"


def test_nothing_is_written_through_a_link(
    stores: list[Path], ledger: Path, tmp_path: Path
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    shutil.rmtree(stores[1] / BAG / "data" / "masters")
    try:
        (stores[1] / BAG / "data" / "masters").symlink_to(outside, target_is_directory=True)
    except OSError:  # Windows without the right to make links
        return
    one = compared(stores, ledger, repair=True)
    assert one.exit_status == 3
    assert list(outside.iterdir()) == []


def test_a_store_named_twice_and_a_repair_without_ledger_are_refused(stores: list[Path]) -> None:
    with pytest.raises(MisuseError, match="named twice"):
        compared([stores[0], stores[0]])
    with pytest.raises(MisuseError, match="no ledger"):
        compared(stores, repair=True)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, 0])
def test_a_fault_at_any_call_of_a_repair_loses_nothing(
    stores: list[Path], ledger: Path, tmp_path: Path, number: int
) -> None:
    """Disk full, bad disk or death at any call; the last good file survives each of them."""
    truth = contents(stores[0])
    two = stores[:2]
    audit_store(AuditPlan(store=str(two[0]), ledger=ledger))
    note = "data/documents/notes.txt"
    bad = b"Stylus no. 4\n"
    (two[1] / BAG / note).write_bytes(bad)
    (two[1] / BAG / "data" / "stray.txt").write_bytes(b"whose?")
    spare = copied(two[1], tmp_path / "spare")
    book = ledger.read_bytes()
    outcomes = set()
    injected = 0
    at = 1
    while True:
        seam = FaultySeam(fail_at=at, errno=number)
        try:
            with files.use(seam):
                one = compared(two, ledger, repair=True)
            outcomes.add(one.exit_status)
        except (ArchiverError, ProcessDeathError):
            outcomes.add(-1)
        if not seam.injected:
            break
        injected += 1
        assert contents(two[0]) == truth, at
        held = (two[1] / BAG / note).read_bytes()
        assert held in {bad, truth[f"{BAG}/{note}"]}, at
        kinds = kinds_of(ledger)
        if held != bad:
            assert "repair intended" in kinds
        # The next run needs no help to end well.
        again = compared(two, ledger, repair=True)
        assert again.exit_status == 0, (at, again.as_json())
        assert not [p for p in two[1].iterdir() if p.name.endswith(".repairing")]
        shutil.rmtree(two[1])
        copied(spare, two[1])
        for leftover in ledger.parent.glob(f"{ledger.name}*"):
            leftover.unlink()
        ledger.write_bytes(book)
        at += STEP
    assert injected > 10
    assert outcomes > {0} or outcomes == {0, -1}


def test_a_full_disk_is_told_and_the_bad_file_is_kept(stores: list[Path], ledger: Path) -> None:
    (stores[1] / BAG / "data" / "masters" / "t01.wav").write_bytes(b"bad")
    seam = FaultySeam(free=10)
    with files.use(seam):
        one = compared(stores[:2], ledger, repair=True)
    assert isinstance(one.error, SurroundingsError)
    assert one.exit_status == 4
    assert (stores[1] / BAG / "data" / "masters" / "t01.wav").read_bytes() == b"bad"


def test_every_step_stands_in_the_ledger_in_order(stores: list[Path], ledger: Path) -> None:
    (stores[1] / BAG / "data" / "masters" / "t01.wav").write_bytes(b"bad")
    compared(stores[:2], ledger, repair=True)
    assert kinds_of(ledger) == [
        "comparison of copies",
        "repair intended",
        "repaired",
        "check",
    ]
    with open_ledger(ledger, read_only=True) as opened:
        (done,) = opened.entries(kind=EntryKind.REPAIRED)
    facts = done.parsed_facts()
    assert facts["path"] == "data/masters/t01.wav"
    assert facts["source"] == str(stores[0])


RATE = 100
STEREO = SampleFormat(
    encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=RATE
)
SOUND = bytes((i * i // 7 + i) % 256 for i in range(10 * RATE * STEREO.frame_bytes))
MASTER = "data/masters/t01.wav"


def with_md5(wav: bytes, sound: bytes) -> bytes:
    """Append an MD5 chunk: 16 bytes, the digest of the sample bytes alone."""
    grown = (
        wav + b"MD5 " + struct.pack("<I", 16) + hashlib.md5(sound, usedforsecurity=False).digest()
    )
    return grown[:4] + struct.pack("<I", len(grown) - 8) + grown[8:]


def sounding(tmp_path: Path, *, record: bool = True, md5: bool = False) -> list[Path]:
    """Three copies of a bag with one master, and what it holds of its sound besides the manifests."""
    wav = tiny_wav(SOUND, RATE)
    if md5:
        wav = with_md5(wav, SOUND)
    digester = BlockDigester(STEREO)
    digester.feed(SOUND)
    with BagBuilder(tmp_path / "a", BAG) as builder:
        builder.write_payload(MASTER, wav)
        if record:
            digests = digester.result(file=MASTER, file_bytes=len(wav), data_offset_bytes=44)
            builder.write_tag("metadata/sound/t01.json", encode_sound_digests(digests))
        builder.seal([])
    first = tmp_path / "a"
    return [copied(first, tmp_path / name) for name in ("d1", "d2", "d3")]


def forge_sound(bag: Path) -> None:
    """Alter a second of the sound, and make the manifests agree with that."""
    path = bag / MASTER
    wav = bytearray(path.read_bytes())
    wav[44 + 400 : 44 + 800] = bytes(400)
    path.write_bytes(wav)
    forge_manifests(bag)


@pytest.mark.parametrize(("record", "md5"), [(True, False), (False, True), (True, True)])
def test_a_majority_that_the_bag_itself_contradicts_does_not_decide(
    tmp_path: Path, ledger: Path, *, record: bool, md5: bool
) -> None:
    stores = sounding(tmp_path, record=record, md5=md5)
    truth = contents(stores[2])
    for store in stores[:2]:
        forge_sound(store / BAG)
    forged = (stores[0] / BAG / MASTER).read_bytes()
    one = compared(stores, ledger, repair=True)
    assert one.comparison.verdicts == (CopyVerdict.BOTH, CopyVerdict.BOTH, CopyVerdict.GOOD)
    assert one.comparison.doubts
    assert all(str(stores[0]) in doubt and MASTER in doubt for doubt in one.comparison.doubts)
    assert one.exit_status == 0
    assert contents(stores[2]) == truth
    for store in stores[:2]:
        held = contents(store)
        assert {n: c for n, c in held.items() if n.startswith(f"{BAG}/")} == truth
        assert held[f"{BAG}.set-aside/{MASTER}"] == forged
        assert f"{BAG}.set-aside/tagmanifest-sha256.txt" in held


def test_a_majority_that_nothing_contradicts_decides_and_costs_nobody_the_sound(
    tmp_path: Path, ledger: Path
) -> None:
    stores = sounding(tmp_path, record=False)
    good = contents(stores[2])[f"{BAG}/{MASTER}"]
    for store in stores[:2]:
        forge_sound(store / BAG)
    one = compared(stores, ledger, repair=True)
    assert one.comparison.reference is not None
    assert one.comparison.reference.basis == "2 of 3 copies"
    assert contents(stores[2])[f"{BAG}.set-aside/{MASTER}"] == good


def test_of_copies_that_all_contradict_themselves_none_is_chosen(
    tmp_path: Path, ledger: Path
) -> None:
    stores = sounding(tmp_path)
    for number, store in enumerate(stores):
        forge_sound(store / BAG)
        (store / BAG / MASTER).write_bytes((store / BAG / MASTER).read_bytes() + bytes(number))
        forge_manifests(store / BAG)
    before = [contents(store) for store in stores]
    one = compared(stores, ledger, repair=True)
    assert one.comparison.reference is None
    assert one.exit_status == 3
    assert [contents(store) for store in stores] == before


def signed(bag: Path, key: str = KEY) -> Path:
    sign_bag(bag, key.encode())
    return bag


def test_the_signature_that_the_majority_breaks_decides(tmp_path: Path, ledger: Path) -> None:
    first = signed(small_store(tmp_path / "a", 1) / BAG).parent
    stores = [first, copied(first, tmp_path / "b"), copied(first, tmp_path / "c")]
    truth = contents(first)
    for store in stores[1:]:
        forge(store / BAG)
    one = compared(stores, ledger, repair=True)
    assert one.comparison.verdicts == (CopyVerdict.GOOD, CopyVerdict.BOTH, CopyVerdict.BOTH)
    assert contents(first) == truth
    assert one.exit_status == 0


def test_a_signature_of_anybody_does_not_outvote_but_lets_nothing_be_decided(
    stores: list[Path],
) -> None:
    forge(stores[0] / BAG)
    signed(stores[0] / BAG)
    assert compared(stores).comparison.reference is None
    public = read_signers(f"{WHO} {PUBLIC}")
    plan = CopiesPlan(stores=[str(store) for store in stores], signers=public)
    (one,) = compare_stores(plan)
    assert one.comparison.verdicts == (CopyVerdict.GOOD, CopyVerdict.BOTH, CopyVerdict.BOTH)
    assert one.comparison.reference is not None
    assert one.comparison.reference.basis == "the signature of an accepted signer"
