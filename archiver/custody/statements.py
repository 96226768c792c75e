"""JSON documents that travel between a depositor and an institution, read with suspicion.

What another sent is limited in size, must be JSON in UTF-8 and must agree with its schema
before a single member is looked at.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from archiver.errors import InputError
from archiver.schema_store import schema

__all__ = ["LARGEST_STATEMENT_BYTES", "read_statement", "statement_bytes"]

LARGEST_STATEMENT_BYTES = 1 << 26
"""A deposit of a hundred thousand files stays below this."""

_SHOWN_CHARACTERS = 200
_KIND = re.compile(r"[a-z-]+ \d{1,4}", re.ASCII)


def statement_bytes(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON in UTF-8, always in the same bytes."""
    return json.dumps(document, ensure_ascii=False, indent=2).encode() + b"\n"


def read_statement(content: bytes, name: str, where: str) -> dict[str, Any]:
    """Read a document and check it against its schema.

    Parameters
    ----------
    content : bytes
        The whole file.
    name : str
        Of the schema, such as ``"receipt"``.
    where : str
        The file, for the error.

    Raises
    ------
    InputError
        It is too large, no JSON, or not of this form; the first place that is wrong is named.

    Source: JSON Schema draft 2020-12, through the jsonschema library.
    """
    from jsonschema import Draft202012Validator  # noqa: PLC0415 - few commands need it

    if len(content) > LARGEST_STATEMENT_BYTES:
        raise InputError(
            f"is larger than {LARGEST_STATEMENT_BYTES} bytes",
            where=where,
            remedy="Check that it is the file that is meant",
        )
    try:
        document = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"is no JSON in UTF-8 ({error})", where=where, accepted=f"a document of {name} 1"
        ) from error
    kind = document.get("schema") if isinstance(document, dict) else None
    if kind != f"{name} 1":
        stated = kind if isinstance(kind, str) and _KIND.fullmatch(kind) else None
        raise InputError(
            f"is a document of {stated!r}" if stated else "states no form of document known here",
            where=where,
            accepted=f'a JSON object with "schema": "{name} 1"',
            remedy="Ask whoever wrote it for the right file" if stated is None else "",
        )
    # Errors come in no order of their own.
    errors = sorted(
        Draft202012Validator(schema(name)).iter_errors(document),
        key=lambda error: [str(step) for step in error.absolute_path],
    )
    if errors:
        first = errors[0]
        place = ".".join(str(step) for step in first.absolute_path) or "the whole"
        message = first.message
        if len(message) > _SHOWN_CHARACTERS:
            message = message[:_SHOWN_CHARACTERS] + " …"
        raise InputError(
            f"{place}: {message}",
            where=where,
            accepted=f"what schemas/{name}.schema.json describes",
            remedy="The file was changed after it was written, or by another program",
        )
    found: dict[str, Any] = document
    return found
