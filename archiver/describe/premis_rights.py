"""The rights part of a PREMIS document: the statements of the sheet, and each consent.

Source: PREMIS Data Dictionary 3.0, 4. The basis is the one that the sheet states; without
one, a licence of Creative Commons is a licence, a statement of rightsstatements.org says
the copyright status, and anything else is another basis, in the words of the sheet.
"""

from __future__ import annotations

from collections.abc import Iterable

from archiver.describe.facts import Archive, FileFacts, FileRole
from archiver.describe.layers import RightsMap, RightsStatement, closed_words
from archiver.describe.people import people_of
from archiver.describe.premis_terms import PREMIS, add_identifier, add_term
from archiver.describe.rights import KnownRights, RightsKind, known_rights
from archiver.describe.vocabulary import RIGHTS_BASES
from archiver.describe.wording import xsd_date
from archiver.describe.xmltree import Element
from archiver.session.records import Basis, Operator

__all__ = ["Rights", "rights_of"]

_LOCAL = "local"
_RESTRICTED = "rights-restricted"
_STATUS = {
    Basis.COPYRIGHT: "copyrighted",
    Basis.PUBLIC_DOMAIN: "publicdomain",
    Basis.UNKNOWN: "unknown",
}


def rights_of(archive: Archive) -> Rights:
    """Return the rights part of an archive."""
    return Rights(archive)


class Rights:
    """Writes the rights part, and says which statements hold for what."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._session = archive.session
        self._map = RightsMap(archive.session)
        self._sealed = any(file.role is FileRole.RESTRICTED for file in archive.files)

    @property
    def identifiers(self) -> tuple[str, ...]:
        """Return the statements that hold for something in the session."""
        return tuple(one.identifier for one in self._map.statements)

    def of_take(self, take: str) -> tuple[str, ...]:
        """Return the statements that hold for the sound of a take."""
        return tuple(one.identifier for one in self._map.of_take(take))

    def of_file(self, file: FileFacts) -> tuple[str, ...]:
        """Return the statements that hold for a file."""
        found = self._map.of(file.role, self._archive.takes_of(file))
        sealed = (_RESTRICTED,) if file.role is FileRole.RESTRICTED else ()
        return (*(one.identifier for one in found), *sealed)

    def write(self, root: Element) -> None:
        """Append the statements."""
        rights = PREMIS.add(root, "rights")
        for one in self._map.statements:
            self._statement(rights, one)
        if self._sealed:
            self._restricted(rights)
        people = people_of(self._session)
        for operator in self._session.operators:
            if operator.consent is not None and operator.consent.given:
                self._consent(rights, operator, people[operator.id].key)

    def _statement(self, rights: Element, one: RightsStatement) -> None:
        statement = PREMIS.add(rights, "rightsStatement")
        add_identifier(statement, "rightsStatement", _LOCAL, one.identifier)
        known = known_rights(one.uri)
        licensed = known is not None and known.kind is RightsKind.LICENCE
        if one.basis is Basis.LICENCE or (one.basis is None and licensed):
            self._licence(statement, one, known)
        elif one.basis in _STATUS or (one.basis is None and known is not None):
            self._copyright(statement, one, known)
        elif one.basis is Basis.STATUTE:
            self._statute(statement, one)
        else:
            self._other(statement, one)
        self._granted(statement, one, licensed=licensed)
        add_identifier(
            statement,
            "linkingObject",
            _LOCAL,
            self._session.identifier,
            wrapper="linkingObjectIdentifier",
        )

    def _notes(self, one: RightsStatement) -> Iterable[str]:
        yield one.statement
        yield from one.notes
        if one.layer is None:
            yield from (f"Restriction: {text}" for text in self._session.restrictions)

    def _licence(self, parent: Element, one: RightsStatement, known: KnownRights | None) -> None:
        add_term(parent, "rightsBasis", RIGHTS_BASES["license"])
        licence = PREMIS.add(parent, "licenseInformation")
        if one.uri:
            add_identifier(licence, "licenseDocumentation", "URI", one.uri)
        PREMIS.add(licence, "licenseTerms", known.label if known else one.statement)
        for note in self._notes(one):
            PREMIS.add(licence, "licenseNote", note)
        _dates(licence, "licenseApplicableDates", one)

    def _copyright(self, parent: Element, one: RightsStatement, known: KnownRights | None) -> None:
        add_term(parent, "rightsBasis", RIGHTS_BASES["copyright"])
        information = PREMIS.add(parent, "copyrightInformation")
        status = _STATUS.get(one.basis) if one.basis else None
        if status is None and known is not None:
            status = str(known.kind)
        PREMIS.add(information, "copyrightStatus", status or "unknown")
        PREMIS.add(information, "copyrightJurisdiction", self._session.organisation.country)
        if known is not None:
            PREMIS.add(information, "copyrightNote", known.label)
        for note in self._notes(one):
            PREMIS.add(information, "copyrightNote", note)
        if one.uri:
            add_identifier(information, "copyrightDocumentation", "URI", one.uri)
        _dates(information, "copyrightApplicableDates", one)

    def _statute(self, parent: Element, one: RightsStatement) -> None:
        add_term(parent, "rightsBasis", RIGHTS_BASES["statute"])
        information = PREMIS.add(parent, "statuteInformation")
        PREMIS.add(information, "statuteJurisdiction", self._session.organisation.country)
        PREMIS.add(information, "statuteCitation", one.evidence or one.statement)
        for note in self._notes(one):
            PREMIS.add(information, "statuteNote", note)
        if one.uri:
            add_identifier(information, "statuteDocumentation", "URI", one.uri)
        _dates(information, "statuteApplicableDates", one)

    def _other(self, parent: Element, one: RightsStatement) -> None:
        add_term(parent, "rightsBasis", RIGHTS_BASES["other"])
        other = PREMIS.add(parent, "otherRightsInformation")
        if one.uri:
            add_identifier(other, "otherRightsDocumentation", "URI", one.uri)
        basis = str(one.basis) if one.basis else "statement of the rights holder"
        PREMIS.add(other, "otherRightsBasis", basis)
        _dates(other, "otherRightsApplicableDates", one)
        for note in self._notes(one):
            PREMIS.add(other, "otherRightsNote", note)

    def _granted(self, parent: Element, one: RightsStatement, *, licensed: bool) -> None:
        """Write what may be done, and until when it may not."""
        if not licensed and one.closed_until is None:
            return
        granted = PREMIS.add(parent, "rightsGranted")
        PREMIS.add(granted, "act", "disseminate")
        for restriction in self._session.restrictions if one.layer is None else ():
            PREMIS.add(granted, "restriction", restriction)
        start = xsd_date(self._session.start)
        if one.closed_until is None:
            PREMIS.add(PREMIS.add(granted, "termOfGrant"), "startDate", start)
            return
        PREMIS.add(granted, "restriction", closed_words(one.closed_until))
        term = PREMIS.add(granted, "termOfRestriction")
        PREMIS.add(term, "startDate", start)
        PREMIS.add(term, "endDate", one.closed_until.text)

    def _restricted(self, rights: Element) -> None:
        statement = PREMIS.add(rights, "rightsStatement")
        add_identifier(statement, "rightsStatement", _LOCAL, _RESTRICTED)
        add_term(statement, "rightsBasis", RIGHTS_BASES["institutional policy"])
        other = PREMIS.add(statement, "otherRightsInformation")
        PREMIS.add(other, "otherRightsBasis", "protection of personal data")
        PREMIS.add(other, "otherRightsNote", "Not public: to be shown to nobody without need")

    def _consent(self, rights: Element, operator: Operator, key: str) -> None:
        consent = operator.consent
        if consent is None:
            return
        statement = PREMIS.add(rights, "rightsStatement")
        add_identifier(statement, "rightsStatement", _LOCAL, f"consent-{key}")
        add_term(statement, "rightsBasis", RIGHTS_BASES["other"])
        other = PREMIS.add(statement, "otherRightsInformation")
        PREMIS.add(other, "otherRightsBasis", "consent")
        if consent.date is not None or consent.until is not None:
            dates = PREMIS.add(other, "otherRightsApplicableDates")
            # The standard asks for a beginning; the day of the session is the latest that is known.
            begun = consent.date.text if consent.date else xsd_date(self._session.start)
            PREMIS.add(dates, "startDate", begun)
            if consent.until is not None:
                PREMIS.add(dates, "endDate", consent.until.text)
        for note in (
            consent.scope,
            f"Covers: {', '.join(consent.purposes)}" if consent.purposes else None,
            f"Evidence: {consent.evidence}" if consent.evidence else None,
        ):
            if note:
                PREMIS.add(other, "otherRightsNote", note)
        add_identifier(statement, "linkingAgent", _LOCAL, key, wrapper="linkingAgentIdentifier")


def _dates(parent: Element, name: str, one: RightsStatement) -> None:
    if one.date is not None:
        PREMIS.add(PREMIS.add(parent, name), "startDate", one.date.text)
