"""What can be said about a sheet before it is described: names, characters, rights, terms."""

from __future__ import annotations

from archiver.describe.privacy import check_texts
from archiver.describe.rights import check_rights_uri
from archiver.describe.rights_checks import check_rights
from archiver.describe.vocabulary import unmapped_terms
from archiver.findings import Finding
from archiver.session.records import Session

__all__ = ["check_statements"]


def check_statements(session: Session) -> tuple[Finding, ...]:
    """Check what the documents will say, each finding at its field of the sheet.

    Returns
    -------
    tuple of Finding
        Errors for names of persons without consent and for rights that contradict each
        other, warnings for characters that XML cannot hold and for unusual forms of a rights
        URI, notes for terms and rights that no shared vocabulary has.
    """
    return (
        *check_texts(session),
        *check_rights_uri(session),
        *check_rights(session),
        *unmapped_terms(session),
    )
