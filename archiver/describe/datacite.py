"""DataCite metadata as JSON, for registering a DOI.

Source: DataCite Metadata Schema 4.5 (namespace ``kernel-4`` for every 4.x), in the JSON
form of its REST API. Without a DOI the document has everything but the DOI.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from archiver.describe.facts import Archive, FileRole
from archiver.describe.layers import RightsMap, RightsStatement, closed_words, opening_day
from archiver.describe.people import people_of
from archiver.describe.rights import known_rights
from archiver.describe.vocabulary import AAT, AAT_SOUND_RECORDINGS, DATACITE_CONTRIBUTORS
from archiver.describe.wording import take_title, xsd_date, xsd_duration
from archiver.describe.xmltext import encodable, legal_uri
from archiver.session.records import Machine, Session
from archiver.telling import count

__all__ = ["document"]

_ORCID = "https://orcid.org/"


def document(archive: Archive) -> bytes:
    """Describe the session, for a DOI."""
    session, run = archive.session, archive.run
    year = run.archived[:4]
    facts: dict[str, Any] = {
        "schemaVersion": "http://datacite.org/schema/kernel-4",
        "types": {"resourceType": "Demonstration recording", "resourceTypeGeneral": "Sound"},
        "creators": [{"name": session.organisation.name, "nameType": "Organizational"}],
        "titles": [{"title": session.title, "lang": session.language}],
        "publisher": {"name": session.organisation.name},
        "publicationYear": year,
        "language": session.language,
        "subjects": [
            *(
                {"subject": subject, "lang": session.language}
                for subject in dict.fromkeys(session.subjects)
            ),
            {
                "subject": AAT_SOUND_RECORDINGS.label,
                "subjectScheme": "Art & Architecture Thesaurus",
                "schemeUri": AAT,
                "valueUri": AAT_SOUND_RECORDINGS.uri,
                "lang": "en",
            },
        ],
        "contributors": _contributors(session),
        "dates": _dates(archive),
        "alternateIdentifiers": [
            {
                "alternateIdentifier": session.identifier,
                "alternateIdentifierType": "session identifier",
            },
            {
                "alternateIdentifier": run.bag_identifier,
                "alternateIdentifierType": "package identifier",
            },
        ],
        "relatedIdentifiers": [
            {
                "relatedIdentifier": identifier,
                "relatedIdentifierType": "URN",
                "relationType": "IsNewVersionOf",
            }
            for identifier in filter(None, (run.replaced_identifier,))
        ],
        "relatedItems": [
            {
                "relatedItemType": "PhysicalObject",
                "relationType": "IsDerivedFrom",
                "titles": [{"title": title}],
            }
            for title in dict.fromkeys(_machine_title(machine) for machine in session.machines)
        ],
        "sizes": _sizes(archive),
        "formats": list(dict.fromkeys(file.media_type for file in archive.files)),
        "rightsList": _rights(session),
        "descriptions": _descriptions(session),
        "geoLocations": [{"geoLocationPlace": session.place}],
    }
    if run.doi:
        facts["doi"] = run.doi
        facts["prefix"], _, facts["suffix"] = run.doi.partition("/")
    kept = {name: value for name, value in facts.items() if value}
    return encodable(json.dumps(kept, ensure_ascii=False, indent=2)).encode() + b"\n"


def _contributors(session: Session) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for person in people_of(session).values():
        facts: dict[str, Any] = {
            "name": person.name if person.named else person.name[:1].upper() + person.name[1:],
            "nameType": "Personal",
            "contributorType": DATACITE_CONTRIBUTORS[person.role],
        }
        if person.identifier:
            is_orcid = person.identifier.startswith(_ORCID)
            facts["nameIdentifiers"] = [
                {
                    "nameIdentifier": person.identifier,
                    "nameIdentifierScheme": "ORCID" if is_orcid else "URI",
                }
            ]
        found.append(facts)
    holders = [
        {"name": name, "contributorType": "RightsHolder"} for name in RightsMap(session).holders
    ]
    hosting = {
        "name": session.organisation.name,
        "nameType": "Organizational",
        "contributorType": "HostingInstitution",
    }
    return [*found, *holders, hosting]


def _dates(archive: Archive) -> list[dict[str, str]]:
    session = archive.session
    # Across the date line a later moment can have the earlier local day.
    days = sorted({xsd_date(moment) for moment in (session.start, session.end) if moment})
    return [
        {"date": "/".join(days), "dateType": "Collected"},
        {"date": archive.run.archived[:10], "dateType": "Created"},
        *_openings(session),
    ]


def _openings(session: Session) -> list[dict[str, str]]:
    """Return when what is closed becomes open, each day and reason once."""
    found: list[dict[str, str]] = []
    for one in RightsMap(session).statements:
        day = opening_day(one.closed_until) if one.closed_until is not None else None
        if one.closed_until is None or day is None:
            continue
        entry = {
            "date": day.isoformat(),
            "dateType": "Available",
            "dateInformation": f"{one.label}: {closed_words(one.closed_until)}",
        }
        if entry not in found:
            found.append(entry)
    return found


def _sizes(archive: Archive) -> list[str]:
    masters = [file for file in archive.files if file.role is FileRole.MASTER]
    if not masters:
        return []
    seconds = sum(
        (
            Fraction(one.frames, one.samples.sample_rate_hz)
            for one, *_ in archive.master_at.values()
        ),
        Fraction(),
    )
    return [
        count(len(archive.masters), "take"),
        count(sum(file.size_bytes for file in masters), "byte"),
        xsd_duration(round(seconds * 1000), 1000),
    ]


def _machine_title(machine: Machine) -> str:
    number = machine.inventory_number
    return f"{machine.name} ({number})" if number else machine.name


def _rights(session: Session) -> list[dict[str, str]]:
    found: list[dict[str, str]] = []
    for one in RightsMap(session).statements:
        entry = _entry(one, session.language)
        # The schema refuses two equal entries.
        if entry not in found:
            found.append(entry)
    known = {entry["rights"] for entry in found}
    others = dict.fromkeys(text for text in session.restrictions if text not in known)
    return [*found, *({"rights": text, "lang": session.language} for text in others)]


def _entry(one: RightsStatement, language: str) -> dict[str, str]:
    closed = f" {closed_words(one.closed_until)}." if one.closed_until is not None else ""
    label = f"{one.label}: " if one.layer is not None else ""
    entry = {"rights": f"{label}{one.statement}{closed}", "lang": language}
    if one.uri:
        entry["rightsUri"] = legal_uri(one.uri)
    known = known_rights(one.uri)
    if known is not None and known.spdx:
        entry["rightsIdentifier"] = known.spdx
        entry["rightsIdentifierScheme"] = "SPDX"
    return entry


def _descriptions(session: Session) -> list[dict[str, str]]:
    contents = "\n".join(f"{take.id}: {take_title(session, take)}" for take in session.takes)
    texts = (
        (session.summary, "Abstract"),
        (session.purpose, "Other"),
        (contents, "TableOfContents"),
    )
    return [
        {"description": text, "descriptionType": kind, "lang": session.language}
        for text, kind in texts
        if text
    ]
