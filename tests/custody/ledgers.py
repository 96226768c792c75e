"""Ledgers for tests: made by the code under test, damaged by plain SQL."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from archiver.custody.entry import Draft, EntryKind
from archiver.custody.ledger import open_ledger

MOMENT = "2026-11-25T08:30:30.000Z"


def check_facts(verdict: str = "intact", **more: Any) -> dict[str, Any]:
    """Facts of a check as the schema wants them."""
    facts: dict[str, Any] = {
        "run": "3f9a1c0de4b2a716",
        "depth": "full",
        "verdict": verdict,
        "bytes_read": 1000,
        "bytes_held": 1000,
        "payload_files": 3,
        "payload_bytes": 900,
        "algorithms": ["sha256"],
        "not_looked_at": 0,
        "manifests": {"manifest-sha256.txt": "ab" * 32},
        "signatures": [],
        "findings": [],
        "findings_total": 0,
        "duration_ms": 12,
        "resumed": False,
        "host": "vault-2",
    }
    return facts | more


def check_draft(bag: str = "bag-1", verdict: str = "intact", **more: Any) -> Draft:
    """A check to be entered."""
    return Draft(
        kind=EntryKind.CHECK,
        store="/vault/a",
        bag=bag,
        moment=MOMENT,
        facts=check_facts(verdict, **more),
    )


def make_ledger(path: Path, count: int = 8) -> Path:
    """A ledger of some checks."""
    with open_ledger(path) as ledger:
        for number in range(count):
            ledger.append(check_draft(f"bag-{number}"))
    return path


def tamper(path: Path, *statements: str, values: tuple[object, ...] = ()) -> None:
    """Change a ledger as somebody with a database tool would, triggers out of the way."""
    connection = sqlite3.connect(path)
    triggers = connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall()
    for name, _ in triggers:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(statement, values)
    for _, text in triggers:
        connection.execute(text)
    connection.commit()
    connection.close()
