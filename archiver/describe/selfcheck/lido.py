"""LIDO records: dates in pairs and plain, event types of the vocabulary, resources in the bag."""

from __future__ import annotations

import re

from lxml import etree

from archiver.describe import rules
from archiver.describe.lido import LIDO
from archiver.describe.selfcheck.forms import is_media_type, is_plain_date, named_file
from archiver.describe.selfcheck.reading import Desk, local_name, text_of
from archiver.describe.vocabulary import AAT, LIDO_EVENTS

__all__ = ["check_lido"]

_EVENTS = {concept.label: concept.uri for concept in LIDO_EVENTS.values()} | {"Event": ""}
_AAT_ID = re.compile(re.escape(AAT) + r"300\d{6}")


def check_lido(root: etree._Element, path: str, desk: Desk) -> None:
    """Report what is wrong with a LIDO record at a path of the bag."""
    if root.tag != f"{{{LIDO}}}lido":
        desk.report(rules.ROOT, f"the document begins with {root.tag}", accepted=f"lido of {LIDO}")
        return
    for element in root.iter():
        name = local_name(element)
        if name in ("date", "vitalDatesActor", "rightsDate"):
            _span(element, desk)
        elif name == "eventType":
            _event_type(element, desk)
        elif name == "conceptID":
            text = element.text or ""
            if text.startswith(AAT) and not _AAT_ID.fullmatch(text):
                desk.report(
                    rules.IDENTIFIER_FORM, f"{text!r} is no id of the thesaurus", at=element,
                    accepted=f"{AAT}300 and six digits",
                )  # fmt: skip
        elif name == "linkResource":
            _resource(element, path, desk)


def _span(element: etree._Element, desk: Desk) -> None:
    earliest, latest = text_of(element, "earliestDate"), text_of(element, "latestDate")
    if earliest is None or latest is None:
        missing = "earliestDate" if earliest is None else "latestDate"
        desk.report(rules.DATE_RANGE, f"{missing} is missing", at=element)
        return
    plain = True
    for text in (earliest, latest):
        if not is_plain_date(text):
            plain = False
            desk.report(
                rules.DATE,
                f"{text!r} is no plain date",
                at=element,
                accepted="a year, month or day of ISO 8601, without ~, ? or X",
            )
    # A year stands for all its days, so only the digits that both have are compared.
    shorter = min(len(earliest), len(latest))
    if plain and earliest[:shorter] > latest[:shorter]:
        desk.report(rules.DATE_RANGE, f"{earliest} is after {latest}", at=element)


def _event_type(element: etree._Element, desk: Desk) -> None:
    label, uri = text_of(element, "term") or "", text_of(element, "conceptID") or ""
    if label not in _EVENTS:
        desk.report(
            rules.TERM_FOREIGN, f"the type of the event is {label!r}", at=element,
            accepted=", ".join(_EVENTS),
        )  # fmt: skip
    elif uri != _EVENTS[label]:
        desk.report(
            rules.TERM_FOREIGN, f"{label!r} has the concept {uri!r}", at=element,
            accepted=_EVENTS[label] or "none",
        )  # fmt: skip


def _resource(element: etree._Element, path: str, desk: Desk) -> None:
    reference = element.text or ""
    named = named_file(reference, base=path)
    if named is None:
        desk.report(rules.REFERENCE_FORM, f"{reference!r} is no relative reference", at=element)
        return
    facts = desk.files.get(named)
    if facts is None:
        desk.report(
            rules.FILE_UNKNOWN, f"{reference!r} names {named}, which is not there", at=element
        )
        return
    media_type = element.get(f"{{{LIDO}}}formatResource") or ""
    if not is_media_type(media_type) or media_type != facts.media_type:
        desk.report(
            rules.MEDIA_TYPE, f"{named} has the type {media_type!r}", at=element,
            accepted=facts.media_type,
        )  # fmt: skip
