"""What far ends refuse, in the same words whatever the protocol."""

from __future__ import annotations

import importlib
from types import ModuleType

from archiver.errors import MisuseError, SurroundingsError

__all__ = [
    "TakenError",
    "forbidden",
    "full",
    "library",
    "not_there",
    "refused",
    "taken",
    "unreachable",
    "unreadable_certificates",
    "untrusted",
]


class TakenError(MisuseError):
    """A name at the far end is taken by something else; nothing is overwritten."""


def taken(where: str) -> TakenError:
    """Return the refusal to overwrite."""
    return TakenError(
        "is there already, with other content",
        where=where,
        accepted="a name that is free, or one that holds the very same bytes",
        remedy="Nothing was sent or overwritten: give the new one another name, or ask the"
        " institution to move the old one away",
    )


def full(where: str, detail: str = "") -> SurroundingsError:
    """Return that the far end has no room."""
    return SurroundingsError(
        f"cannot be written: the far end has no room{f' ({detail})' if detail else ''}",
        where=where,
        remedy="Ask the institution to make room, then run again: what has arrived is kept"
        " and not sent again",
    )


def forbidden(where: str, doing: str, detail: str = "") -> SurroundingsError:
    """Return that the account may not do it."""
    return SurroundingsError(
        f"may not be {doing} by this account{f' ({detail})' if detail else ''}",
        where=where,
        remedy="Ask the institution for that permission, or choose another folder",
    )


def not_there(where: str) -> MisuseError:
    """Return that the place does not exist."""
    return MisuseError(
        "does not exist",
        where=where,
        accepted="a folder or bucket that is there",
        remedy="Check the URL, or ask the institution to make it",
    )


def refused(where: str, doing: str, detail: str) -> SurroundingsError:
    """Return that the far end says no for a reason of its own."""
    return SurroundingsError(
        f"could not be {doing}: the far end says {detail}",
        where=where,
        remedy="Show this to the institution; what has arrived is kept",
    )


def unreachable(where: str, detail: str) -> SurroundingsError:
    """Return that there is no such host."""
    return SurroundingsError(
        f"cannot be reached ({detail})",
        where=where,
        remedy="Check the name of the host and that this machine is on the network",
    )


def untrusted(where: str, variable: str) -> SurroundingsError:
    """Return that the far end's certificate proves nothing to this machine."""
    return SurroundingsError(
        "shows a certificate that this machine does not trust",
        where=where,
        accepted="a certificate for this host, from an authority that is known here",
        remedy="Check the name of the host. If the institution has an authority of its own,"
        f" let {variable} name the file with its certificate",
    )


def unreadable_certificates(where: str, variable: str, detail: str) -> SurroundingsError:
    """Return that the certificates which a variable names cannot be read."""
    return SurroundingsError(
        f"cannot be reached: the certificates that {variable} names cannot be read ({detail})",
        where=where,
        accepted="a file of certificates in PEM form",
        remedy=f"Correct {variable}, or take it away to trust what this machine trusts",
    )


def library(module: str, extra: str, where: str) -> ModuleType:
    """Load a library that only one kind of place needs.

    Raises
    ------
    MisuseError
        It is not installed.
    """
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise MisuseError(
            f"needs a library that is not installed ({error.name or module})",
            where=where,
            remedy=f'Install it with: python -m pip install "archiver[{extra}]"',
        ) from error
