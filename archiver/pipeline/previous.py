"""The session before: from its folder, or from the record in its bag."""

from __future__ import annotations

import json
from pathlib import Path

from archiver import files
from archiver.errors import InputError, MisuseError
from archiver.os_errors import not_there
from archiver.session.load import SHEET, load_session
from archiver.session.record_json import session_from_json
from archiver.session.records import Session
from archiver.telling import command_line

__all__ = ["read_previous"]

_RECORD = ("metadata", "session.json")
_MOST_BYTES = 64 * 1024 * 1024


def read_previous(place: Path) -> Session:
    """Read the record of an earlier session; nothing there is changed.

    Parameters
    ----------
    place : Path
        A bag, or a session folder.

    Raises
    ------
    MisuseError
        It is neither.
    SurroundingsError
        There is nothing.
    InputError
        The record there cannot be read.
    """
    record = place.joinpath(*_RECORD)
    if files.exists(record):
        return _from_bag(record)
    if files.exists(place / SHEET):
        loaded = load_session(place)
        if loaded.session is None:
            raise InputError(
                "the sheet of the session before cannot be read",
                where=str(place / SHEET),
                accepted="a session folder that checks without errors, or its bag",
                remedy=f"Run: {command_line('check', place)}",
            )
        return loaded.session
    if not files.exists(place):
        raise not_there(place, "a folder with session.yaml, or a bag")
    raise MisuseError(
        "holds neither a bag of this program nor a session",
        where=str(place),
        accepted="a bag with metadata/session.json, or a folder with session.yaml",
        remedy="Check the name",
    )


def _from_bag(record: Path) -> Session:
    content = files.read_bytes(record, limit=_MOST_BYTES)
    try:
        document = json.loads(content.decode("utf-8"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise InputError(
            f"is no JSON document: {error}",
            where=str(record),
            remedy="Verify the bag it belongs to",
        ) from error
    if not isinstance(document, dict):
        raise InputError("is no record of a session", where=str(record))
    return session_from_json(document)
