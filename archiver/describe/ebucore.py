"""EBUCore 1.10 (EBU Tech 3293; AES60): a take for its master, and the whole session.

The document of a take goes into the ``axml`` chunk of its master (EBU Tech 3285
supplement 5). The technical part says what was measured on the samples, never what
the sheet expected. In the document of the session each take is a ``part``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from archiver.describe import places
from archiver.describe.embedded import master_identifier, master_name
from archiver.describe.facts import Archive, FileFacts, FileRole, MasterFacts
from archiver.describe.layers import RightsMap, RightsStatement, closed_words
from archiver.describe.markers import span_frames
from archiver.describe.people import PublicPerson, credited_in, people_of, present_in
from archiver.describe.vocabulary import AAT_SOUND_RECORDINGS, DIGESTS, EBUCORE_ROLES
from archiver.describe.wording import (
    chain_text,
    machine_text,
    medium_text,
    playings_text,
    setup_text,
    take_title,
    xsd_date,
    xsd_duration,
    xsd_time,
)
from archiver.describe.xmltext import legal_uri
from archiver.describe.xmltree import XML_LANG, Element, Namespace, serialised
from archiver.session.capture_files import CaptureFile
from archiver.session.records import (
    CaptureChain,
    Machine,
    Medium,
    Organisation,
    Session,
    Take,
)
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.coding import SoundCoding

__all__ = ["CAPTURE_LABEL", "EBUCORE", "axml_for", "axml_for_capture", "document"]

EBUCORE = "urn:ebu:metadata-schema:ebucore"
CAPTURE_LABEL = "capture, decoded for the master"
"""Type label of the format of a capture, to tell it from that of the master."""
DC = "http://purl.org/dc/elements/1.1/"

_PREFIXES: Mapping[str, str] = {"ebucore": EBUCORE, "dc": DC}
_EC = Namespace(EBUCORE, _PREFIXES)
_DC = Namespace(DC, _PREFIXES)
_SOUND_RECORDING = {
    "typeLabel": AAT_SOUND_RECORDINGS.label,
    "typeLink": AAT_SOUND_RECORDINGS.uri,
    "typeThesaurus": "Art & Architecture Thesaurus",
}
# Opus always plays at 48 kHz (RFC 7845, 5.1).
_CODINGS: Mapping[str, tuple[str, int | None]] = {
    "audio/flac": ("Free Lossless Audio Codec", None),
    "audio/ogg": ("Opus in Ogg", 48_000),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sound:
    samples: SampleFormat
    frames: int
    file_name: str
    file: FileFacts | None = None
    master: MasterFacts | None = None


def axml_for(
    session: Session,
    take: Take,
    *,
    samples: SampleFormat,
    frames: int,
    file_name: str,
    modified: str,
    coding: SoundCoding | None = None,
) -> bytes:
    """Describe one take, for the ``axml`` chunk of its master.

    Parameters
    ----------
    session, take
        What the sheet says.
    samples : SampleFormat
        Of the master.
    frames : int
        Length of the master.
    file_name : str
        Name of the master, without folders.
    modified : str
        When the description was made: a date, or a date and time with offset, as in
        XML Schema.
    coding : SoundCoding, optional
        Of the sound in the capture file; told where it had to be decoded. The bit rate is
        left to the document of the session, since it is known only after decoding.

    Returns
    -------
    bytes
        One UTF-8 document with all texts in full, however they are shortened in ``bext``.
    """
    root, core = _main(session, modified)
    identifier = master_identifier(session, take)
    _take(core, session, take)
    machine, medium = session.machine_of(take), session.medium_of(take)
    _equipment(
        core,
        [machine] if machine else [],
        [medium] if medium else [],
        [chain for chain in [session.chain_of(take)] if chain],
    )
    _alternative_title(core, session)
    _identifier(core, identifier, "take identifier")
    _relation(core, "isPartOf", session.identifier, "session")
    _session_context(core, session, [take])
    _format(core, session, take, _Sound(samples=samples, frames=frames, file_name=file_name))
    _capture_before_decoding(core, take, samples, coding)
    _provider(root, session.organisation)
    return serialised(root)


def axml_for_capture(
    session: Session,
    held: CaptureFile,
    *,
    samples: SampleFormat,
    frames: int,
    file_name: str,
    modified: str,
    coding: SoundCoding | None = None,
) -> bytes:
    """Describe a capture: its one take, or each of its takes as a ``part`` with its place.

    Parameters are those of :func:`axml_for`, but for the capture with its takes.
    """
    sound = _Sound(samples=samples, frames=frames, file_name=file_name)
    if len(held.takes) == 1:
        return axml_for(
            session,
            held.lead,
            samples=samples,
            frames=frames,
            file_name=file_name,
            modified=modified,
            coding=coding,
        )
    root, core = _main(session, modified)
    title = _EC.add(core, "title")
    titles = "; ".join(take_title(session, take) for take in held.takes)
    titled = all(take.title for take in held.takes)
    _text(title, "title", titles, session.language if titled else None)
    _alternative_title(core, session)
    _identifier(core, master_name(session, held), "capture identifier")
    _relation(core, "isPartOf", session.identifier, "session")
    _session_context(core, session, held.takes)
    _format(core, session, held.lead, sound)
    _capture_before_decoding(core, held.lead, samples, coding)
    for number, take in enumerate(held.takes, start=1):
        part = _EC.add(
            core,
            "part",
            attributes={
                "partId": f"take-{number}",
                "partName": take.id,
                "partNumber": str(number),
                "partTotalNumber": str(len(held.takes)),
                "typeLabel": "take",
            },
        )
        _take(part, session, take)
        _identifier(part, master_identifier(session, take), "take identifier")
        first, last = span_frames(take, samples.sample_rate_hz, frames or None)
        _place(part, "partStartTime", first, samples)
        _place(part, "partDuration", last - first, samples)
    _provider(root, session.organisation)
    return serialised(root)


def _place(part: Element, name: str, frames: int, samples: SampleFormat) -> None:
    holder = _EC.add(part, name)
    rate = {"editRate": str(samples.sample_rate_hz)}
    _EC.add(holder, "editUnitNumber", str(frames), rate)


def document(archive: Archive) -> bytes:
    """Describe the whole session, with a ``part`` for each take."""
    session = archive.session
    root, core = _main(session, archive.run.archived)
    people = people_of(session)
    title = _EC.add(core, "title")
    _text(title, "title", session.title, session.language)
    _identifier(core, session.identifier, "session identifier")
    _identifier(core, archive.run.bag_identifier, "package identifier")
    if archive.run.doi:
        _identifier(core, archive.run.doi, "DOI")
    _session_context(core, session)
    _equipment(core, session.machines, session.media, session.chains)
    kind = _EC.add(core, "type")
    _DC.add(kind, "type", "Sound")
    _EC.add(kind, "objectType", attributes=_SOUND_RECORDING)
    _people(core, people.values())
    end = session.end
    date = _EC.add(core, "date")
    created = {"startDate": xsd_date(session.start), "startTime": xsd_time(session.start)}
    if end is not None:
        created |= {"endDate": xsd_date(end), "endTime": xsd_time(end)}
    _EC.add(date, "created", attributes=created)
    total = len(session.takes)
    for number, take in enumerate(session.takes, start=1):
        part = _EC.add(
            core,
            "part",
            attributes={
                "partId": f"take-{number}",
                "partName": take.id,
                "partNumber": str(number),
                "partTotalNumber": str(total),
                "typeLabel": "take",
            },
        )
        _take(part, session, take)
        _identifier(part, master_identifier(session, take), "take identifier")
        master = archive.master_of.get(take.id)
        if master is not None:
            file = archive.by_path.get(master.path)
            name = master.path.rpartition("/")[2]
            sound = _Sound(
                samples=master.samples,
                frames=master.frames,
                file_name=name,
                file=file,
                master=master,
            )
            _format(part, session, take, sound)
            if master.decoded_from is not None:
                original = archive.by_source.get(take.file)
                is_kept = original is not None and original.role is FileRole.ORIGINAL
                _capture(
                    part, take, master.samples, master.decoded_from, original if is_kept else None
                )
            for copy in archive.by_take.get(take.id, ()):
                if copy.role is FileRole.ACCESS:
                    _copy(part, copy, master)
    _provider(root, session.organisation)
    return serialised(root)


def _main(session: Session, modified: str) -> tuple[Element, Element]:
    day, _, time = modified.partition("T")
    attributes = {
        "version": "1.10",
        "dateLastModified": day,
        "timeLastModified": time or None,
        XML_LANG: session.language,
    }
    root = _EC.root("ebuCoreMain", attributes)
    return root, _EC.add(root, "coreMetadata")


def _text(parent: Element, name: str, text: str, language: str | None = None) -> Element:
    return _DC.add(parent, name, text, {XML_LANG: language})


def _alternative_title(core: Element, session: Session) -> None:
    title = _EC.add(core, "alternativeTitle", attributes={"typeLabel": "session"})
    _text(title, "title", session.title, session.language)


def _identifier(parent: Element, identifier: str, label: str) -> None:
    _DC.add(
        _EC.add(parent, "identifier", attributes={"typeLabel": label}), "identifier", identifier
    )


def _relation(core: Element, name: str, identifier: str, label: str) -> None:
    relation = _EC.add(core, name, attributes={"typeLabel": label})
    holder = _EC.add(relation, "relationIdentifier")
    _DC.add(holder, "identifier", identifier)


def _description(core: Element, label: str, text: str | None, language: str | None) -> None:
    if text:
        description = _EC.add(core, "description", attributes={"typeLabel": label})
        _text(description, "description", text, language)


def _take(core: Element, session: Session, take: Take) -> None:
    """Write what belongs to the take itself."""
    title = _EC.add(core, "title")
    # A take that has no title is called what it is, in English.
    _text(title, "title", take_title(session, take), session.language if take.title else "en")
    machine, medium = session.machine_of(take), session.medium_of(take)
    setup = session.setup_of(take)
    _description(core, "remarks", take.remarks, session.language)
    _description(core, "playings before", playings_text(take), "en")
    # Sentences with English labels around texts of the sheet carry no language.
    _description(core, "set-up", setup_text(setup) if setup else None, None)
    # Whoever is heard has contributed, though it may have been to the take that is played.
    _people(core, dict.fromkeys((*present_in(session, take), *credited_in(session, take))))
    date = _EC.add(core, "date")
    if take.start is not None:
        created = {"startDate": xsd_date(take.start), "startTime": xsd_time(take.start)}
    else:
        created = {"startDate": xsd_date(session.start)}
    _EC.add(date, "created", attributes=created)
    kind = _EC.add(core, "type")
    _DC.add(kind, "type", "Sound")
    _EC.add(kind, "genre", attributes={"typeLabel": str(take.kind)})
    _EC.add(kind, "objectType", attributes=_SOUND_RECORDING)
    if take.reproduces:
        source = session.take(take.reproduces)
        if source is not None:
            _relation(core, "isDerivedFrom", master_identifier(session, source), "reproduces")
    if machine is not None:
        _relation(core, "isRelatedTo", machine.inventory_number or machine.id, "machine")
    if medium is not None:
        _relation(core, "isRelatedTo", medium.id, "medium")


def _equipment(
    core: Element,
    machines: Iterable[Machine],
    media: Iterable[Medium],
    chains: Iterable[CaptureChain],
) -> None:
    for machine in machines:
        _description(core, "machine", machine_text(machine), None)
    for medium in media:
        _description(core, "medium", medium_text(medium), None)
    for chain in chains:
        _description(core, "capture chain", chain_text(chain), None)


def _session_context(core: Element, session: Session, takes: Iterable[Take] | None = None) -> None:
    """Write what holds for every take of the session; of rights, those in some takes or all."""
    language = session.language
    for subject in session.subjects:
        _text(_EC.add(core, "subject"), "subject", subject, language)
    _description(core, "session", session.summary, language)
    _description(core, "purpose", session.purpose, language)
    _DC.add(_EC.add(core, "language"), "language", language)
    coverage = _EC.add(core, "coverage")
    location = _EC.add(_EC.add(coverage, "spatial"), "location", attributes={"typeLabel": "place"})
    _EC.add(location, "name", session.place, {XML_LANG: language})
    _organisation(_EC.add(core, "publisher"), session.organisation)
    rights = RightsMap(session)
    _rights(core, session, rights.statements if takes is None else _of_takes(rights, takes))


def _of_takes(rights: RightsMap, takes: Iterable[Take]) -> Iterable[RightsStatement]:
    return dict.fromkeys(one for take in takes for one in rights.of_take(take.id))


def _people(core: Element, people: Iterable[PublicPerson]) -> None:
    for person in people:
        attributes = {"entityId": person.identifier and legal_uri(person.identifier)}
        contributor = _EC.add(core, "contributor", attributes=attributes)
        details = _EC.add(contributor, "contactDetails")
        _EC.add(details, "name", person.name)
        _EC.add(details, "additionalInformation", person.consent, {"typeLabel": "consent"})
        role = EBUCORE_ROLES[person.role]
        _EC.add(contributor, "role", attributes={"typeLabel": role})


def _organisation(parent: Element, organisation: Organisation) -> None:
    details = _EC.add(parent, "organisationDetails")
    _EC.add(details, "organisationName", organisation.name)
    code = _EC.add(details, "organisationCode", attributes={"typeLabel": "short name"})
    _DC.add(code, "identifier", organisation.code)
    contact = organisation.contact
    where = _EC.add(details, "details")
    if contact is not None and contact.email:
        _EC.add(where, "emailAddress", contact.email)
    address = _EC.add(where, "address")
    if organisation.address:
        _EC.add(address, "addressLine", organisation.address)
    _EC.add(
        address,
        "country",
        attributes={"typeLabel": organisation.country, "typeSource": "ISO 3166-1 alpha-2"},
    )
    if contact is not None and contact.phone:
        _EC.add(where, "telephoneNumber", contact.phone)
    if contact is not None and contact.name:
        entity = _EC.add(details, "contacts")
        _EC.add(_EC.add(entity, "contactDetails"), "name", contact.name)


def _rights(core: Element, session: Session, statements: Iterable[RightsStatement]) -> None:
    for one in statements:
        label = one.label if one.layer is not None else None
        element = _EC.add(core, "rights", attributes={"typeLabel": label})
        _text(element, "rights", one.statement, session.language)
        if one.uri:
            _EC.add(element, "rightsLink", legal_uri(one.uri))
        if one.holder:
            _holder(_EC.add(element, "rightsHolder"), one.holder, session)
        for restriction in session.restrictions if one.layer is None else ():
            _EC.add(element, "exploitationIssues", restriction, {XML_LANG: session.language})
        if one.closed_until is not None:
            words = closed_words(one.closed_until)
            _EC.add(element, "exploitationIssues", words, {XML_LANG: "en"})
        basis = f"Basis: {one.basis}" if one.basis else None
        for text in (basis, *one.remarks):
            if text:
                _EC.add(element, "copyrightStatement", text)


def _holder(parent: Element, name: str, session: Session) -> None:
    if name == session.organisation.name:
        _EC.add(_EC.add(parent, "organisationDetails"), "organisationName", name)
    else:
        _EC.add(_EC.add(parent, "contactDetails"), "name", name)


def _provider(root: Element, organisation: Organisation) -> None:
    _organisation(_EC.add(root, "metadataProvider"), organisation)


def _format(core: Element, session: Session, take: Take, sound: _Sound) -> None:
    samples = sound.samples
    element = _EC.add(core, "format", attributes={"formatName": "Broadcast Wave Format"})
    _audio(element, session, take, sound)
    duration = _EC.add(element, "duration", attributes={"typeLabel": "duration"})
    _EC.add(duration, "normalPlayTime", xsd_duration(sound.frames, samples.sample_rate_hz))
    exact = _EC.add(element, "duration", attributes={"typeLabel": "frames"})
    _EC.add(
        exact,
        "editUnitNumber",
        str(sound.frames),
        {
            "editRate": str(samples.sample_rate_hz),
            "factorNumerator": "1",
            "factorDenominator": "1",
        },
    )
    _stored(element, sound.file, sound.file_name, "audio/vnd.wave")


def _stored(element: Element, file: FileFacts | None, file_name: str, media_type: str) -> None:
    """Write name and type of a file, and what is known once it is stored."""
    if file is not None:
        _EC.add(element, "fileSize", str(file.size_bytes), {"unit": "byte"})
    _EC.add(element, "fileName", file_name)
    _EC.add(element, "mimeType", attributes={"typeLabel": media_type})
    if file is not None:
        _EC.add(element, "locator", places.reference(file.path, base=places.EBUCORE))
        for algorithm, digest in list(file.digests.items())[-1:]:
            hashed = _EC.add(element, "hash")
            _EC.add(hashed, "hashValue", digest)
            _EC.add(hashed, "hashFunction", attributes={"typeLabel": DIGESTS[algorithm].name})


def _copy(part: Element, file: FileFacts, master: MasterFacts) -> None:
    """Describe an access copy: its coding, and its length if that is its master's."""
    samples = master.samples
    name, rate_hz = _CODINGS.get(file.media_type, (file.media_type, None))
    label = f"access copy, {file.treatment}" if file.treatment else "access copy"
    element = _EC.add(part, "format", attributes={"formatName": name, "typeLabel": label})
    audio = _EC.add(element, "audioFormat", attributes={"audioFormatName": name})
    _EC.add(audio, "samplingRate", str(rate_hz or samples.sample_rate_hz))
    _EC.add(audio, "channels", str(samples.channels))
    if not file.treatment:
        duration = _EC.add(element, "duration", attributes={"typeLabel": "duration"})
        _EC.add(duration, "normalPlayTime", xsd_duration(master.frames, samples.sample_rate_hz))
    _stored(element, file, file.path.rpartition("/")[2], file.media_type)


def _capture_before_decoding(
    core: Element, take: Take, samples: SampleFormat, coding: SoundCoding | None
) -> None:
    if coding is not None and coding.is_decoded:
        _capture(core, take, samples, dataclasses.replace(coding, bit_rate_bit_s=None), None)


def _capture(
    parent: Element,
    take: Take,
    samples: SampleFormat,
    coding: SoundCoding,
    original: FileFacts | None,
) -> None:
    """Describe the capture that was decoded: what its sound was coded as."""
    attributes = {"formatName": coding.container, "typeLabel": CAPTURE_LABEL}
    element = _EC.add(parent, "format", attributes=attributes)
    audio = _EC.add(element, "audioFormat", attributes={"audioFormatName": coding.name})
    _EC.add(audio, "audioEncoding", attributes={"typeLabel": coding.keeps})
    _EC.add(audio, "samplingRate", str(samples.sample_rate_hz))
    if coding.is_exact:
        _EC.add(audio, "sampleSize", str(samples.valid_bits))
    if coding.bit_rate_bit_s is not None:
        _EC.add(audio, "bitRate", str(coding.bit_rate_bit_s), {"unit": "bit/s"})
    _EC.add(audio, "channels", str(samples.channels))
    if original is not None:
        _stored(element, original, original.path.rpartition("/")[2], original.media_type)
    else:
        _EC.add(element, "fileName", take.file.rpartition("/")[2])


def _audio(element: Element, session: Session, take: Take, sound: _Sound) -> None:
    samples = sound.samples
    audio = _EC.add(element, "audioFormat", attributes={"audioFormatName": "PCM"})
    kind = "IEEE 754 float" if samples.encoding == "float" else "linear PCM"
    _EC.add(audio, "audioEncoding", attributes={"typeLabel": kind})
    chain = session.chain_of(take)
    if chain is not None and len(chain.channels) == samples.channels:
        _EC.add(audio, "audioTrackConfiguration", attributes={"typeLabel": chain.channel_layout})
    _EC.add(audio, "samplingRate", str(samples.sample_rate_hz))
    _EC.add(audio, "sampleSize", str(samples.valid_bits))
    _EC.add(audio, "sampleType", "float" if samples.encoding == "float" else "integer")
    rate = samples.sample_rate_hz * samples.frame_bytes * 8
    _EC.add(audio, "bitRate", str(rate), {"unit": "bit/s"})
    _EC.add(audio, "bitRateMode", "constant")
    meanings = session.channels_of(take)
    for number in range(1, samples.channels + 1):
        name = meanings[number - 1] if number <= len(meanings) else None
        _EC.add(audio, "audioTrack", attributes={"trackId": f"channel-{number}", "trackName": name})
    _EC.add(audio, "channels", str(samples.channels))
    if sound.master is not None:
        _levels(audio, sound.master)


def _levels(audio: Element, master: MasterFacts) -> None:
    _EC.add(audio, "technicalAttributeString", master.samples_md5, {"typeLabel": "MD5 of samples"})
    levels = master.levels
    if levels is None:
        return
    figures = (
        ("integrated loudness", levels.integrated_lufs, "LUFS"),
        ("loudness range", levels.range_lu, "LU"),
        ("maximum true peak level", levels.true_peak_dbtp, "dBTP"),
        ("maximum momentary loudness", levels.max_momentary_lufs, "LUFS"),
        ("maximum short-term loudness", levels.max_short_term_lufs, "LUFS"),
    )
    for label, value, unit in figures:
        if value is not None:
            attributes = {"typeLabel": label, "unit": unit}
            _EC.add(audio, "technicalAttributeFloat", f"{value:.2f}", attributes)
