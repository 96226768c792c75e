"""The ``axml`` chunk: any XML.

Source: EBU Tech 3285 supplement 5. It may hold fragments of more than one schema, so
it need not be one document: the bytes are the record, and parsing is a question
asked of it. We write one UTF-8 document without a byte-order mark.
"""

from __future__ import annotations

from dataclasses import dataclass

from lxml import etree

from archiver.wave.hardened import parse_xml

__all__ = ["Axml", "decode", "encode", "root_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axml:
    """An ``axml`` payload, byte for byte."""

    document: bytes


def decode(payload: bytes) -> Axml:
    """Read an ``axml`` payload; every payload is one."""
    return Axml(document=payload)


def encode(record: Axml) -> bytes:
    """Write an ``axml`` payload."""
    return record.document


def root_of(record: Axml) -> etree._Element:
    """Parse the payload as one document; blanks and NULs around it do not count.

    Raises
    ------
    InputError
        It is not one well-formed document, or has a DOCTYPE.
    """
    document = record.document
    if not document.startswith((b"\xff\xfe", b"\xfe\xff")):
        document = document.strip(b"\0 \t\r\n")
    return parse_xml(document, "axml")
