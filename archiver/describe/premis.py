"""PREMIS 3.0: objects, events, agents and rights of an archive.

Source: PREMIS Data Dictionary 3.0 and its XML schema (18 January 2016). The schema
leaves fixity, size, names and links open; they are always written here.

Objects: the session (intellectual entity), each take (representation), each file, and
the samples of each master (bitstream), whose digest stays the same when metadata is
embedded anew. A person's name is written only with consent.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from archiver.describe.embedded import master_identifier
from archiver.describe.facts import (
    Archive,
    EventKind,
    FileFacts,
    FileRole,
    MasterFacts,
    Outcome,
    RunEvent,
)
from archiver.describe.people import people_of
from archiver.describe.premis_rights import Rights, rights_of
from archiver.describe.premis_terms import PREMIS, XSI_TYPE, add_identifier, add_term, premis_root
from archiver.describe.vocabulary import (
    AGENT_TYPES,
    DIGESTS,
    EVENT_ROLES,
    EVENT_TYPES,
    OUTCOMES,
    RELATIONSHIP_PARTS,
    RELATIONSHIPS,
    PremisTerm,
)
from archiver.describe.wording import (
    chain_text,
    machine_text,
    playings_text,
    setup_text,
    xsd_date,
    xsd_date_time,
    xsd_duration,
)
from archiver.describe.xmltree import Element, serialised
from archiver.session.records import Session, Take

__all__ = ["SOUND_TRACK", "document"]

_FORMATS: Mapping[str, str] = {
    "audio/vnd.wave": "Broadcast Wave Format",
    "audio/flac": "Free Lossless Audio Codec",
    "audio/ogg": "Opus in Ogg",
    "audio/aiff": "Audio Interchange File Format",
    "audio/mp4": "MPEG-4 file",
    "video/matroska": "Matroska",
    "video/mp4": "MPEG-4 file",
    "video/quicktime": "QuickTime",
    "image/png": "Portable Network Graphics",
    "image/jpeg": "JPEG File Interchange Format",
    "image/tiff": "Tagged Image File Format",
    "text/plain": "Plain text",
    "text/xml": "Extensible Markup Language",
    "application/xml": "Extensible Markup Language",
    "application/json": "JavaScript Object Notation",
    "application/pdf": "Portable Document Format",
}
SOUND_TRACK = "#sound"
"""End of the identifier of the coded sound in a kept capture."""
_IN_BAG = "path in bag"
_LOCAL = "local"


def document(archive: Archive) -> bytes:
    """Describe an archive.

    Parameters
    ----------
    archive : Archive
        Its files carry size and digests; its run carries the events, with outcome.

    Returns
    -------
    bytes
        UTF-8, valid against the schema of PREMIS 3.0.
    """
    root = premis_root()
    rights = rights_of(archive)
    events = _Events(archive)
    _objects(root, archive, events, rights)
    events.write(root)
    _agents(root, archive)
    rights.write(root)
    return serialised(root)


class _Links:
    """Identifiers of one object."""

    __slots__ = ("kind", "value")

    def __init__(self, kind: str, value: str) -> None:
        self.kind, self.value = kind, value


class _Events:
    """Numbers the events and knows which belong to an object."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._takes = {
            take.id: f"event-{number}" for number, take in enumerate(archive.session.takes, start=1)
        }
        first = len(self._takes) + 1
        self._run = [
            (f"event-{number}", event)
            for number, event in enumerate(archive.run.events, start=first)
        ]
        self.of_object: dict[str, list[str]] = {}
        for take_id, event in self._takes.items():
            for link in self._objects_of_take(take_id):
                self.of_object.setdefault(link.value, []).append(event)
        for identifier, done in self._run:
            for link in self._objects_of(done):
                self.of_object.setdefault(link.value, []).append(identifier)

    def _objects_of_take(self, take_id: str) -> list[_Links]:
        take = self._archive.session.take(take_id)
        links = []
        if take is not None:
            links.append(_Links(_LOCAL, master_identifier(self._archive.session, take)))
        master = self._archive.master_of.get(take_id)
        if master is not None:
            links.append(_Links(_LOCAL, _samples_identifier(master)))
        return links

    def _objects_of(self, event: RunEvent) -> list[_Links]:
        if event.paths:
            return [_Links(_IN_BAG, path) for path in event.paths]
        if event.take is not None:
            take = self._archive.session.take(event.take)
            if take is not None:
                return [_Links(_LOCAL, master_identifier(self._archive.session, take))]
        return [_Links(_LOCAL, self._archive.session.identifier)]

    def write(self, root: Element) -> None:
        """Write the captures, then what the run did."""
        session = self._archive.session
        people = people_of(session)
        for take in session.takes:
            identifier = self._takes[take.id]
            when = xsd_date_time(take.start) if take.start else xsd_date(session.start)
            event = _event(root, identifier, EVENT_TYPES[EventKind.CAPTURE], when)
            _detail(event, _capture_detail(session, take))
            if take.id in self._archive.master_of:
                _outcome(event, OUTCOMES[Outcome.SUCCESS], "")
            else:
                _outcome(event, OUTCOMES[Outcome.WARNING], "This archive holds no master of it")
            agents = [people[id_].key for id_ in take.operators if id_ in people]
            for agent in agents:
                _agent_link(event, agent, "implementer")
            chain, machine = session.chain_of(take), session.machine_of(take)
            if chain is not None:
                _agent_link(event, f"chain-{chain.id}", None)
            if machine is not None:
                _agent_link(event, f"machine-{machine.id}", None)
            _object_links(event, self._objects_of_take(take.id))
        for identifier, done in self._run:
            event = _event(root, identifier, EVENT_TYPES[done.kind], done.when)
            _detail(event, done.detail or str(done.kind))
            _outcome(event, OUTCOMES[done.outcome], done.outcome_note)
            _agent_link(event, "program", "executing program")
            _agent_link(event, "organisation", "implementer")
            _object_links(event, self._objects_of(done))


def _capture_detail(session: Session, take: Take) -> str:
    machine, medium, setup = (
        session.machine_of(take),
        session.medium_of(take),
        session.setup_of(take),
    )
    parts = [
        f"Take {take.id}, {take.kind}",
        f"Machine: {machine.name}" if machine else None,
        f"Medium: {medium.label or medium.id}, {medium.kind}" if medium else None,
        playings_text(take),
        setup_text(setup) if setup else None,
        f"Reproduces take {take.reproduces}" if take.reproduces else None,
        f"Remarks: {take.remarks}" if take.remarks else None,
    ]
    return ". ".join(part.rstrip(".") for part in parts if part) + "."


def _event(root: Element, identifier: str, kind: PremisTerm, when: str) -> Element:
    event = PREMIS.add(root, "event")
    add_identifier(event, "event", _LOCAL, identifier)
    add_term(event, "eventType", kind)
    PREMIS.add(event, "eventDateTime", when)
    return event


def _detail(event: Element, text: str) -> None:
    PREMIS.add(PREMIS.add(event, "eventDetailInformation"), "eventDetail", text)


def _outcome(event: Element, outcome: PremisTerm, note: str) -> None:
    information = PREMIS.add(event, "eventOutcomeInformation")
    add_term(information, "eventOutcome", outcome)
    if note:
        detail = PREMIS.add(information, "eventOutcomeDetail")
        PREMIS.add(detail, "eventOutcomeDetailNote", note)


def _agent_link(event: Element, agent: str, role: str | None) -> None:
    link = add_identifier(event, "linkingAgent", _LOCAL, agent, wrapper="linkingAgentIdentifier")
    if role is not None:
        add_term(link, "linkingAgentRole", EVENT_ROLES[role])


def _object_links(event: Element, links: Iterable[_Links]) -> None:
    for link in links:
        add_identifier(
            event, "linkingObject", link.kind, link.value, wrapper="linkingObjectIdentifier"
        )


def _samples_identifier(master: MasterFacts) -> str:
    return f"{master.path}#samples"


def _objects(root: Element, archive: Archive, events: _Events, rights: Rights) -> None:
    session = archive.session
    entity = _object(root, "intellectualEntity", _LOCAL, session.identifier)
    add_identifier(entity, "object", "bag", archive.run.bag_identifier)
    if archive.run.doi:
        add_identifier(entity, "object", "DOI", archive.run.doi)
    _property(entity, "title", session.title)
    _links(entity, session.identifier, events, rights.identifiers)
    for take in session.takes:
        identifier = master_identifier(session, take)
        representation = _object(root, "representation", _LOCAL, identifier)
        if take.title:
            _property(representation, "title", take.title)
        _related(representation, "structural", "is part of", _Links(_LOCAL, session.identifier))
        _links(representation, identifier, events, rights.of_take(take.id))
    for file in archive.files:
        _file(root, archive, file, events, rights)
    for held in archive.master_at.values():
        statements = dict.fromkeys(
            statement for master in held for statement in rights.of_take(master.take)
        )
        _samples(root, archive, held[0], events, statements)
        _sound_track(root, archive, held[0])


def _object(root: Element, kind: str, scheme: str, identifier: str) -> Element:
    element = PREMIS.add(root, "object", attributes={XSI_TYPE: f"premis:{kind}"})
    add_identifier(element, "object", scheme, identifier)
    return element


def _property(element: Element, name: str, value: str) -> None:
    group = PREMIS.add(element, "significantProperties")
    PREMIS.add(group, "significantPropertiesType", name)
    PREMIS.add(group, "significantPropertiesValue", value)


def _links(element: Element, identifier: str, events: _Events, statements: Iterable[str]) -> None:
    for event in events.of_object.get(identifier, ()):
        add_identifier(element, "linkingEvent", _LOCAL, event, wrapper="linkingEventIdentifier")
    for statement in statements:
        add_identifier(
            element,
            "linkingRightsStatement",
            _LOCAL,
            statement,
            wrapper="linkingRightsStatementIdentifier",
        )


def _related(element: Element, kind: str, part: str, target: _Links) -> None:
    relationship = PREMIS.add(element, "relationship")
    add_term(relationship, "relationshipType", RELATIONSHIPS[kind])
    add_term(relationship, "relationshipSubType", RELATIONSHIP_PARTS[part])
    add_identifier(
        relationship,
        "relatedObject",
        target.kind,
        target.value,
        wrapper="relatedObjectIdentifier",
    )


def _fixity(characteristics: Element, algorithm: str, digest: str, by: str) -> None:
    fixity = PREMIS.add(characteristics, "fixity")
    add_term(fixity, "messageDigestAlgorithm", DIGESTS[algorithm].term)
    PREMIS.add(fixity, "messageDigest", digest)
    PREMIS.add(fixity, "messageDigestOriginator", by)


def _format(characteristics: Element, name: str, version: str | None, note: str) -> None:
    group = PREMIS.add(characteristics, "format")
    designation = PREMIS.add(group, "formatDesignation")
    PREMIS.add(designation, "formatName", name)
    if version is not None:
        PREMIS.add(designation, "formatVersion", version)
    PREMIS.add(group, "formatNote", note)


def _file(
    root: Element, archive: Archive, file: FileFacts, events: _Events, rights: Rights
) -> None:
    session, run = archive.session, archive.run
    element = _object(root, "file", _IN_BAG, file.path)
    _property(element, "role", str(file.role))
    characteristics = PREMIS.add(element, "objectCharacteristics")
    PREMIS.add(characteristics, "compositionLevel", "0")
    program = f"{run.program} {run.version}"
    for algorithm, digest in file.digests.items():
        _fixity(characteristics, algorithm, digest, program)
    PREMIS.add(characteristics, "size", str(file.size_bytes))
    master = archive.master_of.get(file.take) if file.take else None
    is_master = file.role is FileRole.MASTER and master is not None and master.path == file.path
    version = str(master.bext_version) if master is not None and is_master else None
    name = _FORMATS.get(file.media_type, file.media_type)
    _format(characteristics, name, version, f"Media type: {file.media_type}")
    if file.role in (FileRole.MASTER, FileRole.ACCESS, FileRole.METADATA):
        application = PREMIS.add(characteristics, "creatingApplication")
        PREMIS.add(application, "creatingApplicationName", run.program)
        PREMIS.add(application, "creatingApplicationVersion", run.version)
        PREMIS.add(application, "dateCreatedByApplication", run.archived)
    if file.original_name:
        PREMIS.add(element, "originalName", file.original_name)
    storage = PREMIS.add(PREMIS.add(element, "storage"), "contentLocation")
    PREMIS.add(storage, "contentLocationType", _IN_BAG)
    PREMIS.add(storage, "contentLocationValue", file.path)
    for take in [session.take(name) for name in archive.takes_of(file) or ("",)]:
        whole = session.identifier if take is None else master_identifier(session, take)
        _related(element, "structural", "is part of", _Links(_LOCAL, whole))
    if file.derived_from:
        _related(element, "derivation", "has source", _Links(_IN_BAG, file.derived_from))
    _links(element, file.path, events, rights.of_file(file))


def _original(archive: Archive, master: MasterFacts) -> FileFacts | None:
    """Return the kept file that the samples of a master were decoded from."""
    take = archive.session.take(master.take)
    file = archive.by_source.get(take.file) if take is not None else None
    return file if file is not None and file.role is FileRole.ORIGINAL else None


def _sound_track(root: Element, archive: Archive, master: MasterFacts) -> None:
    """Describe the coded sound in a kept capture, from which the samples were decoded."""
    coding, original = master.decoded_from, _original(archive, master)
    if coding is None or original is None:
        return
    element = _object(root, "bitstream", _LOCAL, f"{original.path}{SOUND_TRACK}")
    characteristics = PREMIS.add(element, "objectCharacteristics")
    note = ", ".join(part for part in (coding.keeps, coding.bit_rate) if part)
    _format(characteristics, coding.name, None, f"In {coding.container}; {note}")
    _related(element, "structural", "is part of", _Links(_IN_BAG, original.path))


def _samples(
    root: Element,
    archive: Archive,
    master: MasterFacts,
    events: _Events,
    statements: Iterable[str],
) -> None:
    samples, levels = master.samples, master.levels
    identifier = _samples_identifier(master)
    element = _object(root, "bitstream", _LOCAL, identifier)
    facts: list[tuple[str, str | None]] = [
        ("duration", xsd_duration(master.frames, samples.sample_rate_hz)),
        ("frames", str(master.frames)),
        ("sample rate, Hz", str(samples.sample_rate_hz)),
        ("bits per sample", str(samples.valid_bits)),
        ("channels", str(samples.channels)),
    ]
    coding, original = master.decoded_from, _original(archive, master)
    if coding is not None:
        facts += [("coding of the capture", str(coding)), ("decoded by", coding.decoder)]
    if levels is not None:
        facts += [
            ("integrated loudness, LUFS", _figure(levels.integrated_lufs)),
            ("loudness range, LU", _figure(levels.range_lu)),
            ("maximum true peak level, dBTP", _figure(levels.true_peak_dbtp)),
        ]
    for name, value in facts:
        if value is not None:
            _property(element, name, value)
    characteristics = PREMIS.add(element, "objectCharacteristics")
    _fixity(characteristics, "md5", master.samples_md5, "computed over the sample bytes alone")
    PREMIS.add(characteristics, "size", str(master.frames * samples.frame_bytes))
    encoding = "IEEE 754 float" if samples.encoding == "float" else "Linear PCM"
    note = f"Interleaved, little-endian, {samples.container_bits} bits a sample"
    _format(characteristics, encoding, None, note)
    _related(element, "structural", "is part of", _Links(_IN_BAG, master.path))
    if coding is not None and original is not None:
        source = _Links(_LOCAL, f"{original.path}{SOUND_TRACK}")
        _related(element, "derivation", "has source", source)
    _links(element, identifier, events, statements)


def _figure(value: float | None) -> str | None:
    return None if value is None else f"{value:.2f}"


def _agent(
    root: Element, identifier: str, name: str, kind: str, version: str | None = None
) -> Element:
    agent = PREMIS.add(root, "agent")
    add_identifier(agent, "agent", _LOCAL, identifier)
    PREMIS.add(agent, "agentName", name)
    add_term(agent, "agentType", AGENT_TYPES[kind])
    if version is not None:
        PREMIS.add(agent, "agentVersion", version)
    return agent


def _agents(root: Element, archive: Archive) -> None:
    session, run = archive.session, archive.run
    organisation = _agent(root, "organisation", session.organisation.name, "organization")
    contact = session.organisation.contact
    for label, text in (
        ("code", session.organisation.code),
        ("country", session.organisation.country),
        ("address", session.organisation.address),
        ("contact", contact.name if contact else None),
        ("telephone", contact.phone if contact else None),
        ("e-mail", contact.email if contact else None),
    ):
        if text:
            PREMIS.add(organisation, "agentNote", f"{label}: {text}")
    program = _agent(root, "program", run.program, "software", run.version)
    for library in run.libraries:
        PREMIS.add(program, "agentNote", f"library: {library.name} {library.version}")
    known: set[str] = set()
    for person in people_of(session).values():
        agent = PREMIS.add(root, "agent")
        add_identifier(agent, "agent", _LOCAL, person.key)
        # One person may stand in the sheet twice, for two roles.
        if person.identifier and person.identifier not in known:
            known.add(person.identifier)
            add_identifier(agent, "agent", "URI", person.identifier)
        PREMIS.add(agent, "agentName", person.name)
        add_term(agent, "agentType", AGENT_TYPES["person"])
        PREMIS.add(agent, "agentNote", f"role: {person.role}")
        PREMIS.add(agent, "agentNote", person.consent)
    for chain in session.chains:
        agent = _agent(root, f"chain-{chain.id}", f"Capture chain {chain.id}", "hardware")
        PREMIS.add(agent, "agentNote", chain_text(chain))
    for machine in session.machines:
        agent = _agent(root, f"machine-{machine.id}", machine.name, "hardware")
        PREMIS.add(agent, "agentNote", machine_text(machine))
