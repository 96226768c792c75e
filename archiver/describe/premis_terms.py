"""Building blocks of a PREMIS document: terms with their authority, identifiers in pairs."""

from __future__ import annotations

from archiver.describe.vocabulary import PremisTerm
from archiver.describe.xmltree import Element, Namespace

__all__ = ["PREMIS", "PREMIS_NAMESPACE", "XSI_TYPE", "add_identifier", "add_term", "premis_root"]

PREMIS_NAMESPACE = "http://www.loc.gov/premis/v3"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"
XSI_TYPE = "xsi:type"
PREMIS = Namespace(PREMIS_NAMESPACE, {"premis": PREMIS_NAMESPACE, "xsi": _XSI})


def premis_root() -> Element:
    """Make the root of a PREMIS 3.0 document."""
    return PREMIS.root("premis", {"version": "3.0"})


def add_term(parent: Element, name: str, term: PremisTerm) -> Element:
    """Append a term with its authority attributes."""
    return PREMIS.add(parent, name, term.label, term.authority)


def add_identifier(
    parent: Element, name: str, kind: str, value: str, *, wrapper: str | None = None
) -> Element:
    """Append an identifier: ``nameIdentifierType`` and ``nameIdentifierValue`` in a wrapper."""
    element = PREMIS.add(parent, wrapper or f"{name}Identifier")
    PREMIS.add(element, f"{name}IdentifierType", kind)
    PREMIS.add(element, f"{name}IdentifierValue", value)
    return element
