"""A JSON Schema made ready for reading a sheet: what each field may hold.

Covers the keywords that the project's schemas use and refuses any other, so that
nothing in a schema is passed over silently. That the reading and the schema say
the same is checked in the tests against the jsonschema library.
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from archiver.errors import DefectError
from archiver.schema_store import schema

__all__ = ["Shape", "shape"]

_ANNOTATIONS = {
    "$schema", "$id", "$defs", "title", "description", "examples", "x-accepted", "x-private",
}  # fmt: skip
_KEYWORDS = {
    "$ref", "type", "const", "enum", "pattern", "format", "minimum", "maximum", "properties",
    "required", "additionalProperties", "items", "minItems",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a field may hold. ``kind`` is the JSON type; a constant is a string.

    ``private`` marks what goes into the restricted part of a bag only.
    """

    kind: str
    description: str
    accepted: str
    example: str
    values: tuple[str | int, ...] = ()
    pattern: re.Pattern[str] | None = None
    format: str = ""
    minimum: int | None = None
    maximum: int | None = None
    fields: Mapping[str, Shape] | None = None
    required: tuple[str, ...] = ()
    item: Shape | None = None
    min_items: int = 0
    private: bool = False


@functools.cache
def shape(name: str) -> Shape:
    """Return the shape of a schema of the project, by its name.

    Raises
    ------
    DefectError
        The schema uses a keyword that is not covered here.
    """
    document = schema(name)
    return _shape(document, document.get("$defs", {}))


def _shape(node: Mapping[str, Any], definitions: Mapping[str, Any]) -> Shape:
    unknown = set(node) - _ANNOTATIONS - _KEYWORDS
    if unknown:
        raise DefectError(f"the schema uses {', '.join(sorted(unknown))}, which is not covered")
    if "$ref" in node:
        base = definitions[node["$ref"].removeprefix("#/$defs/")]
        node = {**base, **{key: value for key, value in node.items() if key != "$ref"}}
    values = tuple(node.get("enum", ())) or ((node["const"],) if "const" in node else ())
    fields = node.get("properties")
    return Shape(
        kind=node.get("type", "string"),
        description=node["description"],
        accepted=_accepted(node, values),
        example=_example(node["examples"][0]),
        values=values,
        pattern=re.compile(node["pattern"]) if "pattern" in node else None,
        format=node.get("format", ""),
        minimum=node.get("minimum"),
        maximum=node.get("maximum"),
        fields=None
        if fields is None
        else {name: _shape(field, definitions) for name, field in fields.items()},
        required=tuple(node.get("required", ())),
        item=_shape(node["items"], definitions) if "items" in node else None,
        min_items=node.get("minItems", 0),
        private=node.get("x-private", False),
    )


def _accepted(node: Mapping[str, Any], values: tuple[str | int, ...]) -> str:
    stated: str = node.get("x-accepted", "")
    if stated or not values:
        return stated
    return ", ".join(str(value) for value in values)


def _example(value: Any) -> str:
    """Write an example as it would stand in a sheet, in one line."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if isinstance(value, list):
        return "[" + ", ".join(_inline(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name}: {_inline(item)}" for name, item in value.items()) + "}"
    return str(value)


def _inline(value: Any) -> str:
    text = _example(value)
    if isinstance(value, str) and re.search(r"[,:\[\]{}#&*!|>'\"%@`]", text):
        return json.dumps(text, ensure_ascii=False)
    return text
