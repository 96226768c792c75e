"""Seeded random damage: all of it found, and called by its right name.

``ARCHIVER_DAMAGES`` sets how many; the default keeps the suite short. Judges beside us: the
bagit library and ``sha256sum`` must agree on what is intact wherever they can know.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import bagit
import pytest

from archiver.custody.audit import AuditVerdict, BagCheck, check_bag, judged
from archiver.custody.ledger import open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.custody.store import opened_store
from archiver.custody.verify import Depth
from archiver.findings import Severity
from tests.custody.corruption import KINDS, damage, seeded
from tests.custody.ledgers import make_ledger, tamper
from tests.custody.stores import small_bag

DAMAGES = int(os.environ.get("ARCHIVER_DAMAGES", "300"))
BATCH = 50


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_bag(tmp_path_factory.mktemp("pristine") / "bag")


def checked(bag: Path, recorded: dict[str, str] | None = None) -> BagCheck:
    with opened_store(str(bag.parent)) as store:
        return judged(check_bag(store, bag.name, Depth.FULL, workers=1), recorded, "entry 1")


def files_named(check: BagCheck) -> set[tuple[str, str]]:
    return {
        (finding.code, finding.where.file)
        for finding in check.findings
        if finding.severity is Severity.ERROR
    }


@pytest.mark.parametrize("batch", range(-(-DAMAGES // BATCH)))
def test_random_damage_is_found_and_rightly_named(
    pristine: Path, tmp_path: Path, batch: int
) -> None:
    whole = checked(pristine)
    recorded = dict(whole.manifests)
    for seed in range(batch * BATCH, min(DAMAGES, (batch + 1) * BATCH)):
        rng = seeded(seed)
        kind = KINDS[seed % len(KINDS)]
        bag = tmp_path / f"bag-{seed}"
        shutil.copytree(pristine, bag)
        done = damage(bag, kind, rng)
        check = checked(bag, recorded)
        named = files_named(check)
        assert check.verdict is AuditVerdict.CHANGED, (seed, done)
        assert named >= done.expected, (seed, done, named)
        if kind != "tag manifest":
            # A flipped tag manifest may name files that never were, or only write a digit
            # in another case, which strangers let pass; it is blamed itself in both cases.
            blamed = {name for _, name in named} - {"bag-info.txt"}
            assert blamed <= done.files, (seed, done, named)
            assert stranger_says_valid(bag) is (kind == "manifest and file"), (seed, done)
        shutil.rmtree(bag)


def stranger_says_valid(bag: Path) -> bool:
    """The verdict of the bagit library; it cannot know of what the ledger knows alone."""
    try:
        return bool(bagit.Bag(str(bag)).validate())
    except Exception:  # noqa: BLE001 - it raises whatever its parser meets
        return False


def test_undamaged_bags_are_intact_for_us_and_for_strangers(pristine: Path) -> None:
    check = checked(pristine)
    assert check.verdict is AuditVerdict.INTACT
    assert stranger_says_valid(pristine)
    if shutil.which("sha256sum"):
        for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
            ran = subprocess.run(
                ["sha256sum", "--quiet", "-c", manifest], cwd=pristine, check=False
            )
            assert ran.returncode == 0


@pytest.mark.parametrize("kind", ["bit flip", "truncation", "deletion", "swap", "tag file"])
def test_sha256sum_names_the_same_files(pristine: Path, tmp_path: Path, kind: str) -> None:
    if not shutil.which("sha256sum"):
        return
    for seed in range(5):
        bag = tmp_path / f"{kind}-{seed}"
        shutil.copytree(pristine, bag)
        damage(bag, kind, seeded(seed))
        theirs: set[str] = set()
        for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
            ran = subprocess.run(
                ["sha256sum", "-c", manifest], cwd=bag, capture_output=True, text=True, check=False
            )
            theirs |= {
                line.partition(": FAILED")[0]
                for line in ran.stdout.splitlines()
                if ": FAILED" in line
            }
        codes = {"bag-checksum-differs", "bag-file-missing"}
        ours = {name for code, name in files_named(checked(bag)) if code in codes}
        assert ours == theirs, seed


@pytest.mark.parametrize("seed", range(60))
def test_a_random_change_of_the_ledger_is_found_and_rightly_named(
    tmp_path: Path, seed: int
) -> None:
    rng = seeded(seed)
    path = make_ledger(tmp_path / "ledger.sqlite3", 6)
    number = rng.randrange(1, 7)
    match seed % 3:
        case 0:
            column = rng.choice(["moment", "store", "bag", "facts", "previous", "digest"])
            tamper(
                path,
                f"UPDATE entries SET {column} = replace({column} || ?, '1', '2') "  # noqa: S608 - a column of ours
                "WHERE number = ?",
                values=(" ", number),
            )
            expected = {("ledger-entry-edited", f"entry {number}")}
        case 1:
            tamper(path, "DELETE FROM entries WHERE number = ?", values=(number,))
            expected = {("ledger-entry-removed", f"entry {number}")}
        case _:
            other = rng.choice([n for n in range(1, 7) if n != number])
            tamper(path, f"UPDATE entries SET number = 99 WHERE number = {number}")  # noqa: S608
            tamper(path, f"UPDATE entries SET number = {number} WHERE number = {other}")  # noqa: S608
            tamper(path, f"UPDATE entries SET number = {other} WHERE number = 99")  # noqa: S608
            expected = {
                ("ledger-entry-reordered", f"entry {number}"),
                ("ledger-entry-reordered", f"entry {other}"),
            }
    with open_ledger(path, read_only=True) as ledger:
        found = {(f.code, f.where.field) for f in verify_ledger(ledger).findings}
    assert expected <= found
    if seed % 3 != 2:
        assert found == expected
