"""Trying what may be refused, but only in one way."""

from __future__ import annotations

from collections.abc import Callable

from archiver.errors import ArchiverError


def told(action: Callable[[], object], done: str = "") -> bool:
    """Do something; say whether it succeeded or was refused by an error that names a place.

    Any other exception passes through, with a note of what had been done to the input.
    """
    try:
        action()
    except ArchiverError as error:
        return bool(error.where and error.found)
    except Exception as error:
        error.add_note(done)
        raise
    return True
