"""DataCite documents: dates, DOI, ORCID iDs and terms that no schema checks."""

from __future__ import annotations

from typing import Any

from archiver.describe import rules
from archiver.describe.selfcheck.forms import is_doi, is_orcid, is_w3cdtf_range
from archiver.describe.selfcheck.reading import Desk
from archiver.describe.vocabulary import DATACITE_CONTRIBUTORS

__all__ = ["check_datacite"]

_SCHEMA = "http://datacite.org/schema/kernel-4"
_NEEDED = ("creators", "titles", "publisher", "publicationYear", "types")
_CONTRIBUTORS = {*DATACITE_CONTRIBUTORS.values(), "HostingInstitution", "RightsHolder"}


def check_datacite(facts: dict[str, Any], desk: Desk) -> None:
    """Report what is wrong with a DataCite document."""
    if facts.get("schemaVersion") != _SCHEMA:
        desk.report(
            rules.ROOT, f"schemaVersion is {facts.get('schemaVersion')!r}", accepted=_SCHEMA
        )
        return
    for name in _NEEDED:
        if not facts.get(name):
            desk.report(rules.REQUIRED, f"{name} is missing", field=name)
    year = str(facts.get("publicationYear", ""))
    if len(year) != 4 or not (year.isascii() and year.isdecimal()):
        desk.report(
            rules.DATE, f"{year!r} is no year", field="publicationYear", accepted="four digits"
        )
    for number, date in enumerate(facts.get("dates", ())):
        if not is_w3cdtf_range(date.get("date", "")):
            desk.report(
                rules.DATE,
                f"{date.get('date')!r} is no date",
                field=f"dates[{number}].date",
                accepted="such as 2026-04-18 or 2026-04-18/2026-04-19",
            )
    doi = facts.get("doi")
    if doi is not None and not is_doi(doi):
        desk.report(
            rules.IDENTIFIER_FORM, f"{doi!r} is no DOI", field="doi", accepted="such as 10.5072/x"
        )
    for group in ("creators", "contributors"):
        for number, person in enumerate(facts.get(group, ())):
            _person(person, f"{group}[{number}]", desk)


def _person(person: dict[str, Any], field: str, desk: Desk) -> None:
    kind = person.get("contributorType")
    if kind is not None and kind not in _CONTRIBUTORS:
        desk.report(
            rules.TERM_FOREIGN,
            f"contributorType is {kind!r}",
            field=field,
            accepted=", ".join(sorted(_CONTRIBUTORS)),
        )
    for identifier in person.get("nameIdentifiers", ()):
        text = identifier.get("nameIdentifier", "")
        if identifier.get("nameIdentifierScheme") == "ORCID" and not is_orcid(text):
            desk.report(rules.IDENTIFIER_FORM, f"{text!r} is no ORCID iD", field=field)
