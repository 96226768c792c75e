"""Reading XML that a stranger wrote: no entities, no DOCTYPE, no network, bounded.

lxml stops entity bombs by itself, but parses a document whose external entity it did
not fetch and leaves the reference in the text; so any DOCTYPE is refused.
"""

from __future__ import annotations

from lxml import etree

from archiver.wave.layout import broken

__all__ = ["LARGEST_BYTES", "parse_xml"]

LARGEST_BYTES = 1 << 22
"""A longer document is not parsed."""


def parse_xml(document: bytes, chunk: str) -> etree._Element:
    """Parse one XML document.

    Parameters
    ----------
    document : bytes
    chunk : str
        Chunk that the error names.

    Raises
    ------
    InputError
        It is too long, not well-formed, too deep, or has a DOCTYPE.
    """
    accepted = "one well-formed XML document without DOCTYPE"
    if len(document) > LARGEST_BYTES:
        raise broken(
            chunk, LARGEST_BYTES, f"the XML has {len(document)} bytes",
            f"{accepted}, of at most {LARGEST_BYTES} bytes",
        )  # fmt: skip
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
    )
    try:
        root = etree.fromstring(document, parser)
    except etree.XMLSyntaxError as error:
        raise broken(chunk, 0, f"the XML is not well-formed: {error}", accepted) from error
    information = root.getroottree().docinfo
    if information.internalDTD is not None or information.doctype:
        raise broken(chunk, 0, "the XML has a DOCTYPE", accepted)
    return root
