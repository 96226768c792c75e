"""Dublin Core documents: what harvesters need, and plain dates."""

from __future__ import annotations

from lxml import etree

from archiver.describe import rules
from archiver.describe.dublincore import OAI_DC
from archiver.describe.selfcheck.forms import is_w3cdtf
from archiver.describe.selfcheck.reading import Desk, children
from archiver.describe.vocabulary import DCMI_TYPES

__all__ = ["check_dublin_core"]

_NEEDED = ("title", "identifier", "date", "type", "publisher", "rights")


def check_dublin_core(root: etree._Element, desk: Desk) -> None:
    """Report what is wrong with an ``oai_dc`` record."""
    if root.tag != f"{{{OAI_DC}}}dc":
        desk.report(rules.ROOT, f"the document begins with {root.tag}", accepted=f"dc of {OAI_DC}")
        return
    for name in _NEEDED:
        if not any((child.text or "").strip() for child in children(root, name)):
            desk.report(rules.REQUIRED, f"no dc:{name} is given", field=name)
    for date in children(root, "date"):
        if not is_w3cdtf(date.text or ""):
            desk.report(
                rules.DATE, f"{date.text!r} is no date", at=date, accepted="such as 2026-04-18"
            )
    types = {*DCMI_TYPES.values(), "Collection", "Event", "MovingImage", "PhysicalObject"}
    for kind in children(root, "type"):
        if kind.text not in types:
            desk.report(
                rules.TERM_FOREIGN,
                f"{kind.text!r} is no type of the DCMI Type Vocabulary",
                at=kind,
                accepted=", ".join(sorted(types)),
            )
