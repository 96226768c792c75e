"""RO-Crate 1.2: the payload of the bag as flat, linked JSON-LD.

Source: RO-Crate Metadata Specification 1.2. The crate's root is the payload folder, so
only payload files are data entities. Keys are those of the 1.2 context. What is
played and what records it are instruments of the action that made a master.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, TypeAlias

from archiver.describe.facts import Archive, FileFacts, FileRole
from archiver.describe.layers import RightsMap, closed_words
from archiver.describe.people import PublicPerson, people_of
from archiver.describe.places import CRATE_ROOT
from archiver.describe.rights import known_rights
from archiver.describe.wording import (
    chain_text,
    machine_text,
    medium_text,
    setup_text,
    take_title,
    xsd_date,
    xsd_date_time,
    xsd_duration,
)
from archiver.describe.xmltext import encodable, legal_uri, path_reference
from archiver.session.edtf import EdtfForm
from archiver.session.records import Machine, MarkKind, Take

__all__ = ["document"]

Entity: TypeAlias = dict[str, Any]

_CONTEXT = "https://w3id.org/ro/crate/1.2/context"
_PROFILE = "https://w3id.org/ro/crate/1.2"
_ROOT = "./"
_PLACE = "#place"
_ORGANISATION = "#organisation"


def document(archive: Archive) -> bytes:
    """Describe the payload."""
    # One entity a line: short, quick to write, and a difference shows where it is.
    graph = (json.dumps(entity, ensure_ascii=False) for entity in _Crate(archive).entities())
    lines = ",\n ".join(graph)
    return encodable(f'{{"@context": "{_CONTEXT}",\n"@graph": [\n {lines}\n]}}\n').encode()


def _entity(id_: str, type_: str | list[str], **facts: Any) -> Entity:
    """Make an entity; facts that are None or empty are left out."""
    kept = {name: value for name, value in facts.items() if value not in (None, "", [])}
    return {"@id": id_, "@type": type_, **kept}


def _link(id_: str) -> Entity:
    return {"@id": id_}


def _links(ids: Iterable[str]) -> list[Entity]:
    return [_link(id_) for id_ in dict.fromkeys(ids)]


def _local(kind: str, id_: str) -> str:
    return f"#{kind}-{path_reference(id_).replace('/', '%2F')}"


class _Crate:
    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._session = archive.session
        self._files = {
            file.path: path_reference(file.path.removeprefix(CRATE_ROOT))
            for file in archive.files
            if file.path.startswith(CRATE_ROOT)
        }
        self._people = people_of(self._session)
        self._person_ids: dict[str, str] = {}
        taken: set[str] = set()
        for key, person in self._people.items():
            id_ = legal_uri(person.identifier) if person.identifier else f"#{person.key}"
            if id_ in taken or not id_.startswith(("https://", "http://")):
                id_ = f"#{person.key}"
            taken.add(id_)
            self._person_ids[key] = id_
        self._licence = legal_uri(self._session.rights.uri or "") or "#rights"
        if self._licence in taken or ":" not in self._licence:
            self._licence = "#rights"

        self._rights = RightsMap(self._session)
        self._holders = {
            name: _ORGANISATION
            if name == self._session.organisation.name
            else f"#rights-holder-{number}"
            for number, name in enumerate(self._rights.holders, start=1)
        }

    def _closed(self) -> Iterable[str]:
        for one in self._rights.statements:
            if one.closed_until is not None:
                yield f"{one.label}: {closed_words(one.closed_until)}"

    def entities(self) -> Iterable[Entity]:
        """Return descriptor, root, files, then everything they refer to."""
        session = self._session
        yield _entity(
            "ro-crate-metadata.json",
            "CreativeWork",
            about=_link(_ROOT),
            conformsTo=_link(_PROFILE),
        )
        yield self._root()
        for path in self._files:
            yield self._file(self._archive.by_path[path])
        for number, take in enumerate(session.takes, start=1):
            yield self._action(number, take)
        yield self._packaging()
        yield _entity(
            "#program",
            "SoftwareApplication",
            name=self._archive.run.program,
            softwareVersion=self._archive.run.version,
        )
        for key, person in self._people.items():
            yield self._person(self._person_ids[key], person)
        yield from self._organisation()
        for machine in session.machines:
            yield from self._machine(machine)
        for medium in session.media:
            yield _entity(
                _local("medium", medium.id),
                "IndividualProduct",
                name=medium.label or medium.id,
                category=str(medium.kind),
                material=medium.material,
                description=medium_text(medium),
            )
        for chain in session.chains:
            yield _entity(
                _local("chain", chain.id),
                "IndividualProduct",
                name=f"Capture chain {chain.id}",
                description=chain_text(chain),
            )
        yield _entity(_PLACE, "Place", name=session.place)
        known = known_rights(session.rights.uri)
        yield _entity(
            self._licence,
            "CreativeWork",
            name=known.label if known else session.rights.statement,
            description=session.rights.statement,
        )
        for one in self._rights.layers:
            yield _entity(
                f"#{one.identifier}",
                "CreativeWork",
                name=one.label,
                description="\n".join((one.sentence, *one.notes)),
                identifier=one.uri,
                conditionsOfAccess=closed_words(one.closed_until) if one.closed_until else None,
            )
        for name, id_ in self._holders.items():
            if id_ != _ORGANISATION:
                yield _entity(id_, "Organization", name=name)

    def _root(self) -> Entity:
        session, run = self._session, self._archive.run
        doi = f"https://doi.org/{run.doi}" if run.doi else None
        machines = [_local("machine", machine.id) for machine in session.machines]
        actions = [f"#take-{number}" for number in range(1, len(session.takes) + 1)]
        days = sorted({xsd_date(moment) for moment in (session.start, session.end) if moment})
        return _entity(
            _ROOT,
            "Dataset",
            name=session.title,
            description=session.summary or session.purpose or session.title,
            datePublished=run.archived[:10],
            license=_link(self._licence),
            identifier=[text for text in (session.identifier, run.bag_identifier, doi) if text],
            inLanguage=session.language,
            keywords=list(session.subjects),
            creator=_link(_ORGANISATION),
            publisher=_link(_ORGANISATION),
            contributor=_links(self._person_ids.values()),
            copyrightHolder=_links(self._holders.values()),
            usageInfo=_links(f"#{one.identifier}" for one in self._rights.layers),
            conditionsOfAccess="\n".join((*session.restrictions, *self._closed())),
            locationCreated=_link(_PLACE),
            temporalCoverage="/".join(days),
            about=_links(machines),
            hasPart=_links(self._files.values()),
            mentions=_links([*actions, "#archiving"]),
        )

    def _file(self, file: FileFacts) -> Entity:
        kind = file.media_type.partition("/")[0]
        special = {"audio": "AudioObject", "image": "ImageObject", "video": "VideoObject"}.get(kind)
        take = self._session.take(file.take) if file.take else None
        master = self._archive.master_of.get(file.take) if file.take else None
        duration = None
        same = file.derived_from if not file.treatment else None
        if master is not None and master.path in {file.path, same}:
            duration = xsd_duration(master.frames, master.samples.sample_rate_hz)
        title = file.path.rpartition("/")[2]
        if take is not None:
            what = f"{file.role}, {file.treatment}" if file.treatment else str(file.role)
            title = f"{take_title(self._session, take)} ({what})"
        source = self._files.get(file.derived_from or "")
        return _entity(
            self._files[file.path],
            ["File", special] if special else "File",
            name=title,
            encodingFormat=file.media_type,
            contentSize=str(file.size_bytes),
            sha256=file.digests.get("sha256"),
            duration=duration,
            alternateName=file.original_name,
            isBasedOn=_link(source) if source else None,
            conditionsOfAccess="Not public" if file.role is FileRole.RESTRICTED else None,
            usageInfo=_links(
                f"#{one.identifier}"
                for one in self._rights.of(file.role, self._archive.takes_of(file))
                if one.layer is not None
            ),
        )

    def _action(self, number: int, take: Take) -> Entity:
        session = self._session
        machine, medium = session.machine_of(take), session.medium_of(take)
        setup, chain = session.setup_of(take), session.chain_of(take)
        instruments = [_local("machine", machine.id)] if machine else []
        instruments += [_local("chain", chain.id)] if chain else []
        results = (file.path for file in self._archive.by_take.get(take.id, ()))
        notes = (take.remarks, setup_text(setup) if setup else None)
        return _entity(
            f"#take-{number}",
            "CreateAction",
            name=take_title(session, take),
            alternateName=take.id,
            additionalType=str(take.kind),
            description="\n".join(note for note in notes if note),
            agent=_links(self._person_ids[id_] for id_ in take.operators if id_ in self._people),
            instrument=_links(instruments),
            object=[_link(_local("medium", medium.id))] if medium else [],
            result=_links(self._files[path] for path in results if path in self._files),
            startTime=xsd_date_time(take.start) if take.start else None,
            location=_link(_PLACE),
        )

    def _packaging(self) -> Entity:
        return _entity(
            "#archiving",
            "CreateAction",
            name="Making of the archive package",
            agent=_link(_ORGANISATION),
            instrument=_link("#program"),
            endTime=self._archive.run.archived,
            result=_link(_ROOT),
        )

    def _person(self, id_: str, person: PublicPerson) -> Entity:
        return _entity(
            id_,
            "Person",
            name=person.name,
            jobTitle=str(person.role),
            identifier=person.identifier,
            description=person.consent,
        )

    def _organisation(self) -> Iterable[Entity]:
        organisation = self._session.organisation
        contact = organisation.contact
        yield _entity(
            _ORGANISATION,
            "Organization",
            name=organisation.name,
            alternateName=organisation.code,
            address=organisation.address,
            contactPoint=_link("#contact") if contact else None,
        )
        if contact:
            yield _entity(
                "#contact",
                "ContactPoint",
                name=contact.name,
                telephone=contact.phone,
                email=contact.email,
            )

    def _machine(self, machine: Machine) -> Iterable[Entity]:
        id_ = _local("machine", machine.id)
        serials = [mark.text for mark in machine.marks if mark.kind is MarkKind.SERIAL_NUMBER]
        date = machine.made.date if machine.made else None
        plain = date is not None and date.level == 0 and date.form is EdtfForm.DATE
        yield _entity(
            id_,
            "IndividualProduct",
            name=machine.name,
            alternateName=list(machine.names[1:]),
            category=machine.type,
            description=machine_text(machine),
            identifier=machine.inventory_number,
            serialNumber=serials,
            material=list(machine.materials),
            productionDate=date.text if date is not None and plain else None,
            manufacturer=_link(f"{id_}-maker") if machine.maker else None,
        )
        if machine.maker:
            yield _entity(
                f"{id_}-maker",
                "Organization",
                name=machine.maker.name,
                location=machine.maker.place,
            )
