"""Records of deposits and receipts for tests: made up, and always the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from archiver.custody.deposit_record import (
    BagIdentity,
    DepositedFile,
    DepositRecord,
    Package,
    Party,
)
from archiver.custody.receipts import Decision, Receipt

MOMENT = "2026-11-25T08:30:30.000Z"
DEPOSITOR = Party(
    name="Lindehavn Håndværks- og Kontormuseum",
    person="Karen Ravn",
    email="lyd@lindehavn-museum.example",
    address="Pakhusgade 3, Lindehavn",
)
INSTITUTION = Party(
    name="Egeskov State Sound Archive",
    person="Accessions desk",
    email="accessions@egeskov.example",
    phone="+45 99 00 00 00",
    address="Slotsvej 1, 9990 Egeskov",
)
BAG = BagIdentity(
    name="lhm-2026-10-17-v2",
    identifier="lhm-2026-10-17",
    version="2",
    replaces="lhm-2026-10-17",
    manifests={"manifest-sha256.txt": "a1" * 32, "tagmanifest-sha256.txt": "b2" * 32},
    payload_files=2,
    payload_bytes=1_153_049,
)
PACKAGE = Package(
    name="lhm-2026-10-17-v2.tar", size=20_480, sha256="c3" * 32, verified_by="read back"
)
FILES = (
    DepositedFile(path="bagit.txt", size=55, algorithm="sha256", digest="d4" * 32),
    DepositedFile(
        path="data/documents/notes.txt", size=25, algorithm="sha256", digest="e5" * 32
    ),
    DepositedFile(
        path="data/masters/t01.wav", size=1_153_024, algorithm="sha256", digest="f6" * 32,
        sent=False,
    ),
    DepositedFile(path="tagmanifest-sha256.txt.sig", size=300, algorithm="", digest=""),
)  # fmt: skip


def record(**more: Any) -> DepositRecord:
    """A deposit of a second version of which one file is held already."""
    made = DepositRecord(
        deposit="D-3f9a1c0de4b2",
        made=MOMENT,
        depositor=DEPOSITOR,
        institution=INSTITUTION,
        to="sftp://in.egeskov.example/sound/D-3f9a1c0de4b2",
        program="archiver 0.1.0",
        form="tar",
        bag=BAG,
        packages=(PACKAGE,),
        files=FILES,
        receipt_due="2026-12-25",
    )
    return replace(made, **more)


def receipt(**more: Any) -> Receipt:
    """A receipt for that deposit."""
    made = Receipt(
        receipt="R-77b0c1a2d3e4",
        decision=Decision.ACCEPTED,
        moment="2026-11-26T09:00:00.000Z",
        institution=INSTITUTION,
        depositor=DEPOSITOR,
        deposit="D-3f9a1c0de4b2",
        program="archiver 0.1.0",
        bag=BAG,
        packages=(replace(PACKAGE, verified_by="as the record of the deposit states"),),
        held_as="lhm-2026-10-17-v2",
        completed={"data/masters/t01.wav": "lhm-2026-10-17"},
        reference="2026/117",
        words=("We keep it from today.",),
    )
    return replace(made, **more)
