"""Reading a JSON document back."""

from __future__ import annotations

import json
from typing import Any

from archiver.describe import rules
from archiver.describe.selfcheck.reading import Desk

__all__ = ["json_object"]


def json_object(content: bytes, desk: Desk) -> dict[str, Any] | None:
    """Return the object that a document holds; None, with a finding, when it holds none."""
    try:
        found = json.loads(content)
    except (ValueError, RecursionError) as error:
        desk.report(rules.MALFORMED, f"the document is not JSON: {error}")
        return None
    if not isinstance(found, dict):
        desk.report(rules.MALFORMED, "the document holds no object")
        return None
    return found
