"""The rights part of a PREMIS document: the statement of the sheet, and each consent.

Source: PREMIS Data Dictionary 3.0, 4. A licence of Creative Commons is a licence; a
statement of rightsstatements.org says the copyright status; anything else is another
basis, in the words of the sheet. What the sheet restricts is written beside it.
"""

from __future__ import annotations

from archiver.describe.facts import Archive
from archiver.describe.people import is_named, people_of
from archiver.describe.premis_terms import PREMIS, add_identifier, add_term
from archiver.describe.rights import KnownRights, RightsKind, known_rights
from archiver.describe.vocabulary import RIGHTS_BASES
from archiver.describe.wording import xsd_date
from archiver.describe.xmltree import Element
from archiver.session.records import Session

__all__ = ["Rights", "rights_of"]

_LOCAL = "local"
_STATEMENT = "rights-1"


def rights_of(archive: Archive) -> Rights:
    """Return the rights part of an archive."""
    return Rights(archive.session)


class Rights:
    """Writes the rights part; ``identifiers`` are those that hold for every object."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self.identifiers: tuple[str, ...] = (_STATEMENT,)

    def write(self, root: Element) -> None:
        """Append the statements."""
        rights = PREMIS.add(root, "rights")
        self._statement(rights, known_rights(self._session.rights.uri))
        people = people_of(self._session)
        for operator in self._session.operators:
            if operator.consent is None or not is_named(operator):
                continue
            person = people[operator.id]
            statement = PREMIS.add(rights, "rightsStatement")
            add_identifier(statement, "rightsStatement", _LOCAL, f"consent-{person.key}")
            add_term(statement, "rightsBasis", RIGHTS_BASES["other"])
            other = PREMIS.add(statement, "otherRightsInformation")
            PREMIS.add(other, "otherRightsBasis", "consent")
            if operator.consent.date is not None:
                dates = PREMIS.add(other, "otherRightsApplicableDates")
                PREMIS.add(dates, "startDate", operator.consent.date.text)
            if operator.consent.scope:
                PREMIS.add(other, "otherRightsNote", operator.consent.scope)
            add_identifier(
                statement, "linkingAgent", _LOCAL, person.key, wrapper="linkingAgentIdentifier"
            )

    def _statement(self, rights: Element, known: KnownRights | None) -> None:
        statement = PREMIS.add(rights, "rightsStatement")
        add_identifier(statement, "rightsStatement", _LOCAL, _STATEMENT)
        if known is not None and known.kind is RightsKind.LICENCE:
            self._licence(statement, known)
        elif known is not None:
            self._copyright(statement, known)
        else:
            self._other(statement)
        add_identifier(
            statement,
            "linkingObject",
            _LOCAL,
            self._session.identifier,
            wrapper="linkingObjectIdentifier",
        )

    def _notes(self) -> list[str]:
        session = self._session
        return [
            session.rights.statement,
            f"Rights holder: {session.rights.holder}",
            *(f"Restriction: {text}" for text in session.restrictions),
        ]

    def _licence(self, statement: Element, known: KnownRights) -> None:
        add_term(statement, "rightsBasis", RIGHTS_BASES["license"])
        licence = PREMIS.add(statement, "licenseInformation")
        add_identifier(
            licence, "licenseDocumentation", "URI", self._session.rights.uri or known.uri
        )
        PREMIS.add(licence, "licenseTerms", known.label)
        for note in self._notes():
            PREMIS.add(licence, "licenseNote", note)
        granted = PREMIS.add(statement, "rightsGranted")
        PREMIS.add(granted, "act", "disseminate")
        for restriction in self._session.restrictions:
            PREMIS.add(granted, "restriction", restriction)
        term = PREMIS.add(granted, "termOfGrant")
        PREMIS.add(term, "startDate", xsd_date(self._session.start))

    def _copyright(self, statement: Element, known: KnownRights) -> None:
        add_term(statement, "rightsBasis", RIGHTS_BASES["copyright"])
        information = PREMIS.add(statement, "copyrightInformation")
        PREMIS.add(information, "copyrightStatus", str(known.kind))
        PREMIS.add(information, "copyrightJurisdiction", self._session.organisation.country)
        PREMIS.add(information, "copyrightNote", known.label)
        for note in self._notes():
            PREMIS.add(information, "copyrightNote", note)
        add_identifier(
            information, "copyrightDocumentation", "URI", self._session.rights.uri or known.uri
        )

    def _other(self, statement: Element) -> None:
        add_term(statement, "rightsBasis", RIGHTS_BASES["other"])
        other = PREMIS.add(statement, "otherRightsInformation")
        uri = self._session.rights.uri
        if uri:
            add_identifier(other, "otherRightsDocumentation", "URI", uri)
        PREMIS.add(other, "otherRightsBasis", "statement of the rights holder")
        for note in self._notes():
            PREMIS.add(other, "otherRightsNote", note)
