"""The session record as JSON, and back.

Keys stand in the order of the sheet. A quantity, date or moment is an object with
the person's text under ``stated`` and what it means beside it; what was not stated
is left out. ``session_from_json`` reads only what was stated and derives the rest.
"""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Mapping
from datetime import UTC
from typing import Any

from archiver.errors import InputError
from archiver.session.build import build_machine, build_session, build_type
from archiver.session.conform import conform
from archiver.session.edtf import EdtfDate
from archiver.session.place import Places
from archiver.session.quantity import Quantity
from archiver.session.records import Machine, MachineType, Session
from archiver.session.shape import Shape, shape
from archiver.session.timestamp import Timestamp
from archiver.session.tree import Entry, Group, Listing, Node, Scalar

__all__ = ["machine_as_json", "session_as_json", "session_from_json", "type_as_json"]

_OWN = (
    "identifier", "title", "start", "end", "place", "address", "purpose", "summary", "language",
    "subjects", "rights", "restrictions",
)  # fmt: skip
_SECTIONS = (
    "organisation", "operators", "chains", "media", "setups", "takes", "conditions", "photographs",
    "documents",
)  # fmt: skip


def session_as_json(session: Session) -> dict[str, Any]:
    """Return a session with its machines as JSON.

    Parameters
    ----------
    session : Session
        Any record.

    Returns
    -------
    dict
        Of texts, numbers, booleans, lists and dicts; the same record gives the same
        keys in the same order.
    """
    document: dict[str, Any] = {"schema": "session 1", "session": _members(session, _OWN)}
    document |= _members(session, _SECTIONS)
    if session.machines:
        document["machines"] = [machine_as_json(machine) for machine in session.machines]
    if session.types:
        document["types"] = [type_as_json(each) for each in session.types]
    return document


def machine_as_json(machine: Machine) -> dict[str, Any]:
    """Return a machine as JSON, in the order of its file."""
    names = tuple(field.name for field in dataclasses.fields(machine) if field.name != "places")
    return {"schema": "machine 1", **_members(machine, names)}


def type_as_json(machine_type: MachineType) -> dict[str, Any]:
    """Return a type file as JSON, in the order of its file."""
    names = tuple(
        field.name for field in dataclasses.fields(machine_type) if field.name != "places"
    )
    return {"schema": "type 1", **_members(machine_type, names)}


def _members(record: Any, names: tuple[str, ...]) -> dict[str, Any]:
    members = {}
    for name in names:
        value = getattr(record, name)
        if value is not None and value != ():
            members[name] = _value(value)
    return members


def _value(value: Any) -> Any:
    match value:
        case Quantity():
            return _quantity(value)
        case EdtfDate():
            return _date(value)
        case Timestamp():
            utc = value.moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
            return {"stated": value.text, "utc": utc}
        case tuple():
            return [_value(item) for item in value]
        case enum.Enum():
            return value.value
        case bool() | int() | str():
            return value
        case _:
            names = tuple(field.name for field in dataclasses.fields(value) if field.name != "at")
            return _members(value, names)


def _quantity(quantity: Quantity) -> dict[str, Any]:
    document: dict[str, Any] = {
        "stated": quantity.text,
        "value": quantity.value,
        "unit": quantity.unit,
    }
    if quantity.approximate:
        document["approximate"] = True
    if quantity.tolerance is not None:
        document["tolerance"] = quantity.tolerance
    return document


def _date(date: EdtfDate) -> dict[str, Any]:
    document: dict[str, Any] = {
        "stated": date.text,
        "form": date.form.value,
        "earliest": str(date.earliest),
        "latest": str(date.latest),
    }
    for mark in ("approximate", "uncertain", "unspecified"):
        if getattr(date, mark):
            document[mark] = True
    return document


def session_from_json(document: Mapping[str, Any]) -> Session:
    """Read back what :func:`session_as_json` wrote.

    Raises
    ------
    InputError
        The document does not conform to the schemas; the first finding is told.
    """
    content = dict(document)
    machines = [
        build_machine(*_conformed(each, shape("machine"))) for each in _listed(content, "machines")
    ]
    types = [build_type(*_conformed(each, shape("type"))) for each in _listed(content, "types")]
    fields, places = _conformed(content, shape("session"))
    session = build_session(
        fields,
        tuple(machine for machine in machines if machine is not None),
        places,
        tuple(each for each in types if each is not None),
    )
    if session is None:
        raise InputError("the document holds no session")
    return session


def _listed(content: dict[str, Any], name: str) -> list[Any]:
    records = content.pop(name, [])
    if not isinstance(records, list):
        raise InputError(f"the member `{name}` is no list", accepted="a list of records")
    return records


def _conformed(content: Any, form: Shape) -> tuple[Any, Places]:
    root = _node(content)
    if not isinstance(root, Group):
        raise InputError("the document is no JSON object", accepted="a session record")
    fields, findings = conform(root, form, "session.json")
    if findings:
        first = findings[0]
        raise InputError(
            first.message,
            where=f"session.json, {first.where.field}",
            accepted=first.accepted,
            remedy="The record was changed after it was written, or by another version.",
        )
    return fields, Places()


def _node(value: Any) -> Node:
    """Turn JSON into the tree of texts that a sheet gives."""
    if isinstance(value, Mapping):
        if isinstance(value.get("stated"), str):
            return _text(value["stated"])
        group = Group(line=1, column=1)
        for name, member in value.items():
            group.entries[str(name)] = Entry(line=1, column=1, value=_node(member))
        return group
    if isinstance(value, list):
        return Listing(line=1, column=1, items=[_node(item) for item in value])
    if isinstance(value, bool):
        return _text("yes" if value else "no")
    return _text(str(value))


def _text(text: str) -> Scalar:
    return Scalar(text=text, plain=False, line=1, column=1, end_line=1, end_column=1)
