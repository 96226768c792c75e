"""PREMIS documents against the archive: identifiers, dates, terms, digests, sizes."""

from __future__ import annotations

from collections.abc import Iterator

from lxml import etree

from archiver.describe import rules
from archiver.describe.premis import SOUND_TRACK
from archiver.describe.premis_terms import PREMIS_NAMESPACE
from archiver.describe.selfcheck.forms import digest_complaint, is_date_time, is_edtf
from archiver.describe.selfcheck.reading import Desk, children, local_name, text_of
from archiver.describe.vocabulary import PREMIS_BASE, PREMIS_LISTS

__all__ = ["check_premis"]

_XSI_TYPE = "{http://www.w3.org/2001/XMLSchema-instance}type"
_KINDS = {"object": "object", "event": "event", "agent": "agent"}
_LINKS = {
    "linkingEventIdentifier": "event",
    "relatedEventIdentifier": "event",
    "linkingObjectIdentifier": "object",
    "relatedObjectIdentifier": "object",
    "linkingAgentIdentifier": "agent",
    "linkingRightsStatementIdentifier": "rightsStatement",
}
_DATES = {"eventDateTime", "dateCreatedByApplication", "startDate", "endDate"}
_TERMS = {
    "eventType": "eventType",
    "agentType": "agentType",
    "eventOutcome": "eventOutcome",
    "linkingAgentRole": "eventRelatedAgentRole",
    "rightsBasis": "rightsBasis",
    "relationshipType": "relationshipType",
    "relationshipSubType": "relationshipSubType",
    "messageDigestAlgorithm": "cryptographicHashFunctions",
}


def check_premis(root: etree._Element, desk: Desk) -> None:
    """Report what is wrong with a PREMIS document."""
    if root.tag != f"{{{PREMIS_NAMESPACE}}}premis" or root.get("version") != "3.0":
        desk.report(
            rules.ROOT,
            f"the document begins with {root.tag}, version {root.get('version')}",
            accepted=f"premis of {PREMIS_NAMESPACE}, version 3.0",
        )
        return
    known = _identifiers(root, desk)
    described: set[str] = set()
    for element in root.iter():
        name = local_name(element)
        if name in _LINKS:
            pair = _pair(element)
            if pair not in known[_LINKS[name]]:
                desk.report(
                    rules.DANGLING, f"{pair[1]!r} ({pair[0]}) is not in the document", at=element
                )
        elif name in _DATES:
            _date(element, name, desk)
        elif name in _TERMS:
            _term(element, _TERMS[name], desk)
        elif (
            name == "event" and text_of(element, "eventOutcomeInformation", "eventOutcome") is None
        ):
            desk.report(rules.REQUIRED, "the event has no outcome", at=element)
        elif name == "object":
            _object(element, desk, described)
    for path in desk.archive.by_path.keys() - described:
        desk.report(rules.REQUIRED, f"{path} is not described", field="object")


def _pair(element: etree._Element) -> tuple[str, str]:
    kind = value = ""
    for child in element:
        name = local_name(child)
        if name.endswith("IdentifierType"):
            kind = child.text or ""
        elif name.endswith("IdentifierValue"):
            value = child.text or ""
    return kind, value


def _identifiers(root: etree._Element, desk: Desk) -> dict[str, set[tuple[str, str]]]:
    known: dict[str, set[tuple[str, str]]] = {
        "object": set(),
        "event": set(),
        "agent": set(),
        "rightsStatement": set(),
    }
    for kind, element in _identified(root):
        own = [_pair(child) for child in children(element, f"{kind}Identifier")]
        for pair in own:
            if pair in known[kind]:
                desk.report(
                    rules.IDENTIFIER_TWICE, f"{pair[1]!r} ({pair[0]}) is used twice", at=element
                )
            known[kind].add(pair)
        if not any(value for _, value in own):
            desk.report(rules.REQUIRED, f"the {kind} has no identifier", at=element)
    return known


def _identified(root: etree._Element) -> Iterator[tuple[str, etree._Element]]:
    for element in root:
        name = local_name(element)
        if name in _KINDS:
            yield name, element
        elif name == "rights":
            for statement in children(element, "rightsStatement"):
                yield "rightsStatement", statement


def _date(element: etree._Element, name: str, desk: Desk) -> None:
    text = element.text or ""
    if is_date_time(text) or is_edtf(text) or (name == "endDate" and text == "OPEN"):
        return
    desk.report(
        rules.DATE,
        f"{text!r} is no date",
        at=element,
        accepted="a date and time with offset, or a date of EDTF",
    )


def _term(element: etree._Element, scheme: str, desk: Desk) -> None:
    labels = PREMIS_LISTS[scheme]
    text = element.text or ""
    code = next((code for code, label in labels.items() if label == text), None)
    if code is None:
        desk.report(
            rules.TERM_FOREIGN,
            f"{text!r} is no term of {scheme}",
            at=element,
            accepted=", ".join(labels.values()),
        )
        return
    expected = {
        "authority": scheme,
        "authorityURI": PREMIS_BASE + scheme,
        "valueURI": f"{PREMIS_BASE}{scheme}/{code}",
    }
    for attribute, value in expected.items():
        if element.get(attribute) != value:
            desk.report(
                rules.TERM_FOREIGN,
                f"{attribute} of {text!r} is {element.get(attribute)!r}",
                at=element,
                accepted=value,
            )


def _digests(element: etree._Element, desk: Desk) -> dict[str, str]:
    """Return the digests of an object by algorithm, after checking their form."""
    found: dict[str, str] = {}
    for characteristics in children(element, "objectCharacteristics"):
        for fixity in children(characteristics, "fixity"):
            label = text_of(fixity, "messageDigestAlgorithm") or ""
            digest = text_of(fixity, "messageDigest") or ""
            labels = PREMIS_LISTS["cryptographicHashFunctions"]
            algorithm = next((code for code, known in labels.items() if known == label), None)
            if algorithm is None:
                continue  # reported as a term
            complaint = digest_complaint(algorithm, digest)
            if complaint:
                desk.report(rules.DIGEST_FORM, complaint, at=fixity)
            found[algorithm] = digest
    return found


def _object(element: etree._Element, desk: Desk, described: set[str]) -> None:
    kind = (element.get(_XSI_TYPE) or "").rpartition(":")[2]
    if kind == "file":
        _file(element, desk, described)
    elif kind == "bitstream":
        _samples(element, desk)
    elif kind not in ("representation", "intellectualEntity"):
        desk.report(rules.REQUIRED, "the object does not say what kind it is", at=element)


def _file(element: etree._Element, desk: Desk, described: set[str]) -> None:
    path = text_of(element, "storage", "contentLocation", "contentLocationValue")
    size = text_of(element, "objectCharacteristics", "size")
    digests = _digests(element, desk)
    for name, value in (("storage", path), ("size", size), ("fixity", digests)):
        if not value:
            desk.report(rules.REQUIRED, f"the file has no {name}", at=element)
    if not path:
        return
    described.add(path)
    facts = desk.files.get(path)
    if facts is None:
        desk.report(rules.FILE_UNKNOWN, f"{path!r} is not in the bag", at=element)
        return
    if size is not None and size != str(facts.size_bytes):
        desk.report(
            rules.SIZE_DIFFERS, f"{path} has the size {size}", at=element,
            accepted=str(facts.size_bytes),
        )  # fmt: skip
    for algorithm, digest in digests.items():
        expected = facts.digests.get(algorithm)
        if expected is not None and digest != expected:
            desk.report(
                rules.DIGEST_DIFFERS, f"{path} has the {algorithm} digest {digest}", at=element,
                accepted=expected,
            )  # fmt: skip


def _sound_track(path: str, element: etree._Element, desk: Desk) -> None:
    """Check the coded sound of a capture: its file is kept, and its coding is on record."""
    if path not in desk.files:
        desk.report(rules.FILE_UNKNOWN, f"{path!r} is not in the bag", at=element)
    name = text_of(element, "objectCharacteristics", "format", "formatDesignation", "formatName")
    names = {one.decoded_from.name for one in desk.archive.masters if one.decoded_from is not None}
    if name not in names:
        desk.report(
            rules.TECHNICAL,
            f"the coding is {name!r}",
            at=element,
            accepted=", ".join(sorted(names)),
        )


def _samples(element: etree._Element, desk: Desk) -> None:
    digests = _digests(element, desk)
    identifier = text_of(element, "objectIdentifier", "objectIdentifierValue") or ""
    if identifier.endswith(SOUND_TRACK):
        _sound_track(identifier.removesuffix(SOUND_TRACK), element, desk)
        return
    facts = desk.files.get(identifier.removesuffix("#samples"))
    master = desk.archive.master_of.get(facts.take or "") if facts is not None else None
    if master is None:
        desk.report(rules.FILE_UNKNOWN, f"{identifier!r} belongs to no master", at=element)
        return
    if digests.get("md5") != master.samples_md5:
        desk.report(
            rules.DIGEST_DIFFERS,
            f"the samples have the MD5 digest {digests.get('md5')}",
            at=element,
            accepted=master.samples_md5,
        )
    expected = {
        "frames": str(master.frames),
        "sample rate, Hz": str(master.samples.sample_rate_hz),
        "bits per sample": str(master.samples.valid_bits),
        "channels": str(master.samples.channels),
    }
    for group in children(element, "significantProperties"):
        name = text_of(group, "significantPropertiesType") or ""
        value = text_of(group, "significantPropertiesValue")
        if name in expected and value != expected[name]:
            desk.report(rules.TECHNICAL, f"{name}: {value}", at=group, accepted=expected[name])
