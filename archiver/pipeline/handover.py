"""The two sides of a deposit, and what the names in an institution's texts stand for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.custody.deposit_record import BagIdentity, Party
from archiver.describe.layers import RightsMap, RightsStatement
from archiver.errors import ArchiverError
from archiver.package.reader import Bag
from archiver.package.tagfiles import BagInfo
from archiver.pages.papers.rendering import bytes_text
from archiver.pipeline.recorded_bag import SESSION_RECORD, read_recorded
from archiver.session.institution import Institution
from archiver.session.records import Session

__all__ = [
    "RECEIPT_DAYS",
    "Described",
    "depositor_of",
    "described",
    "institution_party",
    "wording_values",
]

RECEIPT_DAYS = 30
"""Days until a receipt is due where the institution does not say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """What a bag tells of its session; empty for a bag of another maker.

    Parameters
    ----------
    session : Session, optional
        Its public record.
    rights : tuple of RightsStatement
    restrictions : tuple of str
    statement : str
        Statement of rights in ``bag-info.txt``.
    """

    session: Session | None = None
    rights: tuple[RightsStatement, ...] = ()
    restrictions: tuple[str, ...] = ()
    statement: str = ""

    @property
    def title(self) -> str:
        """Title of the session."""
        return "" if self.session is None else self.session.title

    @property
    def held(self) -> str:
        """When and where the session was held."""
        if self.session is None:
            return ""
        return f"{self.session.start.moment.date().isoformat()}, {self.session.place}"


def described(root: Path, bag: Bag) -> Described:
    """Read what a bag tells of its session and its rights."""
    statement = _value(bag.info, "Rights-Statement")
    restrictions = bag.info.values("Restriction")
    if not files.exists(root.joinpath(*SESSION_RECORD.split("/"))):
        return Described(statement=statement, restrictions=restrictions)
    try:
        session = read_recorded(root).archive.session
    except ArchiverError:
        # The check of the bag says what is wrong with it; the papers do with what is left.
        return Described(statement=statement, restrictions=restrictions)
    return Described(
        session=session,
        rights=RightsMap(session).statements,
        restrictions=session.restrictions,
        statement=statement,
    )


def _value(info: BagInfo, label: str) -> str:
    return next(iter(info.values(label)), "").strip()


def depositor_of(info: BagInfo, person: str = "") -> Party:
    """Return who hands a bag over, as ``bag-info.txt`` states it.

    Source of the labels: RFC 8493 section 2.2.2.
    """
    return Party(
        name=_value(info, "Source-Organization"),
        person=person or _value(info, "Contact-Name"),
        email=_value(info, "Contact-Email"),
        phone=_value(info, "Contact-Phone"),
        address=_value(info, "Organization-Address"),
    )


def institution_party(institution: Institution) -> Party:
    """Return who takes in, as the profile states it."""
    contact = institution.contact
    return Party(
        name=institution.name,
        person=contact.name,
        email=contact.email,
        phone=contact.phone,
        address=contact.address,
    )


def wording_values(
    *,
    institution: Institution,
    depositor: Party,
    bag: BagIdentity,
    told: Described,
    day: str,
    receipt_due: str = "",
    destination: str = "",
) -> Mapping[str, str]:
    """Return what the names in an institution's texts stand for.

    See :data:`archiver.session.placeholders.PLACEHOLDERS`; what is not known is left out, so
    that its name stays in the text and a reader sees what is missing.
    """
    session = told.session
    contact = institution.contact
    values = {
        "institution": institution.name,
        "contact": contact.name or contact.email,
        "depositor": depositor.name,
        "depositor_address": depositor.address,
        "depositor_contact": depositor.person or depositor.email,
        "bag": bag.name,
        "version": bag.version or "1",
        "replaces": bag.replaces or "none",
        "files": str(bag.payload_files),
        "size": bytes_text(bag.payload_bytes),
        "session": bag.identifier or bag.name,
        "rights": told.rights[0].sentence if told.rights else told.statement,
        "holder": "; ".join(dict.fromkeys(one.holder for one in told.rights if one.holder)),
        "restrictions": "; ".join(told.restrictions) or "none",
        "digests": ", ".join(
            sorted(
                {
                    name.partition("manifest-")[2].removesuffix(".txt")
                    for name in bag.manifests
                    if name.startswith("manifest-")
                }
            )
        ),
        "destination": destination,
        "today": day,
        "receipt_days": str(institution.receipt_days or RECEIPT_DAYS),
        "receipt_due": receipt_due,
    }
    if session is not None:
        values |= {
            "code": session.organisation.code,
            "session": session.identifier,
            "title": session.title,
            "date": session.start.moment.date().isoformat(),
            "place": session.place,
        }
    return {name: value for name, value in values.items() if value}
