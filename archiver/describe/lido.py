"""LIDO 1.1: one record for each machine.

Source: LIDO 1.1 (CIDOC LIDO Working Group). Event types carry the URI of LIDO
Terminology where it is confirmed. ``earliestDate`` and ``latestDate`` hold plain ISO
8601 only; the words and the EDTF expression stand in ``displayDate``, the evidence in
the description of the event.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from archiver.describe import places
from archiver.describe.dates import date_in_words, plain_span
from archiver.describe.facts import Archive, FileRole
from archiver.describe.layers import RightsMap, RightsStatement, closed_words
from archiver.describe.people import people_of
from archiver.describe.rights import known_rights
from archiver.describe.vocabulary import LIDO_EVENTS, Concept, custody_event, machine_concept
from archiver.describe.wording import xsd_date
from archiver.describe.xmltree import XML_LANG, Element, Namespace, serialised
from archiver.session.attribution import attribution_of
from archiver.session.dating import date_machine
from archiver.session.edtf import EdtfDate, EdtfForm, parse_edtf
from archiver.session.quantity import Quantity
from archiver.session.records import Machine, Part, PartState, Photograph, Session

__all__ = ["LIDO", "document"]

LIDO = "http://www.lido-schema.org"
_L = Namespace(LIDO, {"lido": LIDO})
_TYPE = "lido:type"
_LABEL = "lido:label"
_SORT = "lido:sortorder"
_URI_TYPE = "http://terminology.lido-schema.org/lido00099"
_LOCAL = "local"


def document(archive: Archive, machine: Machine) -> bytes:
    """Describe one machine.

    Parameters
    ----------
    archive : Archive
    machine : Machine
        One of the session's.

    Returns
    -------
    bytes
        UTF-8, valid against the schema of LIDO 1.1.
    """
    session = archive.session
    root = _L.root("lido")
    identifier = f"{session.organisation.code}:{machine.id}"
    _L.add(root, "lidoRecID", identifier, {_TYPE: _LOCAL})
    category = _L.add(root, "category")
    _L.add(category, "term", "Human-Made Object")
    language = {XML_LANG: session.language}
    descriptive = _L.add(root, "descriptiveMetadata", attributes=dict(language))
    _classification(descriptive, machine)
    _identification(descriptive, machine)
    _events(descriptive, archive, machine)
    administrative = _L.add(root, "administrativeMetadata", attributes=dict(language))
    _record(administrative, archive, machine)
    _resources(administrative, archive, machine)
    return serialised(root)


def _concept(parent: Element, name: str, concept: Concept, kind: str | None = None) -> Element:
    element = _L.add(parent, name, attributes={_TYPE: kind})
    if concept.uri:
        _L.add(element, "conceptID", concept.uri, {_TYPE: _URI_TYPE})
    _L.add(element, "term", concept.label)
    return element


def _appellation(parent: Element, name: str, text: str) -> Element:
    element = _L.add(parent, name)
    _L.add(element, "appellationValue", text)
    return element


def _classification(parent: Element, machine: Machine) -> None:
    wrap = _L.add(parent, "objectClassificationWrap")
    types = _L.add(wrap, "objectWorkTypeWrap")
    concept = machine_concept(machine.type)
    element = _L.add(types, "objectWorkType")
    if concept.uri:
        _L.add(element, "conceptID", concept.uri, {_TYPE: _URI_TYPE})
    _L.add(element, "term", machine.type)


def _identification(parent: Element, machine: Machine) -> None:
    wrap = _L.add(parent, "objectIdentificationWrap")
    titles = _L.add(wrap, "titleWrap")
    for number, name in enumerate(machine.names or (machine.id,), start=1):
        title = _L.add(titles, "titleSet", attributes={_SORT: str(number)})
        _L.add(title, "appellationValue", name)
    if machine.marks:
        inscriptions = _L.add(wrap, "inscriptionsWrap")
        for mark in machine.marks:
            element = _L.add(inscriptions, "inscriptions", attributes={_TYPE: str(mark.kind)})
            _L.add(element, "inscriptionTranscription", mark.text)
            if mark.position:
                note = _L.add(element, "inscriptionDescription", attributes={_TYPE: "position"})
                _L.add(note, "descriptiveNoteValue", mark.position)
    _repository(wrap, machine)
    _descriptions(wrap, machine)
    _measurements(wrap, machine)
    _materials(wrap, machine)


def _materials(wrap: Element, machine: Machine) -> None:
    """State the materials of the whole, then those of each part that is there."""
    parts = [
        part for part in machine.parts if part.material and part.state is not PartState.MISSING
    ]
    if not machine.materials and not parts:
        return
    group = _L.add(wrap, "objectMaterialsTechWrap")
    if machine.materials:
        whole = _L.add(group, "objectMaterialsTechSet")
        _L.add(whole, "displayMaterialsTech", ", ".join(machine.materials))
        terms = _L.add(whole, "materialsTech")
        for material in machine.materials:
            _concept(terms, "termMaterialsTech", Concept(label=material), "material")
    for part in parts:
        _material_of(_L.add(group, "objectMaterialsTechSet"), part)


def _material_of(group: Element, part: Part) -> None:
    _L.add(group, "displayMaterialsTech", f"{part.name}: {part.material}")
    terms = _L.add(group, "materialsTech")
    _concept(terms, "termMaterialsTech", Concept(label=part.material or ""), "material")
    _L.add(terms, "extentMaterialsTech", part.name)


def _repository(wrap: Element, machine: Machine) -> None:
    owner = machine.owner
    if owner is None and not machine.inventory_number:
        return
    group = _L.add(
        _L.add(wrap, "repositoryWrap"), "repositorySet", attributes={_TYPE: "current owner"}
    )
    if owner is not None:
        _appellation(_L.add(group, "repositoryName"), "legalBodyName", owner.name)
    if machine.inventory_number:
        _L.add(group, "workID", machine.inventory_number, {_TYPE: "inventory number"})
    if owner is not None and owner.place:
        _appellation(_L.add(group, "repositoryLocation"), "namePlaceSet", owner.place)


def _descriptions(wrap: Element, machine: Machine) -> None:
    found: list[tuple[str, str | None, list[tuple[str, str | None]]]] = [
        ("finish", None, [("finish", machine.finish)])
    ]
    found += [
        ("part", part.name, [("state", str(part.state)), ("note", part.note)])
        for part in machine.parts
    ]
    found += [("hazard", hazard.kind, [("note", hazard.note)]) for hazard in machine.hazards]
    carrier = machine.mandrel or machine.platter
    if carrier is not None and carrier.note:
        kind = "mandrel" if machine.mandrel else "platter"
        found.append((kind, None, [("note", carrier.note)]))
    found = [one for one in found if one[1] or any(text for _, text in one[2])]
    if not found:
        return
    descriptions = _L.add(wrap, "objectDescriptionWrap")
    for kind, subject, texts in found:
        element = _L.add(descriptions, "objectDescriptionSet", attributes={_TYPE: kind})
        if subject:
            _L.add(element, "descriptiveNoteID", subject, {_TYPE: _LOCAL})
        for label, text in texts:
            if text:
                _L.add(element, "descriptiveNoteValue", text, {_LABEL: label})


def _measurements(wrap: Element, machine: Machine) -> None:
    dimensions = machine.dimensions
    stated: list[tuple[str, Quantity | None]] = []
    if dimensions is not None:
        stated += [
            ("width", dimensions.width),
            ("depth", dimensions.depth),
            ("height", dimensions.height),
            ("weight", dimensions.weight),
        ]
    stated += [
        ("mandrel diameter", machine.mandrel.diameter if machine.mandrel else None),
        ("platter diameter", machine.platter.diameter if machine.platter else None),
        ("groove pitch", machine.groove_pitch),
        ("recordable length", machine.recordable_length),
        ("nominal speed", machine.nominal_speed),
    ]
    present = [(kind, quantity) for kind, quantity in stated if quantity is not None]
    if not present:
        return
    group = _L.add(wrap, "objectMeasurementsWrap")
    for kind, quantity in present:
        element = _L.add(group, "objectMeasurementsSet")
        _L.add(element, "displayObjectMeasurements", f"{kind}: {quantity.text}", {XML_LANG: "en"})
        measured = _L.add(element, "objectMeasurements")
        values = _L.add(measured, "measurementsSet")
        _L.add(values, "measurementType", kind)
        _L.add(values, "measurementUnit", quantity.unit)
        _L.add(values, "measurementValue", repr(quantity.value))
        if quantity.approximate:
            _L.add(measured, "qualifierMeasurements", "approximate")


def _events(parent: Element, archive: Archive, machine: Machine) -> None:
    session = archive.session
    wrap = _L.add(parent, "eventWrap")
    _production(wrap, session, machine)
    day = session.start.moment.date()
    for entry in machine.custody:
        event = _event(wrap, custody_event(entry.event))
        if entry.event:
            _appellation(event, "eventName", entry.event)
        if entry.holder:
            _actor(event, entry.holder, "holder")
        _date(event, entry.date, day)
        _place(event, entry.place)
        if entry.source:
            note = _L.add(event, "eventDescriptionSet", attributes={_TYPE: "source"})
            _L.add(note, "sourceDescriptiveNote", entry.source)
    for part in machine.parts:
        _changed(wrap, part, day)
    _use(wrap, session, machine)


def _changed(wrap: Element, part: Part, day: dt.date) -> None:
    """Tell of the replacement, restoration or loss of a part, as far as it is known."""
    done = part.state in (PartState.REPLACED, PartState.RESTORED)
    if not done and part.date is None and not part.by:
        return
    event = _event(wrap, LIDO_EVENTS["modification"])
    _appellation(event, "eventName", f"{part.name}: {part.state}")
    if part.by:
        _actor(event, part.by, "maker of the change")
    _date(event, part.date, day)
    if done and part.material:
        _material_of(_L.add(event, "eventMaterialsTech"), part)
    if part.reversible is not None:
        _note(event, "can be undone", "yes" if part.reversible else "no")
    _note(event, "note", part.note)


def _event(wrap: Element, kind: Concept) -> Element:
    event = _L.add(_L.add(wrap, "eventSet"), "event")
    _concept(event, "eventType", kind)
    return event


def _production(wrap: Element, session: Session, machine: Machine) -> None:
    made, maker = machine.made, machine.maker
    reckoned = date_machine(machine)
    makers = attribution_of(machine)
    if made is None and maker is None and reckoned is None and makers is None:
        return
    event = _event(wrap, LIDO_EVENTS["production"])
    if maker is not None:
        _actor(event, maker.name, "maker", maker.place)
    stated = made.date if made is not None else None
    # What the owner states stands as the date; what evidence allows stands beside it.
    date = stated or (reckoned.date if reckoned is not None else None)
    _date(event, date, session.start.moment.date())
    if made is not None:
        _place(event, made.place)
        _note(event, "evidence for the date", made.statement)
    if reckoned is not None:
        _note(event, "dating from evidence", reckoned.statement)
    for piece in machine.evidence:
        text = f"{piece.what}: {piece.says.text} ({piece.kind}, {piece.confidence})"
        _note(event, "evidence", text, source=piece.source)
    if makers is not None:
        _note(event, "attribution", makers.statement)


def _note(event: Element, kind: str, text: str | None, *, source: str | None = None) -> None:
    if text:
        note = _L.add(event, "eventDescriptionSet", attributes={_TYPE: kind})
        _L.add(note, "descriptiveNoteValue", text)
        if source:
            _L.add(note, "sourceDescriptiveNote", source)


def _use(wrap: Element, session: Session, machine: Machine) -> None:
    takes = [take for take in session.takes if session.machine_of(take) is machine]
    if not takes:
        return
    event = _L.add(_L.add(wrap, "eventSet"), "event")
    _L.add(event, "eventID", session.identifier, {_TYPE: _LOCAL})
    _concept(event, "eventType", LIDO_EVENTS["use"])
    _appellation(event, "eventName", session.title)
    people = people_of(session)
    present = dict.fromkeys(id_ for take in takes for id_ in take.operators)
    for id_ in present:
        if id_ in people:
            person = people[id_]
            _actor(event, person.name, str(person.role), shown=person.with_role)
    day = xsd_date(session.start)
    _date(event, parse_edtf(day), session.start.moment.date())
    _place(event, session.place)


def _actor(
    event: Element,
    name: str,
    role: str,
    place: str | None = None,
    *,
    shown: str | None = None,
) -> None:
    group = _L.add(event, "eventActor")
    located = f"{name}, {place}" if place else name
    _L.add(group, "displayActorInRole", shown or f"{located} ({role})")
    in_role = _L.add(group, "actorInRole")
    actor = _L.add(in_role, "actor")
    _appellation(actor, "nameActorSet", name)
    if place:
        vital = _L.add(actor, "vitalPlaceActor", attributes={_TYPE: "place of activity"})
        _appellation(vital, "namePlaceSet", place)
    _concept(in_role, "roleActor", Concept(label=role))


def _place(event: Element, name: str | None) -> None:
    if name:
        group = _L.add(event, "eventPlace")
        _appellation(_L.add(group, "place"), "namePlaceSet", name)


def _date(event: Element, date: EdtfDate | None, not_after: dt.date) -> None:
    if date is not None:
        _date_set(_L.add(event, "eventDate"), date, not_after)


def _date_set(group: Element, date: EdtfDate, not_after: dt.date) -> None:
    words = date_in_words(date)
    _L.add(group, "displayDate", words, {XML_LANG: "en"})
    if words != date.text:
        _L.add(group, "displayDate", date.text, {_LABEL: "EDTF"})
    span = plain_span(date, not_after)
    if span is None:
        return
    # Names of the types as LIDO's own documentation uses them (from memory).
    first = last = "exactDate"
    if date.approximate or date.uncertain or date.unspecified:
        first = last = "estimatedDate"
    elif date.form is EdtfForm.ONE_OF:
        first, last = "terminusPostQuem", "terminusAnteQuem"
    element = _L.add(group, "date")
    _L.add(element, "earliestDate", span.earliest, {_TYPE: first})
    latest = {_TYPE: "terminusAnteQuem" if span.limited else last}
    _L.add(element, "latestDate", span.latest, latest)


def _record(parent: Element, archive: Archive, machine: Machine) -> None:
    organisation = archive.session.organisation
    wrap = _L.add(parent, "recordWrap")
    _L.add(wrap, "recordID", f"{archive.session.identifier}:{machine.id}", {_TYPE: _LOCAL})
    _concept(wrap, "recordType", Concept(label="single object"))
    source = _L.add(wrap, "recordSource")
    _L.add(source, "legalBodyID", f"{organisation.country}-{organisation.code}", {_TYPE: _LOCAL})
    _appellation(source, "legalBodyName", organisation.name)
    _rights(wrap, "recordRights", RightsMap(archive.session).of(FileRole.METADATA))
    information = _L.add(wrap, "recordInfoSet")
    _L.add(information, "recordMetadataDate", archive.run.archived, {_TYPE: "created"})


def _resources(parent: Element, archive: Archive, machine: Machine) -> None:
    session = archive.session
    pictures: dict[str, Photograph] = {}
    own = (one for one in session.photographs if one.machine == machine.id)
    for one in (*machine.photographs, *own):
        pictures.setdefault(one.file, one)
    found = [
        (file, one)
        for one in pictures.values()
        if (file := archive.by_source.get(one.file)) is not None
    ]
    if not found:
        return
    wrap = _L.add(parent, "resourceWrap")
    base = places.lido_path(machine.id)
    people = people_of(session)
    for file, one in found:
        element = _L.add(wrap, "resourceSet")
        _L.add(element, "resourceID", file.path, {_TYPE: _LOCAL})
        representation = _L.add(element, "resourceRepresentation")
        _L.add(
            representation,
            "linkResource",
            places.reference(file.path, base=base),
            {"lido:formatResource": file.media_type},
        )
        _concept(element, "resourceType", Concept(label="photograph"))
        texts = [one.caption]
        if one.by in people:
            texts.append(f"by {people[one.by].name}")
        _captions(element, texts)
        if one.date is not None:
            taken = _L.add(element, "resourceDateTaken")
            _date_set(taken, one.date, session.start.moment.date())
        _rights(element, "rightsResource", RightsMap(session).of(FileRole.PHOTOGRAPH))


def _captions(element: Element, texts: Iterable[str | None]) -> None:
    for text in texts:
        if text:
            _L.add(element, "resourceDescription", text)


def _rights(element: Element, name: str, statements: Iterable[RightsStatement]) -> None:
    for one in statements:
        group = _L.add(element, name)
        known = known_rights(one.uri)
        concept = Concept(label=known.label if known else one.statement, uri=one.uri or "")
        _concept(group, "rightsType", concept)
        if one.holder:
            _appellation(_L.add(group, "rightsHolder"), "legalBodyName", one.holder)
        closed = (closed_words(one.closed_until),) if one.closed_until is not None else ()
        for line in (one.statement, *one.remarks, *closed):
            _L.add(group, "creditLine", line)
