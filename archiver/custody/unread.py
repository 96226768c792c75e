"""What could not be read here says nothing of a bag.

It is no sign that the bag lacks something, nor that it is another one: whoever judges a bag for
somebody else, or hands it to him, stops there.
"""

from __future__ import annotations

from collections.abc import Iterable

from archiver.errors import SurroundingsError
from archiver.findings import Finding
from archiver.package.rules import FILE_NOT_OPENED, FILE_UNREADABLE

__all__ = ["require_read"]

# The last is what an audit makes of a bag that it cannot use at all.
_UNREAD = frozenset({FILE_NOT_OPENED.code, FILE_UNREADABLE.code, "bag-unusable"})


def require_read(findings: Iterable[Finding], where: str = "") -> None:
    """Stop if a finding says that a file or folder was not read.

    Parameters
    ----------
    findings : iterable of Finding
    where : str
        The bag; by default the place in it is named alone.

    Raises
    ------
    SurroundingsError
        One does.
    """
    unread = next((one for one in findings if one.code in _UNREAD), None)
    if unread is not None:
        place = "" if unread.where.file == "." else f"{unread.where}: "
        raise SurroundingsError(
            f"the bag cannot be judged: {place}{unread.message}",
            where=where,
            accepted=unread.accepted,
            remedy="Check the disk and the permissions, then run again; nothing was moved",
        )
