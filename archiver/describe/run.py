"""JSON as it lies in a bag: always in the same bytes; and what the check found."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from archiver.findings import Finding

__all__ = ["FINDINGS", "as_bytes", "findings_document"]

FINDINGS = "metadata/findings.json"


def as_bytes(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON in UTF-8, always in the same bytes."""
    return json.dumps(document, ensure_ascii=False, indent=2).encode() + b"\n"


def findings_document(
    findings: Iterable[Finding], judged_for: Mapping[str, Any] | None = None
) -> bytes:
    """Return what the check had to say when the bag was made, as JSON in UTF-8.

    Parameters
    ----------
    findings : iterable of Finding
        On the session.
    judged_for : mapping, optional
        The institution for which the bag was made and judged, by which profiles, and what it
        had to say; the bag fits, or it would not have been made.
    """
    document: dict[str, Any] = {"findings": [finding.as_json() for finding in findings]}
    return as_bytes(document if judged_for is None else document | {"judged_for": judged_for})
