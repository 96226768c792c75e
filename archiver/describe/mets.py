"""METS 1.12.1: which documents and files belong together, session to machine to take to file.

Source: METS schema 1.12.1 (METS Editorial Board, 2019). The documents are referred to,
not wrapped, each with size and digest. References are relative to this document.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from archiver.describe import places
from archiver.describe.facts import Archive, FileFacts, FileRole
from archiver.describe.layers import RightsMap, RightsStatement
from archiver.describe.wording import take_title
from archiver.describe.xmltree import Element, Namespace, serialised
from archiver.session.records import Photograph, Take

__all__ = ["METS_NAMESPACE", "XLINK", "document"]

METS_NAMESPACE = "http://www.loc.gov/METS/"
XLINK = "http://www.w3.org/1999/xlink"
_METS = Namespace(METS_NAMESPACE, {"mets": METS_NAMESPACE, "xlink": XLINK})
_HREF = "xlink:href"
_LINK_TYPE = "xlink:type"

_KINDS: Mapping[str, tuple[str, str | None, str | None]] = {
    places.DUBLIN_CORE: ("DC", None, None),
    places.EBUCORE: ("OTHER", "EBUCORE", "1.10"),
    places.DATACITE: ("OTHER", "DATACITE", "4.5"),
    places.CRATE: ("OTHER", "RO-CRATE", "1.2"),
    places.PREMIS: ("PREMIS", None, "3.0"),
}


def document(archive: Archive, documents: Sequence[FileFacts]) -> bytes:
    """Describe how documents and files belong together.

    Parameters
    ----------
    archive : Archive
    documents : sequence of FileFacts
        The other descriptions, at their paths of :mod:`archiver.describe.places`, with
        size and digests.

    Returns
    -------
    bytes
        UTF-8, valid against the schema of METS 1.12.1.
    """
    return _Writer(archive, documents).write()


class _Writer:
    def __init__(self, archive: Archive, documents: Sequence[FileFacts]) -> None:
        self._archive = archive
        self._documents = {file.path: file for file in documents}
        self._descriptive = {
            path: f"dmd-{number}"
            for number, path in enumerate(
                (path for path in self._documents if path != places.PREMIS), start=1
            )
        }
        self._file_ids = {
            file.path: f"file-{number}" for number, file in enumerate(archive.files, start=1)
        }
        self._created = archive.run.archived
        self._pointed: set[str] = set()
        self._rights = RightsMap(archive.session)

    def write(self) -> bytes:
        session, run = self._archive.session, self._archive.run
        root = _METS.root(
            "mets",
            {"OBJID": run.bag_identifier, "LABEL": session.title, "TYPE": "Sound"},
        )
        self._header(root)
        for path, identifier in self._descriptive.items():
            section = _METS.add(root, "dmdSec", attributes={"ID": identifier})
            self._reference(section, self._documents[path], *self._kind(path))
        premis = self._documents.get(places.PREMIS)
        if premis is not None:
            section = _METS.add(root, "amdSec", attributes={"ID": "amd-1"})
            for one in self._rights.statements:
                rights = _METS.add(section, "rightsMD", attributes={"ID": one.identifier})
                label = f"{one.identifier}, {one.label}"
                self._reference(rights, premis, "PREMIS:RIGHTS", None, "3.0", label=label)
            provenance = _METS.add(section, "digiprovMD", attributes={"ID": "provenance-1"})
            self._reference(provenance, premis, *self._kind(places.PREMIS))
        self._files(root)
        self._structure(root)
        return serialised(root)

    def _header(self, root: Element) -> None:
        session, run = self._archive.session, self._archive.run
        header = _METS.add(root, "metsHdr", attributes={"CREATEDATE": self._created})
        organisation = _METS.add(
            header, "agent", attributes={"ROLE": "CREATOR", "TYPE": "ORGANIZATION"}
        )
        _METS.add(organisation, "name", session.organisation.name)
        _METS.add(
            organisation, "note", f"{session.organisation.country}, {session.organisation.code}"
        )
        software = _METS.add(
            header,
            "agent",
            attributes={"ROLE": "CREATOR", "TYPE": "OTHER", "OTHERTYPE": "SOFTWARE"},
        )
        _METS.add(software, "name", run.program)
        _METS.add(software, "note", run.version)
        _METS.add(header, "altRecordID", session.identifier, {"TYPE": "session identifier"})
        if run.doi:
            _METS.add(header, "altRecordID", run.doi, {"TYPE": "DOI"})

    def _kind(self, path: str) -> tuple[str, str | None, str | None]:
        return _KINDS.get(path) or ("LIDO", None, "1.1")

    def _facts_of(self, file: FileFacts) -> dict[str, str | None]:
        best = places.strongest(file.digests)
        return {
            "MIMETYPE": file.media_type,
            "SIZE": str(file.size_bytes),
            "CHECKSUM": best[1] if best else None,
            "CHECKSUMTYPE": best[0].name if best else None,
        }

    def _link(self, file: FileFacts) -> dict[str, str | None]:
        return {
            "LOCTYPE": "URL",
            _LINK_TYPE: "simple",
            _HREF: places.reference(file.path, base=places.METS),
        }

    def _reference(
        self,
        section: Element,
        file: FileFacts,
        kind: str,
        other: str | None,
        version: str | None,
        *,
        label: str | None = None,
    ) -> None:
        attributes = self._link(file) | {
            "LABEL": label,
            "MDTYPE": kind,
            "OTHERMDTYPE": other,
            "MDTYPEVERSION": version,
        }
        _METS.add(section, "mdRef", attributes=attributes | self._facts_of(file))

    def _administration(self, statements: Iterable[RightsStatement]) -> str | None:
        """Return the sections of the statements and of the provenance, if there are any."""
        if places.PREMIS not in self._documents:
            return None
        return " ".join((*(one.identifier for one in statements), "provenance-1"))

    def _files(self, root: Element) -> None:
        groups: dict[FileRole, list[FileFacts]] = {}
        for file in self._archive.files:
            groups.setdefault(file.role, []).append(file)
        if not groups:
            return
        section = _METS.add(root, "fileSec")
        for role in FileRole:
            if role not in groups:
                continue
            group = _METS.add(section, "fileGrp", attributes={"USE": str(role)})
            for file in groups[role]:
                attributes = self._facts_of(file) | {
                    "ID": self._file_ids[file.path],
                    "ADMID": self._administration(
                        self._rights.of(role, self._archive.takes_of(file))
                    ),
                    "OWNERID": file.original_name,
                }
                element = _METS.add(group, "file", attributes=attributes)
                _METS.add(element, "FLocat", attributes=self._link(file))

    def _structure(self, root: Element) -> None:
        session = self._archive.session
        structure = _METS.add(
            root,
            "structMap",
            attributes={"TYPE": "LOGICAL", "LABEL": "session, machine, take, file"},
        )
        lidos = {places.lido_path(machine.id): machine.id for machine in session.machines}
        whole = [id_ for path, id_ in self._descriptive.items() if path not in lidos]
        top = _METS.add(
            structure,
            "div",
            attributes={
                "LABEL": session.title,
                "TYPE": "session",
                "DMDID": " ".join(whole) or None,
                "ADMID": self._administration(self._rights.statements),
            },
        )
        self._pointers(top, self._archive.by_take.get(None, ()), {FileRole.METADATA})
        by_machine: dict[str | None, list[tuple[int, Take]]] = {}
        for number, take in enumerate(session.takes, start=1):
            machine = session.machine_of(take)
            by_machine.setdefault(machine.id if machine else None, []).append((number, take))
        for machine in session.machines:
            division = _METS.add(
                top,
                "div",
                attributes={
                    "LABEL": machine.name,
                    "TYPE": "machine",
                    "DMDID": self._descriptive.get(places.lido_path(machine.id)),
                },
            )
            self._takes(division, by_machine.get(machine.id, ()))
            own = (one for one in session.photographs if one.machine == machine.id)
            self._photographs(division, (*machine.photographs, *own))
        self._takes(top, by_machine.get(None, ()))
        self._photographs(top, [one for one in session.photographs if not one.machine])
        papers = self._archive.by_take.get(None, ())
        if any(file.role is FileRole.DOCUMENT for file in papers):
            division = _METS.add(top, "div", attributes={"LABEL": "Documents", "TYPE": "documents"})
            self._pointers(division, papers, {FileRole.DOCUMENT})
        rest = [file for file in self._archive.files if file.path not in self._pointed]
        if rest:
            division = _METS.add(top, "div", attributes={"LABEL": "Other files", "TYPE": "files"})
            self._pointers(division, rest, set(FileRole))

    def _takes(self, parent: Element, takes: Iterable[tuple[int, Take]]) -> None:
        for number, take in takes:
            division = _METS.add(
                parent,
                "div",
                attributes={
                    "LABEL": take_title(self._archive.session, take),
                    "TYPE": "take",
                    "ORDER": str(number),
                    "ORDERLABEL": take.id,
                },
            )
            self._pointers(division, self._archive.by_take.get(take.id, ()), set(FileRole))

    def _photographs(self, parent: Element, pictures: Iterable[Photograph]) -> None:
        found = {
            file.path: file
            for one in pictures
            if (file := self._archive.by_source.get(one.file)) is not None
        }
        if found:
            division = _METS.add(
                parent, "div", attributes={"LABEL": "Photographs", "TYPE": "photographs"}
            )
            self._pointers(division, found.values(), set(FileRole))

    def _pointers(self, parent: Element, files: Iterable[FileFacts], roles: set[FileRole]) -> None:
        for file in files:
            if file.role in roles:
                self._pointed.add(file.path)
                _METS.add(parent, "fptr", attributes={"FILEID": self._file_ids[file.path]})
