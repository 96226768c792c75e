"""The JSON Schemas, judged by the draft's own metaschema and by the jsonschema library.

JSON Schema draft 2020-12. The reading of sheets does not use that library, since it
reads texts and converts by the schema; here the two are held together.
"""

from __future__ import annotations

import copy
import dataclasses
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from archiver.errors import DefectError
from archiver.schema_store import schema, schema_names
from archiver.session.conform import conform
from archiver.session.forms import FORMATS
from archiver.session.record_json import _node
from archiver.session.records import Machine, MachineType, Session
from archiver.session.shape import Shape, _shape, shape
from archiver.session.tree import Group
from tests.session.strategies import values

NAMES = ["machine", "session", "type"]


def parts(node: Mapping[str, Any], path: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield every subschema with its path."""
    yield path, node
    for section in ("properties", "$defs"):
        for name, part in node.get(section, {}).items():
            yield from parts(part, f"{path}/{section}/{name}")
    if "items" in node:
        yield from parts(node["items"], f"{path}/items")


def resolved(name: str, part: Mapping[str, Any]) -> dict[str, Any]:
    if "$ref" not in part:
        return dict(part)
    base = schema(name)["$defs"][part["$ref"].removeprefix("#/$defs/")]
    return {**base, **part}


def test_the_schemas_of_the_sheet_are_there() -> None:
    assert set(NAMES) <= set(schema_names())


def test_a_schema_that_is_not_there_is_a_defect() -> None:
    with pytest.raises(DefectError, match="no-such"):
        schema("no-such")


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_is_valid_by_the_metaschema(name: str) -> None:
    document = schema(name)
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert document["$id"] == f"https://archiver.invalid/schemas/{name}.schema.json"
    Draft202012Validator.check_schema(document)


@pytest.mark.parametrize("name", NAMES)
def test_every_object_is_closed(name: str) -> None:
    objects = [(path, part) for path, part in parts(schema(name)) if "properties" in part]
    assert objects
    for path, part in objects:
        assert part["type"] == "object", path
        assert part["additionalProperties"] is False, path
        assert set(part.get("required", ())) <= set(part["properties"]), path


@pytest.mark.parametrize("name", NAMES)
def test_every_field_has_a_description_and_examples_that_are_valid(name: str) -> None:
    document = schema(name)
    fields = list(parts(document))
    assert len(fields) > 25
    for path, part in fields:
        assert part["description"].endswith("."), path
        assert part["examples"], path
        validator = Draft202012Validator({**part, "$defs": document["$defs"]})
        for example in part["examples"]:
            assert validator.is_valid(example), (path, example)


@pytest.mark.parametrize("name", NAMES)
def test_every_example_of_a_format_can_be_read(name: str) -> None:
    formats = set()
    for path, part in parts(schema(name)):
        full = resolved(name, part)
        if "format" in full:
            formats.add(full["format"])
            for example in full["examples"]:
                assert FORMATS[full["format"]].read(example), path
    assert formats <= set(FORMATS)
    assert "edtf" in formats


@pytest.mark.parametrize("name", NAMES)
def test_every_pattern_is_anchored_or_only_asks_for_a_visible_character(name: str) -> None:
    for path, part in parts(schema(name)):
        pattern = part.get("pattern")
        if pattern is not None and pattern != "\\S":
            assert pattern.startswith("^"), path
            assert pattern.endswith("$"), path
            assert part["x-accepted"], path


def test_a_keyword_that_the_reading_does_not_know_is_a_defect() -> None:
    with pytest.raises(DefectError, match="oneOf"):
        _shape({"description": "x", "examples": ["x"], "oneOf": []}, {})


# --- schema and records -------------------------------------------------------------


def _fields_of(record: type) -> dict[str, tuple[type, bool, bool]]:
    """Return type, is it a list, is it required, by the name of the field."""
    hints = typing.get_type_hints(record)
    found = {}
    for field in dataclasses.fields(record):
        if not field.init or field.name in ("at", "places", "machines", "types"):
            continue
        hint = hints[field.name]
        is_list = typing.get_origin(hint) is tuple
        if is_list:
            kind = typing.get_args(hint)[0]
        elif isinstance(hint, types.UnionType):
            kind = next(arg for arg in typing.get_args(hint) if arg is not type(None))
        else:
            kind = hint
        required = (
            field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
        )
        found[field.name] = (kind, is_list, required)
    return found


# One record serves several groups of fields, each with some of its own.
SHARED_RECORDS = {
    "machine.photographs",
    "session.chains.preamplifier",
    "session.chains.converter",
    "session.chains.recorder",
}


def _agree(record: type, form: Shape, path: str) -> None:
    assert form.fields is not None, path
    fields = _fields_of(record)
    stated = {name: field for name, field in form.fields.items() if name != "schema"}
    if path in SHARED_RECORDS:
        assert set(stated) < set(fields), path
    else:
        assert list(fields) == list(stated), path
    for name, field in stated.items():
        kind, is_list, required = fields[name]
        where = f"{path}.{name}"
        assert is_list == (field.kind == "array"), where
        if not is_list:
            assert required == (name in form.required), where
        inner = field.item if is_list else field
        assert inner is not None, where
        if inner.kind == "object":
            _agree(kind, inner, where)
        elif inner.values and inner.kind == "string":
            assert [member.value for member in typing.cast(Any, kind)] == list(inner.values), where
        elif inner.format:
            assert isinstance(FORMATS[inner.format].read(inner.example), kind), where
        else:
            assert kind is {"string": str, "integer": int, "boolean": bool}[inner.kind], where


def test_the_machine_record_has_the_fields_of_its_schema() -> None:
    _agree(Machine, shape("machine"), "machine")


def test_the_type_record_has_the_fields_of_its_schema() -> None:
    _agree(MachineType, shape("type"), "type")


def test_the_session_record_has_the_fields_of_its_schema() -> None:
    top = shape("session")
    assert top.fields is not None
    own = top.fields["session"]
    assert own.fields is not None
    sections = {
        name: part for name, part in top.fields.items() if name not in ("schema", "session")
    }
    merged = dataclasses.replace(
        top,
        fields={**own.fields, **sections},
        # A session without chains or takes is made all the same, beside its findings.
        required=(*own.required, "organisation"),
    )
    _agree(Session, merged, "session")


# --- the reading and the jsonschema library -----------------------------------------


def break_one(draw: st.DrawFn, document: Any, form: Shape) -> None:
    """Break one place of a valid document, in a way that any schema validator sees."""
    places: list[tuple[Any, Any, Shape]] = []

    def gather(node: Any, part: Shape) -> None:
        if isinstance(node, dict) and part.fields is not None:
            for name, child in node.items():
                places.append((node, name, part))
                gather(child, part.fields[name])
        elif isinstance(node, list) and part.item is not None:
            for child in node:
                gather(child, part.item)

    gather(document, form)
    node, name, part = draw(st.sampled_from(places))
    assert part.fields is not None
    inner = part.fields[name]
    how = draw(st.sampled_from(["drop", "unknown", "shape", "word"]))
    if how == "drop":
        del node[name]
    elif how == "unknown":
        node["zzzzzzzz"] = "x"
    elif how == "shape":
        node[name] = ["x"] if inner.kind != "array" else {"x": "y"}
    elif inner.kind == "string" and (inner.values or inner.pattern) and not inner.format:
        node[name] = " "
    elif inner.kind == "integer":
        node[name] = -7


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, Any]:
    name = draw(st.sampled_from(NAMES))
    form = shape(name)
    document = copy.deepcopy(draw(values(form)))
    if draw(st.booleans()):
        break_one(draw, document, form)
    return name, document


@given(documents())
def test_the_reading_finds_fault_if_and_only_if_the_jsonschema_library_does(
    case: tuple[str, Any],
) -> None:
    name, document = case
    root = _node(document)
    assert isinstance(root, Group)
    _, findings = conform(root, shape(name), "x.yaml")
    errors = list(Draft202012Validator(schema(name)).iter_errors(document))
    assert bool(findings) == bool(errors), (findings, errors)
