"""JSON as it lies in a bag: always in the same bytes; and what the check found."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from archiver.findings import Finding

__all__ = ["as_bytes", "findings_document"]


def as_bytes(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON in UTF-8, always in the same bytes."""
    return json.dumps(document, ensure_ascii=False, indent=2).encode() + b"\n"


def findings_document(findings: Iterable[Finding]) -> bytes:
    """Return what the check had to say when the bag was made, as JSON in UTF-8."""
    return as_bytes({"findings": [finding.as_json() for finding in findings]})
