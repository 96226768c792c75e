"""What each kind of entry of the ledger is as a PREMIS event: detail, outcome, note, agents.

Source: PREMIS Data Dictionary 3.0 (entity event); terms from the preservation vocabularies of
the Library of Congress: transfer, accession, ingestion and quarantine among them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from archiver.custody.entry import Entry, EntryKind

__all__ = ["Organisation", "by_program", "detail_of", "note_of", "organisations_of", "outcome_of"]

_NOTE_LIMIT = 4000
_SUCCESS, _WARNING, _FAILURE = "success", "warning", "failure"


@dataclass(frozen=True, slots=True)
class Organisation:
    """An organisation that carried an event out, by the name that the ledger has for it."""

    name: str

    @property
    def identifier(self) -> str:
        """Its local identifier in the document."""
        return f"organization-{self.name}"


def organisations_of(entry: Entry, facts: Mapping[str, Any]) -> tuple[Organisation, ...]:
    """Return the organisations that carried an event out; none if the program did it alone."""
    match entry.kind:
        case EntryKind.DEPOSITED:
            name = facts.get("depositor")
        case EntryKind.RECEIPT | EntryKind.RECEIVED | EntryKind.QUARANTINED:
            name = facts.get("institution")
        case _:
            name = None
    return (Organisation(name),) if isinstance(name, str) and name.strip() else ()


def by_program(entry: Entry) -> bool:
    """Say whether this program did it; a receipt is the act of the institution."""
    return entry.kind != EntryKind.RECEIPT


def detail_of(entry: Entry, facts: Mapping[str, Any]) -> str:
    """Say what was done."""
    match entry.kind:
        case EntryKind.CHECK:
            algorithms = facts.get("algorithms")
            names = ", ".join(map(str, algorithms)) if isinstance(algorithms, list) else ""
            return f"Depth: {facts.get('depth')}; algorithms: {names or 'none'}"
        case EntryKind.DEPOSITED:
            return (
                f"Deposit {facts.get('deposit')} to {facts.get('institution')}, as "
                f"{facts.get('form')}, to {facts.get('to')}; verified at the far end"
            )
        case EntryKind.RECEIPT:
            return f"Receipt for deposit {facts.get('deposit')}: {facts.get('receipt')}"
        case EntryKind.RECEIVED:
            deposit = facts.get("deposit") or "without a record of its own"
            return f"Deposit {deposit} of {facts.get('depositor') or 'nobody named'} taken in"
        case EntryKind.QUARANTINED:
            return f"Package set aside at {facts.get('to')}"
        case _:
            return f"{entry.kind}: {facts.get('path', 'whole bag')}"


def outcome_of(entry: Entry, facts: Mapping[str, Any]) -> str:
    """Say how it ended, as a word of :class:`archiver.describe.facts.Outcome`."""
    match entry.kind:
        case EntryKind.REPAIR_FAILED:
            return _FAILURE
        case EntryKind.RECEIPT:
            if facts.get("decision") != "accepted" or facts.get("agreement") == "digests differ":
                return _FAILURE
            return _SUCCESS if facts.get("agreement") == "digests agree" else _WARNING
        case EntryKind.CHECK:
            match facts.get("verdict"):
                case "intact":
                    return _SUCCESS
                case "complete" | "cannot be established" | "not signed by an accepted signer":
                    return _WARNING
                case _:
                    return _FAILURE
        case _:
            return _SUCCESS


def note_of(entry: Entry, facts: Mapping[str, Any]) -> str:
    """Say what came out of it, and where in the ledger it stands."""
    lines = [str(facts.get("verdict") or facts.get("agreement") or entry.kind)]
    findings = facts.get("findings")
    if isinstance(findings, list):
        lines += [
            f"{found.get('code')}: {found.get('where')}: {found.get('message')}"
            for found in findings
            if isinstance(found, dict)
        ]
    packages = facts.get("packages")
    if isinstance(packages, list):
        lines += [
            f"{one.get('name')}: {one.get('size')} bytes, SHA-256 {one.get('sha256')}, "
            f"{one.get('verified_by')}"
            for one in packages
            if isinstance(one, dict)
        ]
    signatures = facts.get("signatures")
    if isinstance(signatures, list):
        lines += [
            f"{one.get('file')}: {one.get('verdict')}, key {one.get('key') or 'unknown'}"
            for one in signatures
            if isinstance(one, dict)
        ]
    if entry.kind in {EntryKind.DEPOSITED, EntryKind.RECEIVED}:
        manifests = facts.get("manifests")
        if isinstance(manifests, dict):
            lines += [f"{name}: SHA-256 {digest}" for name, digest in sorted(manifests.items())]
    if "bytes_read" in facts:
        lines.append(f"{facts['bytes_read']} of {facts.get('bytes_held')} bytes read")
    last = f"Ledger entry {entry.number}, SHA-256 {entry.digest}"
    # Whatever is cut off, the way back to the ledger is not.
    return "\n".join(lines)[: _NOTE_LIMIT - len(last) - 1] + "\n" + last
