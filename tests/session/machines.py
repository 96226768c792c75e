"""Machines for the tests, made by hand."""

from __future__ import annotations

from archiver.session import Machine, Part, PartState, parse_edtf
from archiver.session.machine_record import Evidence
from archiver.session.vocabulary import Confidence, EvidenceKind

PARTS = (
    Part(name="motor", state=PartState.ORIGINAL),
    Part(name="horn", state=PartState.REPLACED),
    Part(name="lid", state=PartState.UNKNOWN),
)


def piece(
    says: str,
    confidence: str = "firm",
    *,
    what: str = "the plate",
    source: str = "directory",
    part: str | None = None,
    within_years: int | None = None,
) -> Evidence:
    return Evidence(
        kind=EvidenceKind.MARK,
        what=what,
        says=parse_edtf(says),
        source=source,
        confidence=Confidence(confidence),
        part=part,
        within_years=within_years,
    )


def machine(*evidence: Evidence) -> Machine:
    return Machine(id="m", names=("M",), type="cylinder machine", parts=PARTS, evidence=evidence)
