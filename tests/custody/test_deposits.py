"""Deposits in the ledger: how they stand, and the ledger's own promises with them.

Judges: the jsonschema library by ``ledger.schema.json``; the official PREMIS 3.0 XML schema,
and the preservation vocabularies of the Library of Congress (id.loc.gov) for the event types.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from lxml import etree

from archiver.custody.deposits import (
    DepositState,
    deposit_draft,
    deposit_named,
    deposits_in,
    digests_held,
    receipt_draft,
)
from archiver.custody.entry import Draft, EntryKind
from archiver.custody.ledger import Ledger, open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.custody.ledger_export import json_lines, premis_events
from archiver.custody.receipts import Agreement, Decision
from archiver.errors import MisuseError
from archiver.schema_store import schema
from tests.custody.handovers import MOMENT, record
from tests.custody.ledgers import make_ledger, tamper
from tests.describe import official

DUE, AFTER = date(2026, 12, 25), date(2026, 12, 26)


def enter(ledger: Ledger, **more: Any) -> None:
    ledger.append(
        deposit_draft(
            record(**more),
            store="/vault/a",
            moment=MOMENT,
            papers={"deposit.json": "ab" * 32},
            payload=[("sha256", "e5" * 32), ("sha256", "f6" * 32), ("sha512", "f6" * 64)],
        )
    )


def answer(
    ledger: Ledger,
    name: str = "D-3f9a1c0de4b2",
    decision: Decision = Decision.ACCEPTED,
    agreement: Agreement = Agreement.AGREES,
) -> None:
    ledger.append(
        receipt_draft(
            deposit_named(deposits_in(ledger), name),
            moment=MOMENT,
            receipt="R-77b0c1a2d3e4",
            decision=decision,
            agreement=agreement,
            file=f"{'cd' * 32}.json",
            sha256="cd" * 32,
            findings=(),
        )
    )


def facts_of_receiving() -> dict[str, Any]:
    return {
        "receipt": "R-77b0c1a2d3e4",
        "deposit": "D-3f9a1c0de4b2",
        "institution": "Egeskov State Sound Archive",
        "depositor": "Lindehavn Håndværks- og Kontormuseum",
        "packages": [
            {"name": "a.tar", "size": 10, "sha256": "ab" * 32, "verified_by": "computed here"}
        ],
        "papers": {"receipt.json": "ab" * 32},
        "program": "archiver 0.1.0",
    }


@pytest.fixture
def full(tmp_path: Path) -> Path:
    """A ledger with an entry of each kind that deposits and receiving make."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        enter(ledger)
        answer(ledger, agreement=Agreement.NOT_STATED)
        answer(ledger, agreement=Agreement.DIFFERS)
        answer(ledger)
        common = {"store": "/vault/e", "bag": "lhm-2026-10-17-v2", "moment": MOMENT}
        ledger.append(
            Draft(
                kind=EntryKind.RECEIVED,
                facts=facts_of_receiving()
                | {
                    "manifests": {"tagmanifest-sha256.txt": "b2" * 32},
                    "payload_files": 2,
                    "payload_bytes": 10,
                    "completed": {"data/a.wav": "lhm-2026-10-17"},
                    "already_held": False,
                    "reference": "2026/117",
                },
                **common,
            ),
            Draft(
                kind=EntryKind.QUARANTINED,
                facts=facts_of_receiving() | {"to": "/vault/q/R-77b0c1a2d3e4", "findings": []},
                **common,
            ),
        )
    return path


def test_a_deposit_awaits_its_receipt_until_the_last_day_and_is_overdue_after(
    tmp_path: Path,
) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        enter(ledger)
        (one,) = deposits_in(ledger)
    assert one.state(DUE) is DepositState.AWAITED
    assert one.state(AFTER) is DepositState.OVERDUE
    assert (DepositState.AWAITED.exit_status, DepositState.OVERDUE.exit_status) == (0, 1)


@pytest.mark.parametrize(
    ("decision", "agreement", "state", "status"),
    [
        (Decision.ACCEPTED, Agreement.AGREES, DepositState.RECEIPTED, 0),
        (Decision.ACCEPTED, Agreement.NOT_STATED, DepositState.UNPROVED, 0),
        (Decision.ACCEPTED, Agreement.DIFFERS, DepositState.DISAGREES, 3),
        (Decision.REFUSED, Agreement.AGREES, DepositState.REFUSED, 1),
        (Decision.REFUSED, Agreement.DIFFERS, DepositState.DISAGREES, 3),
    ],
)
def test_the_newest_receipt_says_how_a_deposit_stands(
    tmp_path: Path, decision: Decision, agreement: Agreement, state: DepositState, status: int
) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        enter(ledger)
        answer(ledger, agreement=Agreement.DIFFERS)
        answer(ledger, decision=decision, agreement=agreement)
        (one,) = deposits_in(ledger)
    assert one.state(AFTER) is state
    assert state.exit_status == status


def test_only_what_a_receipt_proves_counts_as_held(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        enter(ledger)
        institution, bag = record().institution.name, "lhm-2026-10-17-v3"
        assert digests_held(deposits_in(ledger), institution, bag) == frozenset()
        answer(ledger, agreement=Agreement.NOT_STATED)
        assert digests_held(deposits_in(ledger), institution, bag) == frozenset()
        answer(ledger)
        held = digests_held(deposits_in(ledger), institution, bag)
        assert held == {"sha256:" + "e5" * 32, "sha256:" + "f6" * 32, "sha512:" + "f6" * 64}
        assert digests_held(deposits_in(ledger), "Another archive", bag) == frozenset()
        assert digests_held(deposits_in(ledger), institution, "another-bag") == frozenset()


def test_an_unknown_deposit_is_told_with_those_that_are_known(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        with pytest.raises(MisuseError, match="there is none yet"):
            deposit_named(deposits_in(ledger), "D-000000000000")
        enter(ledger)
        with pytest.raises(MisuseError, match="D-3f9a1c0de4b2"):
            deposit_named(deposits_in(ledger), "D-000000000000")


def test_each_new_kind_of_entry_is_valid_and_the_chain_stays_verifiable(full: Path) -> None:
    validator = Draft202012Validator(schema("ledger"))
    with open_ledger(full, read_only=True) as ledger:
        lines = [json.loads(line) for line in json_lines(ledger.entries())]
        assert verify_ledger(ledger).intact
    assert {line["kind"] for line in lines} == {
        "deposited",
        "receipt",
        "received",
        "quarantined",
    }
    for line in lines:
        validator.validate(line)
        assert not validator.is_valid(line | {"facts": line["facts"] | {"more": 1}})


def test_an_edited_deposit_is_named(full: Path) -> None:
    tamper(full, "UPDATE entries SET facts = replace(facts, 'in.egeskov', 'elsewhere')")
    with open_ledger(full, read_only=True) as ledger:
        found = verify_ledger(ledger).findings
    assert [one.code for one in found] == ["ledger-entry-edited"]
    assert "entry 1" in str(found[0].where)


def test_a_ledger_of_before_still_opens_and_goes_on(tmp_path: Path) -> None:
    path = make_ledger(tmp_path / "ledger.sqlite3")
    connection = sqlite3.connect(path)
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    connection.close()
    assert version == 1
    with open_ledger(path) as ledger:
        assert deposits_in(ledger) == ()
        enter(ledger)
        assert len(deposits_in(ledger)) == 1
        assert verify_ledger(ledger).intact


def test_premis_tells_transfers_receipts_and_quarantine_with_who_did_it(
    full: Path, official_schemas: Path
) -> None:
    with open_ledger(full, read_only=True) as ledger:
        document = premis_events(ledger.entries(), program="archiver", version="1")
    root = etree.fromstring(document)
    official.schema(official_schemas, "premis/premis-v3-0.xsd").assertValid(root)
    names = {"p": "http://www.loc.gov/premis/v3"}

    def texts(path: str) -> list[str]:
        found = root.xpath(path, namespaces=names)
        assert isinstance(found, list)
        return [str(text) for text in found]

    assert texts("//p:eventType/text()") == [
        "transfer",
        "accession",
        "accession",
        "accession",
        "ingestion",
        "quarantine",
    ]
    vocabulary = "http://id.loc.gov/vocabulary/preservation/eventType/"
    assert set(texts("//p:eventType/@valueURI")) == {
        f"{vocabulary}{code}" for code in ("tra", "acc", "ing", "qua")
    }
    assert texts("//p:eventOutcome/text()") == [
        "success",
        "warning",
        "fail",
        "success",
        "success",
        "success",
    ]
    agents = set(texts("//p:agentIdentifierValue/text()"))
    linked = set(texts("//p:linkingAgentIdentifierValue/text()"))
    assert linked == agents
    assert "organization-Egeskov State Sound Archive" in agents
    accession = "//p:event[p:eventType='accession'][1]//p:linkingAgentIdentifierValue/text()"
    assert texts(accession) == ["organization-Egeskov State Sound Archive"]
    notes = texts("//p:event[p:eventType='transfer']//p:eventOutcomeDetailNote/text()")
    assert "b2" * 32 in notes[0]
    assert notes[0].splitlines()[-1].startswith("Ledger entry 1, SHA-256 ")


def test_a_long_note_keeps_the_way_back_to_the_ledger(tmp_path: Path) -> None:
    many = tuple(replace(record().packages[0], name=f"p{n}.tar") for n in range(200))
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        enter(ledger, packages=many)
        document = premis_events(ledger.entries(), program="archiver", version="1")
    note = etree.fromstring(document).findtext(
        ".//{http://www.loc.gov/premis/v3}eventOutcomeDetailNote"
    )
    assert note is not None
    assert len(note) <= 4000
    assert note.splitlines()[-1].startswith("Ledger entry 1, SHA-256 ")
