"""RO-Crates: flat, complete, every reference answered, files as they are in the bag.

Source: RO-Crate Metadata Specification 1.2, root data entity and metadata descriptor.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from archiver.describe import rules
from archiver.describe.places import CRATE, CRATE_ROOT
from archiver.describe.selfcheck.forms import is_date_time, is_plain_date, named_file
from archiver.describe.selfcheck.reading import Desk

__all__ = ["check_crate"]

_CONTEXT = "https://w3id.org/ro/crate/1.2/context"
_PROFILE = "https://w3id.org/ro/crate/1.2"
_DESCRIPTOR = "ro-crate-metadata.json"
_NEEDED = ("name", "description", "datePublished", "license", "hasPart")
KEYS = frozenset(
    [
        "@id",
        "@type",
        "about",
        "additionalType",
        "address",
        "agent",
        "alternateName",
        "category",
        "conditionsOfAccess",
        "conformsTo",
        "contactPoint",
        "contentSize",
        "contributor",
        "copyrightHolder",
        "creator",
        "datePublished",
        "description",
        "duration",
        "email",
        "encodingFormat",
        "endTime",
        "hasPart",
        "identifier",
        "inLanguage",
        "instrument",
        "isBasedOn",
        "jobTitle",
        "keywords",
        "license",
        "location",
        "locationCreated",
        "manufacturer",
        "material",
        "mentions",
        "name",
        "object",
        "productionDate",
        "publisher",
        "result",
        "serialNumber",
        "sha256",
        "softwareVersion",
        "startTime",
        "telephone",
        "temporalCoverage",
        "usageInfo",
    ]
)
"""Keys of the 1.2 context that are written here."""


def check_crate(crate: dict[str, Any], desk: Desk) -> None:
    """Report what is wrong with a crate."""
    if crate.get("@context") != _CONTEXT:
        desk.report(rules.ROOT, f"@context is {crate.get('@context')!r}", accepted=_CONTEXT)
        return
    graph = crate.get("@graph")
    if not isinstance(graph, list):
        desk.report(rules.GRAPH, "there is no list of entities", field="@graph")
        return
    entities: dict[str, dict[str, Any]] = {}
    for entity in graph:
        id_ = entity.get("@id")
        if not isinstance(id_, str) or not entity.get("@type"):
            desk.report(rules.GRAPH, f"an entity has the @id {id_!r} and no full description")
            continue
        if id_ in entities:
            desk.report(rules.IDENTIFIER_TWICE, f"{id_!r} is described twice", field=id_)
        entities[id_] = entity
        _entity(entity, desk)
    for id_, entity in entities.items():
        for key, target in _references(entity):
            if target not in entities and target not in (_PROFILE, _DESCRIPTOR):
                desk.report(
                    rules.DANGLING, f"{key} names {target!r}, which is not described", field=id_
                )
    _root(entities, desk)


def _references(entity: dict[str, Any]) -> Iterator[tuple[str, str]]:
    for key, value in entity.items():
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, dict) and "@id" in one:
                yield key, str(one["@id"])


def _entity(entity: dict[str, Any], desk: Desk) -> None:
    id_ = entity["@id"]
    if any(character in id_ for character in ' \\\t\n<>"{}|^`'):
        desk.report(rules.REFERENCE_FORM, f"{id_!r} is no URI reference", field=id_)
    for key, value in entity.items():
        if key not in KEYS:
            desk.report(rules.GRAPH, f"the key {key!r} is not used in a crate here", field=id_)
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, dict) and set(one) != {"@id"}:
                desk.report(rules.GRAPH, f"{key} holds an entity instead of naming it", field=id_)
    for key in ("startTime", "endTime"):
        if key in entity and not is_date_time(entity[key]):
            desk.report(rules.DATE, f"{key} is {entity[key]!r}", field=id_)
    types = entity["@type"] if isinstance(entity["@type"], list) else [entity["@type"]]
    if "File" in types:
        _file(entity, desk)


def _file(entity: dict[str, Any], desk: Desk) -> None:
    id_ = entity["@id"]
    path = named_file(id_, base=CRATE)
    if path is None:
        desk.report(rules.REFERENCE_FORM, f"{id_!r} is no relative reference", field=id_)
        return
    facts = desk.files.get(path)
    if facts is None:
        desk.report(rules.FILE_UNKNOWN, f"{path} is not in the bag", field=id_)
        return
    if entity.get("contentSize") != str(facts.size_bytes):
        desk.report(
            rules.SIZE_DIFFERS,
            f"contentSize is {entity.get('contentSize')!r}",
            field=id_,
            accepted=str(facts.size_bytes),
        )
    digest = entity.get("sha256")
    if digest is not None and digest != facts.digests.get("sha256"):
        desk.report(
            rules.DIGEST_DIFFERS,
            f"sha256 is {digest!r}",
            field=id_,
            accepted=facts.digests.get("sha256", "none"),
        )
    if entity.get("encodingFormat") != facts.media_type:
        desk.report(
            rules.MEDIA_TYPE,
            f"encodingFormat is {entity.get('encodingFormat')!r}",
            field=id_,
            accepted=facts.media_type,
        )


def _root(entities: dict[str, dict[str, Any]], desk: Desk) -> None:
    descriptor = entities.get(_DESCRIPTOR)
    if (
        descriptor is None
        or descriptor.get("about") != {"@id": "./"}
        or descriptor.get("conformsTo") != {"@id": _PROFILE}
    ):
        desk.report(
            rules.ROOT, f"{_DESCRIPTOR} is not described as RO-Crate 1.2 asks", field=_DESCRIPTOR
        )
    root = entities.get("./")
    if root is None:
        desk.report(rules.ROOT, "the root of the crate is not described", field="./")
        return
    for key in _NEEDED:
        if not root.get(key):
            desk.report(rules.REQUIRED, f"{key} is missing", field="./")
    date = str(root.get("datePublished", ""))
    if not (len(date) >= 10 and is_plain_date(date[:10])):
        desk.report(
            rules.DATE, f"datePublished is {date!r}", field="./", accepted="at least to the day"
        )
    parts = {
        one["@id"]
        for one in root.get("hasPart", ())
        if isinstance(one, dict) and isinstance(one.get("@id"), str)
    }
    named = {named_file(part, base=CRATE) for part in parts}
    for path in desk.archive.by_path:
        if path.startswith(CRATE_ROOT) and path not in named:
            desk.report(rules.REQUIRED, f"{path} is no part of the crate", field="./")
