"""METS documents against the archive: references inside and out, sizes, digests, dates."""

from __future__ import annotations

from lxml import etree

from archiver.describe import places, rules
from archiver.describe.facts import FileFacts
from archiver.describe.mets import METS_NAMESPACE, XLINK
from archiver.describe.selfcheck.forms import (
    digest_complaint,
    is_date_time,
    is_media_type,
    named_file,
)
from archiver.describe.selfcheck.reading import Desk, local_name
from archiver.describe.vocabulary import DIGESTS

__all__ = ["check_mets"]

_HREF = f"{{{XLINK}}}href"
_TARGETS = {
    "FILEID": {"file"},
    "DMDID": {"dmdSec"},
    "ADMID": {"amdSec", "techMD", "rightsMD", "sourceMD", "digiprovMD"},
}
_DATES = ("CREATEDATE", "LASTMODDATE", "CREATED", "VERSDATE")
_ALGORITHMS = {digest.name: name for name, digest in DIGESTS.items()}


def check_mets(root: etree._Element, desk: Desk) -> None:
    """Report what is wrong with a METS document."""
    if root.tag != f"{{{METS_NAMESPACE}}}mets":
        desk.report(
            rules.ROOT,
            f"the document begins with {root.tag}",
            accepted=f"mets of {METS_NAMESPACE}",
        )
        return
    for attribute in ("OBJID", "LABEL"):
        if not root.get(attribute):
            desk.report(rules.REQUIRED, f"{attribute} is missing", at=root)
    owners: dict[str, str] = {}
    for element in root.iter():
        identifier = element.get("ID")
        if identifier is None:
            continue
        if identifier in owners:
            desk.report(rules.IDENTIFIER_TWICE, f"ID {identifier!r} is used twice", at=element)
        owners[identifier] = local_name(element)
    pointed: set[str] = set()
    listed: dict[str, etree._Element] = {}
    for element in root.iter():
        pointed |= _references(element, owners, desk)
        for attribute in _DATES:
            text = element.get(attribute)
            if text is not None and not is_date_time(text):
                desk.report(
                    rules.DATE,
                    f"{attribute} is {text!r}",
                    at=element,
                    accepted="date, T, time with seconds, and offset",
                )
        if element.get(_HREF) is not None:
            _link(element, desk)
        if local_name(element) == "file":
            listed[element.get("ID") or ""] = element
    for identifier, element in listed.items():
        if identifier not in pointed:
            desk.report(
                rules.REQUIRED, f"file {identifier!r} stands nowhere in the structure", at=element
            )


def _references(element: etree._Element, owners: dict[str, str], desk: Desk) -> set[str]:
    pointed: set[str] = set()
    for attribute, targets in _TARGETS.items():
        for identifier in (element.get(attribute) or "").split():
            owner = owners.get(identifier)
            if owner not in targets:
                found = "which is nothing here" if owner is None else f"which is a {owner}"
                desk.report(
                    rules.DANGLING,
                    f"{attribute} names {identifier!r}, {found}",
                    at=element,
                    accepted=f"the ID of a {' or '.join(sorted(targets))}",
                )
            if attribute == "FILEID":
                pointed.add(identifier)
    return pointed


def _link(element: etree._Element, desk: Desk) -> None:
    reference = element.get(_HREF) or ""
    path = named_file(reference, base=places.METS)
    if path is None:
        desk.report(
            rules.REFERENCE_FORM,
            f"{reference!r} is no relative reference to a file of the bag",
            at=element,
        )
        return
    facts = desk.files.get(path)
    if facts is None:
        desk.report(
            rules.FILE_UNKNOWN, f"{reference!r} names {path}, which is not there", at=element
        )
        return
    # Size and digest of a file stand beside its location, on the parent.
    parent = element.getparent()
    described = parent if local_name(element) == "FLocat" and parent is not None else element
    _facts(described, facts, desk)


def _facts(element: etree._Element, facts: FileFacts, desk: Desk) -> None:
    size, media_type = element.get("SIZE"), element.get("MIMETYPE")
    digest, name = element.get("CHECKSUM"), element.get("CHECKSUMTYPE")
    for attribute, value in (("SIZE", size), ("MIMETYPE", media_type), ("CHECKSUM", digest)):
        if value is None:
            desk.report(rules.REQUIRED, f"{attribute} of {facts.path} is missing", at=element)
    if size is not None and size != str(facts.size_bytes):
        desk.report(
            rules.SIZE_DIFFERS, f"{facts.path} has the size {size}", at=element,
            accepted=str(facts.size_bytes),
        )  # fmt: skip
    if media_type is not None and (not is_media_type(media_type) or media_type != facts.media_type):
        desk.report(
            rules.MEDIA_TYPE, f"{facts.path} has the type {media_type!r}", at=element,
            accepted=facts.media_type,
        )  # fmt: skip
    if digest is None:
        return
    algorithm = _ALGORITHMS.get(name or "")
    if algorithm is None:
        desk.report(
            rules.DIGEST_FORM, f"CHECKSUMTYPE is {name!r}", at=element,
            accepted=", ".join(_ALGORITHMS),
        )  # fmt: skip
        return
    complaint = digest_complaint(algorithm, digest)
    if complaint:
        desk.report(rules.DIGEST_FORM, complaint, at=element)
    elif facts.digests.get(algorithm, digest) != digest:
        desk.report(
            rules.DIGEST_DIFFERS, f"{facts.path} has the {name} digest {digest}", at=element,
            accepted=facts.digests[algorithm],
        )  # fmt: skip
