"""The elements of ``bag-info.txt``, from the session record.

Source: RFC 8493 section 2.2.2 for the reserved labels; the others are named in the
bag's read-me. Bag-Size and Payload-Oxum are added where the payload is known.
"""

from __future__ import annotations

from datetime import datetime

from archiver.describe.layers import RightsMap, closed_words
from archiver.session.cautions import caution_note
from archiver.session.records import Session

__all__ = ["VERSION_REASON", "bag_info"]

VERSION_REASON = "Version-Reason"
"""Label of our own: RFC 8493 reserves none for it, and lets a bag have others."""


def bag_info(
    session: Session,
    *,
    made: datetime,
    program: str,
    version: int,
    replaces: str,
    reason: str = "",
    restricted: str = "",
) -> tuple[tuple[str, str], ...]:
    """Return label and value of each element, in order.

    Parameters
    ----------
    session : Session
        The record.
    made : datetime
        When the bag is made.
    program : str
        Name and version of this program.
    version : int
        Of the bag.
    replaces : str
        Name of the bag that this one replaces; empty for the first.
    reason : str
        Why there is a new version; empty if that was not said.
    restricted : str
        Folder of the bag that is not public; empty if there is none.
    """
    organisation = session.organisation
    contact = organisation.contact
    stated: list[tuple[str, str | None]] = [
        ("Source-Organization", organisation.name),
        ("Organization-Address", organisation.address),
        ("Contact-Name", contact.name if contact else None),
        ("Contact-Phone", contact.phone if contact else None),
        ("Contact-Email", contact.email if contact else None),
        ("External-Description", session.summary or session.title),
        ("Bagging-Date", made.strftime("%Y-%m-%d")),
        ("External-Identifier", session.identifier),
        ("Bag-Group-Identifier", session.identifier),
        ("Internal-Sender-Identifier", session.identifier),
        ("Internal-Sender-Description", session.title),
        ("Bag-Version", str(version)),
        ("Bag-Replaces", replaces),
        (VERSION_REASON, reason),
        ("Rights-Statement", session.rights.statement),
        ("Note-To-Receiver", caution_note(session)),
        ("Restricted-Part", restricted and f"{restricted}: not public"),
        ("Bag-Software-Agent", program),
    ]
    rights = RightsMap(session)
    closed = rights.whole.closed_until
    stated[15:15] = [
        *(("Rights-Statement", one.sentence) for one in rights.layers),
        *(("Restriction", text) for text in session.restrictions),
        ("Restriction", closed_words(closed) if closed is not None else None),
    ]
    return tuple((label, " ".join(value.split())) for label, value in stated if value)
