"""Building records from the fields that could be read.

The records carry the names of the sheet, so one builder serves them all: it reads
the types of a record's fields once and fills them.
"""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

from archiver.session.conform import Fields, Value
from archiver.session.place import Places
from archiver.session.records import Machine, MachineType, Organisation, Rights, Session
from archiver.session.timestamp import UNREAD, Timestamp

__all__ = ["build_machine", "build_session", "build_type"]

_Record = TypeVar("_Record")

# What stands in a record where a required field could not be read. The finding that
# says so is an error, so such a record is shown to the person and never archived.
_STAND_INS: Mapping[type, Any] = {str: "", Timestamp: UNREAD}


@dataclasses.dataclass(frozen=True, slots=True)
class _Plan:
    """How one field of a record is filled."""

    name: str
    type: type
    is_list: bool
    required: bool


@functools.cache
def _plans(record: type) -> tuple[_Plan, ...]:
    hints = typing.get_type_hints(record)
    plans = []
    for field in dataclasses.fields(record):
        if not field.init or field.name in ("at", "places"):
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
        plans.append(_Plan(field.name, kind, is_list, required))
    return tuple(plans)


def _build(record: type[_Record], fields: Fields, **given: Any) -> _Record | None:
    """Fill a record; None if a required field is missing for which nothing can stand."""
    arguments: dict[str, Any] = dict(given)
    if any(field.name == "at" for field in dataclasses.fields(typing.cast(Any, record))):
        arguments["at"] = fields.at
    for plan in _plans(typing.cast(Any, record)):
        if plan.name in arguments:
            continue
        value = fields.values.get(plan.name)
        made: Any = None
        if plan.is_list:
            items = value if isinstance(value, list) else []
            made = tuple(
                item for item in (_one(plan.type, each) for each in items) if item is not None
            )
        elif value is not None:
            made = _one(plan.type, value)
        if made is None:
            if not plan.required:
                continue
            if plan.type not in _STAND_INS:
                return None
            made = _STAND_INS[plan.type]
        arguments[plan.name] = made
    return record(**arguments)


def _one(kind: type, value: Value) -> Any:
    if isinstance(value, Fields):
        return _build(kind, value)
    # A word of a closed list becomes its member; any other value has its type already.
    return value if isinstance(value, kind) else kind(value)


def build_machine(fields: Fields, places: Places) -> Machine | None:
    """Make the record of a machine; None if it does not even have an id."""
    if not fields.values.get("id"):
        return None
    return _build(Machine, fields, places=places)


def build_type(fields: Fields, places: Places) -> MachineType | None:
    """Make the record of a type file; None if it does not even have an id."""
    if not fields.values.get("id"):
        return None
    return _build(MachineType, fields, places=places)


def build_session(
    fields: Fields,
    machines: tuple[Machine, ...],
    places: Places,
    types: tuple[MachineType, ...] = (),
) -> Session | None:
    """Make the record of a session from the fields of its sheet.

    Returns
    -------
    Session or None
        None if there is no group of fields for the session itself.
    """
    own = fields.values.get("session")
    if not isinstance(own, Fields):
        return None
    rights = own.values.get("rights")
    organisation = fields.values.get("organisation")
    merged = Fields("", {**{k: v for k, v in fields.values.items() if k != "schema"}, **own.values})
    return _build(
        Session,
        merged,
        rights=_build(Rights, rights if isinstance(rights, Fields) else Fields("session.rights")),
        organisation=_build(
            Organisation,
            organisation if isinstance(organisation, Fields) else Fields("organisation"),
        ),
        machines=machines,
        types=types,
        places=places,
    )
