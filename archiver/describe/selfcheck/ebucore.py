"""EBUCore documents against the masters: the technical part, units, roles, dates."""

from __future__ import annotations

from lxml import etree

from archiver.describe import places, rules
from archiver.describe.ebucore import CAPTURE_LABEL, EBUCORE
from archiver.describe.facts import FileFacts, FileRole, MasterFacts
from archiver.describe.selfcheck.forms import digest_complaint, is_plain_date, named_file
from archiver.describe.selfcheck.reading import Desk, children, local_name, text_of
from archiver.describe.vocabulary import DIGESTS, EBUCORE_ROLES
from archiver.describe.wording import xsd_duration

__all__ = ["check_ebucore"]

_UNITS = {"fileSize": {"byte"}, "bitRate": {"bit/s"}}
_ROLES = set(EBUCORE_ROLES.values())
_ALGORITHMS = {digest.name: name for name, digest in DIGESTS.items()}
_DATES = ("startDate", "endDate", "date", "dateLastModified")


def check_ebucore(root: etree._Element, desk: Desk) -> None:
    """Report what is wrong with an EBUCore document of a session."""
    if root.tag != f"{{{EBUCORE}}}ebuCoreMain" or root.get("version") != "1.10":
        desk.report(
            rules.ROOT,
            f"the document begins with {root.tag}, version {root.get('version')}",
            accepted=f"ebuCoreMain of {EBUCORE}, version 1.10",
        )
        return
    core = next(children(root, "coreMetadata"), None)
    for name in ("title", "identifier", "date", "type", "rights"):
        if core is None or next(children(core, name), None) is None:
            desk.report(rules.REQUIRED, f"no {name} is given", field=name)
    masters = {master.path.rpartition("/")[2]: master for master in desk.archive.masters}
    copies = {
        file.path.rpartition("/")[2]: file
        for file in desk.archive.files
        if file.role is FileRole.ACCESS
    }
    described: set[str] = set()
    for element in root.iter():
        name = local_name(element)
        for attribute in _DATES:
            text = element.get(attribute)
            if text is not None and not (len(text) >= 10 and is_plain_date(text[:10])):
                desk.report(rules.DATE, f"{attribute} is {text!r}", at=element)
        if name in _UNITS and element.get("unit") not in _UNITS[name]:
            desk.report(
                rules.TECHNICAL,
                f"{name} is in {element.get('unit')!r}",
                at=element,
                accepted=" or ".join(_UNITS[name]),
            )
        elif name == "role" and element.get("typeLabel") not in _ROLES:
            desk.report(
                rules.TERM_FOREIGN,
                f"the role is {element.get('typeLabel')!r}",
                at=element,
                accepted=", ".join(sorted(_ROLES)),
            )
        elif name == "format":
            file_name = text_of(element, "fileName") or ""
            master = masters.get(file_name)
            if element.get("typeLabel") == CAPTURE_LABEL:
                _capture(element, file_name, desk)
                continue
            described.add(file_name)
            if master is not None:
                _technical(element, master, desk)
            elif file_name in copies:
                _copy(element, copies[file_name], desk)
            else:
                desk.report(
                    rules.FILE_UNKNOWN, f"{file_name!r} is no master or copy of one", at=element
                )
    for file_name in (masters.keys() | copies.keys()) - described:
        desk.report(rules.REQUIRED, f"the file {file_name} is not described", field="format")


def _technical(element: etree._Element, master: MasterFacts, desk: Desk) -> None:
    samples = master.samples
    facts = desk.files.get(master.path)
    expected: dict[tuple[str, ...], str] = {
        ("audioFormat", "samplingRate"): str(samples.sample_rate_hz),
        ("audioFormat", "sampleSize"): str(samples.valid_bits),
        ("audioFormat", "channels"): str(samples.channels),
        ("duration", "normalPlayTime"): xsd_duration(master.frames, samples.sample_rate_hz),
        ("fileSize",): str(facts.size_bytes) if facts is not None else "",
    }
    for names, value in expected.items():
        found = text_of(element, *names)
        if found != value:
            rule = rules.SIZE_DIFFERS if names == ("fileSize",) else rules.TECHNICAL
            desk.report(rule, f"{names[-1]} is {found!r}", at=element, accepted=value)
    exact = [
        (units.text, units.get("editRate"))
        for duration in children(element, "duration")
        for units in children(duration, "editUnitNumber")
    ]
    if exact != [(str(master.frames), str(samples.sample_rate_hz))]:
        desk.report(
            rules.TECHNICAL, f"the length is {exact}", at=element,
            accepted=f"{master.frames} at {samples.sample_rate_hz} Hz",
        )  # fmt: skip
    _stored(element, master.path, desk)


def _capture(element: etree._Element, file_name: str, desk: Desk) -> None:
    """Check what is said of a capture against the codings of the archive."""
    codings = {
        one.decoded_from.name for one in desk.archive.masters if one.decoded_from is not None
    }
    audio = next(children(element, "audioFormat"), None)
    name = None if audio is None else audio.get("audioFormatName")
    if name not in codings:
        desk.report(
            rules.TECHNICAL, f"the coding of {file_name} is {name!r}", at=element,
            accepted=", ".join(sorted(codings)),
        )  # fmt: skip
    locator = text_of(element, "locator")
    if locator is not None:
        _stored(element, named_file(locator, base=places.EBUCORE) or "", desk)


def _copy(element: etree._Element, file: FileFacts, desk: Desk) -> None:
    size = text_of(element, "fileSize")
    if size != str(file.size_bytes):
        desk.report(
            rules.SIZE_DIFFERS, f"fileSize is {size!r}", at=element, accepted=str(file.size_bytes)
        )
    master = desk.archive.master_of.get(file.take or "")
    length = text_of(element, "duration", "normalPlayTime")
    if master is not None and not file.treatment:
        expected = xsd_duration(master.frames, master.samples.sample_rate_hz)
        if length != expected:
            desk.report(
                rules.TECHNICAL, f"normalPlayTime is {length!r}", at=element, accepted=expected
            )
    _stored(element, file.path, desk)


def _stored(element: etree._Element, path: str, desk: Desk) -> None:
    locator = text_of(element, "locator")
    if locator is not None and named_file(locator, base=places.EBUCORE) != path:
        desk.report(rules.FILE_UNKNOWN, f"the locator is {locator!r}", at=element, accepted=path)
    for hashed in children(element, "hash"):
        _hash(hashed, path, desk)


def _hash(hashed: etree._Element, path: str, desk: Desk) -> None:
    digest = text_of(hashed, "hashValue") or ""
    function = next(children(hashed, "hashFunction"), None)
    label = function.get("typeLabel") if function is not None else None
    algorithm = _ALGORITHMS.get(label or "")
    if algorithm is None:
        desk.report(rules.DIGEST_FORM, f"the hash function is {label!r}", at=hashed)
        return
    complaint = digest_complaint(algorithm, digest)
    if complaint:
        desk.report(rules.DIGEST_FORM, complaint, at=hashed)
        return
    facts = desk.files.get(path)
    if facts is not None and facts.digests.get(algorithm, digest) != digest:
        desk.report(
            rules.DIGEST_DIFFERS, f"{path} has the {label} digest {digest}", at=hashed,
            accepted=facts.digests[algorithm],
        )  # fmt: skip
