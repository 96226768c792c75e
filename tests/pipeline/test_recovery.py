"""Recovery data: what it restores, what it refuses, and that others can use it.

Judges: the ``par2`` program called by hand, ``sha256sum`` and the bagit library. Capacity
follows from the record by arithmetic: as many blocks as there are recovery blocks.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path
from typing import BinaryIO, cast

import bagit
import pytest
from jsonschema import Draft202012Validator

from archiver import files
from archiver.custody import BagVerdict, verify_bag
from archiver.custody.audit import AuditVerdict
from archiver.custody.due import Selection
from archiver.custody.ledger import open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.custody.ledger_export import json_lines
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.package.recovery import par2_program
from archiver.package.recovery_data import RecoveryRecord, recovery_place
from archiver.pipeline.audit import AuditPlan, audit_store
from archiver.pipeline.ledger import accept
from archiver.pipeline.recovery import heal, protect_bags
from archiver.schema_store import schema
from tests.custody.corruption import KINDS, damage, seeded
from tests.faults import FaultyFile, FaultySeam, ProcessDeathError
from tests.package.small_bags import contents, write_bag

SETS = int(os.environ.get("ARCHIVER_RECOVERIES", "12"))
STEP = int(os.environ.get("ARCHIVER_FAULT_STEP", "41"))
LENGTH = 200_000


def made(tmp_path: Path, percent: int = 20) -> tuple[Path, RecoveryRecord]:
    """A bag with recovery data."""
    payload = {
        "masters/t01.wav": seeded(1).randbytes(LENGTH),
        "masters/t02.wav": seeded(2).randbytes(LENGTH // 3),
        "documents/notes.txt": b"Stylus no. 3\n",
        "documents/empty.txt": b"",
    }
    octets = sum(map(len, payload.values()))
    bag = write_bag(
        tmp_path / "store" / "bag",
        payload,
        extra={
            "bag-info.txt": f"Payload-Oxum: {octets}.{len(payload)}\n".encode(),
            "metadata/session.json": b"{}",
        },
    )
    (done,) = protect_bags([bag], redundancy_percent=percent)
    assert done.record is not None, done.error
    return bag, done.record


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RecoveryRecord]:
    return made(tmp_path_factory.mktemp("pristine"))


@pytest.fixture
def bag(pristine: tuple[Path, RecoveryRecord], tmp_path: Path) -> Path:
    shutil.copytree(pristine[0].parent, tmp_path / "store")
    return tmp_path / "store" / "bag"


def by_hand(bag: Path) -> int:
    """Exit status of the program, called as a stranger would."""
    place = recovery_place(bag)
    return subprocess.run(
        [par2_program(), "verify", "-q", "-B", bag, place / "bag.par2"],
        check=False,
        capture_output=True,
    ).returncode


def test_recovery_data_lies_beside_the_bag_and_strangers_can_use_it(bag: Path) -> None:
    place = recovery_place(bag)
    assert by_hand(bag) == 0
    assert bagit.Bag(str(bag)).validate()
    if shutil.which("sha256sum"):
        for name, folder in (("recovery-sha256.txt", place), ("contents-sha256.txt", bag)):
            ran = subprocess.run(
                ["sha256sum", "--quiet", "-c", place / name], cwd=folder, check=False
            )
            assert ran.returncode == 0
    verification = verify_bag(bag)
    assert verification.intact
    assert verification.recovery is not None
    assert verification.recovery.files == len(list(place.iterdir()))


def test_size_is_about_the_redundancy_asked_for(tmp_path: Path) -> None:
    bag, record = made(tmp_path, 5)
    assert record.recovery_blocks == -(-record.source_blocks * 5 // 100)
    volumes = sum(path.stat().st_size for path in recovery_place(bag).glob("*.vol*"))
    assert volumes > record.recovery_blocks * record.block_bytes


@pytest.mark.parametrize("seed", range(SETS))
def test_random_damage_within_the_redundancy_is_restored_to_the_byte(bag: Path, seed: int) -> None:
    truth = contents(bag)
    rng = seeded(seed)
    kind = KINDS[seed % len(KINDS)]
    # What costs a whole large file is beyond any sensible redundancy.
    if kind in {"truncation", "deletion", "rename", "swap", "manifest and file"}:
        victim = bag / "data" / "documents" / "notes.txt"
        if kind == "rename":
            victim.rename(victim.with_name("other.txt"))
        elif kind == "deletion":
            victim.unlink()
        else:
            victim.write_bytes(b"x" * rng.randrange(13))
    else:
        damage(bag, kind, rng)
    outcome = heal(bag)
    assert outcome.exit_status == 0
    assert contents(bag) == truth
    assert bagit.Bag(str(bag)).validate()
    assert by_hand(bag) == 0


def scratch(bag: Path, record: RecoveryRecord, blocks: int) -> None:
    """Make this many blocks of the large file unusable."""
    path = bag / "data" / "masters" / "t01.wav"
    content = bytearray(path.read_bytes())
    for number in range(blocks):
        content[number * record.block_bytes + 7] ^= 0xFF
    path.write_bytes(content)


def test_damage_of_exactly_the_capacity_is_restored(
    bag: Path, pristine: tuple[Path, RecoveryRecord]
) -> None:
    truth = contents(bag)
    scratch(bag, pristine[1], pristine[1].recovery_blocks)
    assert heal(bag).exit_status == 0
    assert contents(bag) == truth


def test_one_block_more_is_refused_and_nothing_is_changed(
    bag: Path, pristine: tuple[Path, RecoveryRecord], tmp_path: Path
) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    scratch(bag, pristine[1], pristine[1].recovery_blocks + 1)
    before = contents(bag.parent)
    with pytest.raises(IntegrityError, match="1 more recovery blocks"):
        heal(bag, ledger=ledger)
    assert contents(bag.parent) == before
    with open_ledger(ledger, read_only=True) as opened:
        (entry,) = opened.entries()
        assert (entry.kind, entry.bag) == ("repair failed", "bag")
        assert "1 more recovery blocks" in entry.facts
        for line in json_lines(opened.entries()):
            Draft202012Validator(schema("ledger")).validate(json.loads(line))


def test_volumes_damaged_together_with_the_bag_still_restore_what_they_can(
    bag: Path, pristine: tuple[Path, RecoveryRecord]
) -> None:
    truth = contents(bag)
    volume = max(recovery_place(bag).glob("*.vol*"), key=lambda path: path.stat().st_size)
    content = bytearray(volume.read_bytes())
    content[len(content) // 2] ^= 1
    volume.write_bytes(content)
    (recovery_place(bag) / "bag.par2").unlink()
    scratch(bag, pristine[1], 3)
    outcome = heal(bag)
    assert contents(bag) == truth
    # The bag is whole; that its recovery data is not is said all the same.
    assert {f.code for f in outcome.after.findings if f.severity == "error"} == {"recovery-damaged"}
    assert outcome.after.report.valid
    assert outcome.exit_status == 0
    assert outcome.verdict == "bag intact, recovery data damaged"
    assert Draft202012Validator(schema("heal-report")).is_valid(outcome.as_json())
    (done,) = protect_bags([bag], replace=True)
    assert done.record is not None
    assert verify_bag(bag).intact


class OneBadSector(FaultySeam):
    """Cannot read one file of the bag past some byte; other files of that name are sound."""

    def open_read(self, path: Path | str, buffering: int, *, follow: bool) -> BinaryIO:
        opened = super().open_read(path, buffering, follow=follow)
        if Path(path).parts[-5:] == ("store", "bag", "data", "masters", "t02.wav"):
            cast("FaultyFile", opened).path = Path("bad sector")
        return opened


def test_an_unreadable_stretch_counts_as_damage(bag: Path) -> None:
    truth = contents(bag)
    path = bag / "data" / "masters" / "t02.wav"
    before = path.stat().st_ino
    seam = OneBadSector(unreadable_from={"bad sector": LENGTH // 3 - 5000})
    with files.use(seam):
        outcome = heal(bag)
    assert seam.injected
    assert outcome.healed.restored == ("data/masters/t02.wav",)
    assert path.stat().st_ino != before
    assert contents(bag) == truth


def test_damaged_recovery_data_is_found(bag: Path) -> None:
    place = recovery_place(bag)
    for path in sorted(place.iterdir()):
        content = path.read_bytes()
        changed = bytearray(content)
        changed[len(content) // 2] ^= 4
        path.write_bytes(changed)
        found = verify_bag(bag)
        assert not found.intact, path.name
        assert found.report.valid
        assert found.verdict is BagVerdict.RECOVERY_DAMAGED
        codes = {f.code for f in found.findings if f.severity == "error"}
        assert codes <= {"recovery-damaged", "recovery-of-another-state"}, path.name
        path.unlink()
        assert not verify_bag(bag).intact, path.name
        path.write_bytes(content)
    (place / "stray").write_bytes(b"?")
    assert not verify_bag(bag).intact


def test_a_bag_that_is_not_intact_gets_no_recovery_data(tmp_path: Path) -> None:
    bag = write_bag(tmp_path / "bag", {"a.txt": b"a", "b.txt": b"b"})
    (bag / "data" / "a.txt").write_bytes(b"c")
    (done,) = protect_bags([bag])
    assert isinstance(done.error, IntegrityError)
    assert not recovery_place(bag).exists()


def test_recovery_data_is_not_made_twice_nor_used_where_there_is_none(
    bag: Path, tmp_path: Path
) -> None:
    (done,) = protect_bags([bag])
    assert isinstance(done.error, MisuseError)
    other = write_bag(tmp_path / "other", {"a.txt": b"a"})
    with pytest.raises(MisuseError, match="no recovery data"):
        heal(other)


def test_every_step_of_healing_stands_in_the_ledger(
    bag: Path, pristine: tuple[Path, RecoveryRecord], tmp_path: Path
) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    shutil.rmtree(recovery_place(bag))
    protect_bags([bag], ledger=ledger)
    scratch(bag, pristine[1], 2)
    (bag / "data" / "stray.txt").write_bytes(b"whose?")
    outcome = heal(bag, ledger=ledger)
    assert (bag.parent / "bag.set-aside" / "data" / "stray.txt").read_bytes() == b"whose?"
    with open_ledger(ledger, read_only=True) as opened:
        assert verify_ledger(opened).intact
        assert [entry.kind for entry in opened.entries()] == [
            "recovery data made",
            "repair intended",
            "repaired",
            "set aside",
            "check",
        ]
        last = list(opened.entries())[-1]
        assert (last.number, last.bag, last.store) == (outcome.entry, "bag", str(bag.parent))
        assert last.parsed_facts()["verdict"] == "intact"
        for line in json_lines(opened.entries()):
            Draft202012Validator(schema("ledger")).validate(json.loads(line))


def test_check_after_healing_is_what_the_next_audit_relies_on(bag: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"x")
    heal(bag, ledger=ledger)
    plan = AuditPlan(
        store=str(bag.parent), ledger=ledger, selection=Selection(older_than=timedelta(days=1))
    )
    assert audit_store(plan).checked == 0


def test_healed_bag_whose_manifests_the_ledger_knows_otherwise_is_not_called_intact(
    bag: Path, tmp_path: Path
) -> None:
    """The recovery data is older than a change that was accepted since."""
    ledger = tmp_path / "ledger.sqlite3"
    old = contents(bag)
    audit_store(AuditPlan(store=str(bag.parent), ledger=ledger))
    damage(bag, "manifest and file", seeded(3))
    accept(ledger, str(bag.parent), "bag", reason="Corrected")
    outcome = heal(bag, ledger=ledger)
    assert contents(bag) == old
    assert outcome.after.report.valid
    assert outcome.check.verdict is AuditVerdict.CHANGED
    assert outcome.exit_status == 3
    assert "manifest-not-as-recorded" in {finding.code for finding in outcome.findings}


@pytest.mark.parametrize("number", [28, 0])
def test_a_fault_at_any_call_of_healing_loses_nothing(
    bag: Path, pristine: tuple[Path, RecoveryRecord], tmp_path: Path, number: int
) -> None:
    truth = contents(bag)
    scratch(bag, pristine[1], 2)
    bad = contents(bag)
    spare = tmp_path / "spare"
    shutil.copytree(bag.parent, spare)
    at, injected = 1, 0
    while True:
        seam = FaultySeam(fail_at=at, errno=number)
        try:
            with files.use(seam):
                heal(bag)
        except (ArchiverError, ProcessDeathError):
            pass
        if not seam.injected:
            break
        injected += 1
        held = contents(bag)
        assert held in (bad, truth), at
        heal(bag)
        assert contents(bag) == truth, at
        shutil.rmtree(bag.parent)
        shutil.copytree(spare, bag.parent)
        at += STEP
    assert injected > 2
