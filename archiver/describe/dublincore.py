"""Simple Dublin Core in the ``oai_dc`` container (OAI-PMH 2.0): the session in fifteen elements.

The organisation stands as creator and publisher: who spoke or turned the crank is a
contributor, with the role in words. Dates are plain, as harvesters expect (W3CDTF).
"""

from __future__ import annotations

from archiver.describe.facts import Archive
from archiver.describe.layers import RightsMap, closed_words
from archiver.describe.people import people_of
from archiver.describe.wording import machine_text, medium_text, xsd_date
from archiver.describe.xmltree import XML_LANG, Element, Namespace, serialised

__all__ = ["OAI_DC", "document"]

OAI_DC = "http://www.openarchives.org/OAI/2.0/oai_dc/"
DC = "http://purl.org/dc/elements/1.1/"
_PREFIXES = {"oai_dc": OAI_DC, "dc": DC}
_OAI = Namespace(OAI_DC, _PREFIXES)
_DC = Namespace(DC, _PREFIXES)


def document(archive: Archive) -> bytes:
    """Describe the session."""
    session = archive.session
    language = session.language
    root = _OAI.root("dc")
    _add(root, "title", session.title, language)
    _add(root, "creator", session.organisation.name)
    for subject in session.subjects:
        _add(root, "subject", subject, language)
    for text in (session.summary, session.purpose):
        if text:
            _add(root, "description", text, language)
    _add(root, "publisher", session.organisation.name)
    for person in people_of(session).values():
        _add(root, "contributor", person.with_role)
    _add(root, "date", xsd_date(session.start))
    _add(root, "type", "Sound")
    for media_type in dict.fromkeys(file.media_type for file in archive.files):
        _add(root, "format", media_type)
    _add(root, "identifier", session.identifier)
    _add(root, "identifier", archive.run.bag_identifier)
    if archive.run.doi:
        _add(root, "identifier", f"https://doi.org/{archive.run.doi}")
    for medium in session.media:
        _add(root, "source", medium_text(medium))
    _add(root, "language", language)
    for machine in session.machines:
        _add(root, "relation", machine_text(machine))
    _add(root, "coverage", session.place, language)
    _add(root, "rights", session.rights.statement, language)
    if session.rights.uri:
        _add(root, "rights", session.rights.uri)
    _add(root, "rights", f"Rights holder: {session.rights.holder}")
    if session.rights.closed_until is not None:
        _add(root, "rights", closed_words(session.rights.closed_until), "en")
    for one in RightsMap(session).layers:
        _add(root, "rights", one.sentence)
        if one.uri:
            _add(root, "rights", one.uri)
    for restriction in session.restrictions:
        _add(root, "rights", restriction, language)
    return serialised(root)


def _add(root: Element, name: str, text: str, language: str | None = None) -> None:
    _DC.add(root, name, text, {XML_LANG: language})
