"""What is not public: the fields that the schemas mark private, in the records.

A field is private when its schema says ``x-private``; so a new private field is withheld
everywhere as soon as the schema names it.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from typing import Any, TypeVar, cast

from archiver.findings import Where
from archiver.session.edtf import EdtfDate
from archiver.session.quantity import Quantity
from archiver.session.records import Session
from archiver.session.shape import Shape, shape
from archiver.session.timestamp import Timestamp

__all__ = ["PrivateValue", "private_values", "session_shape", "without_private"]

_Record = TypeVar("_Record")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class PrivateValue:
    """A value that is not public: where it stands, and its text as stated."""

    where: Where
    text: str


def session_shape() -> Shape:
    """Return the shape of a session record: the fields of the session beside the sections."""
    top = shape("session")
    own = (top.fields or {})["session"].fields or {}
    sections = {name: part for name, part in (top.fields or {}).items() if name != "session"}
    return dataclasses.replace(top, fields={**own, **sections})


def private_values(session: Session) -> tuple[PrivateValue, ...]:
    """Return every private value of the sheet and of the machine files, at its field."""
    own = (shape("session").fields or {})["session"].fields or {}
    found: list[PrivateValue] = []
    for field, text in _private(session, session_shape(), ""):
        grouped = re.split(r"[.\[]", field, maxsplit=1)[0] in own
        where = session.locate(f"session.{field}" if grouped else field)
        found.append(PrivateValue(where=where, text=text))
    for machine in session.machines:
        found += [
            PrivateValue(where=machine.locate(field), text=text)
            for field, text in _private(machine, shape("machine"), "")
        ]
    return tuple(found)


def without_private(session: Session) -> Session:
    """Return the record without its private fields."""
    public = _without(session, session_shape())
    machines = tuple(_without(machine, shape("machine")) for machine in session.machines)
    return dataclasses.replace(public, machines=machines)


def _private(value: Any, form: Shape, field: str) -> Iterator[tuple[str, str]]:
    if value is None:
        return
    if form.private:
        yield from _texts(value, field)
    elif form.item is not None:
        for number, one in enumerate(value):
            yield from _private(one, form.item, f"{field}[{number}]")
    elif form.fields is not None:
        for name, part in form.fields.items():
            inner = f"{field}.{name}" if field else name
            yield from _private(getattr(value, name, None), part, inner)


def _texts(value: Any, field: str) -> Iterator[tuple[str, str]]:
    """Yield the texts of a private value, whatever it is made of."""
    if isinstance(value, str):
        yield field, value
    elif isinstance(value, Quantity | EdtfDate | Timestamp):
        yield field, value.text
    elif isinstance(value, tuple):
        for number, one in enumerate(value):
            yield from _texts(one, f"{field}[{number}]")
    elif dataclasses.is_dataclass(value):
        for one in dataclasses.fields(value):
            if one.name != "at":
                yield from _texts(getattr(value, one.name), f"{field}.{one.name}")
    elif value is not None:
        yield field, str(value)


def _without(record: _Record, form: Shape) -> _Record:
    changes: dict[str, Any] = {}
    for name, part in (form.fields or {}).items():
        value = getattr(record, name, None)
        if part.private:
            changes[name] = () if part.kind == "array" else None
        elif value is None:
            continue
        elif part.fields is not None:
            changes[name] = _without(value, part)
        elif part.item is not None and part.item.fields is not None:
            item = part.item
            changes[name] = tuple(_without(one, item) for one in value)
    changes.pop("schema", None)
    if not changes:
        return record
    # Every record is a frozen dataclass, which the type variable cannot say.
    replaced: _Record = dataclasses.replace(cast("Any", record), **changes)
    return replaced
