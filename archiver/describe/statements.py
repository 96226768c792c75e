"""What can be said about a sheet before it is described: names, characters, rights, terms."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe import rules
from archiver.describe.privacy import check_texts
from archiver.describe.rights import check_rights_uri
from archiver.describe.rights_checks import check_rights
from archiver.describe.vocabulary import unmapped_terms
from archiver.findings import Finding
from archiver.session.records import Session, TakeKind
from archiver.session.references import VOICES

__all__ = ["check_statements"]

_PERFORMED = frozenset(
    {TakeKind.ANNOUNCEMENT, TakeKind.PERFORMANCE, TakeKind.PERFORMANCE_AND_REPRODUCTION}
)
_LISTED = 12


def check_statements(session: Session) -> tuple[Finding, ...]:
    """Check what the documents will say, each finding at its field of the sheet.

    Returns
    -------
    tuple of Finding
        Errors for names of persons without consent and for rights that contradict each
        other, warnings for characters that XML cannot hold and for unusual forms of a rights
        URI, notes for terms and rights that no shared vocabulary has, and for takes of which
        nobody knows who is heard.
    """
    return (
        *check_texts(session),
        *check_rights_uri(session),
        *check_rights(session),
        *unmapped_terms(session),
        *_uncredited(session),
    )


def _uncredited(session: Session) -> Iterator[Finding]:
    """Find takes in which somebody performs, of a session with performers, that name nobody."""
    if not any(person.role in VOICES for person in session.operators):
        return
    silent = [take for take in session.takes if take.kind in _PERFORMED and not take.operators]
    if silent:
        told = ", ".join(take.id for take in silent[:_LISTED])
        more = f" and {len(silent) - _LISTED} more" if len(silent) > _LISTED else ""
        yield rules.NOBODY_CREDITED.at(
            session.locate(silent[0].at),
            f"no performer or announcer is credited in {told}{more}: the sheet names nobody there",
        )
