"""Rights and restrictions on the page, layer by layer."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe.facts import FileRole
from archiver.describe.layers import RightsMap, closed_words
from archiver.describe.rights import known_rights
from archiver.pages.composing import facts_of, plain, stated, table_of
from archiver.pages.content import (
    Basis,
    Block,
    Bullets,
    Column,
    Fact,
    Paragraph,
    Section,
    own,
    said,
)
from archiver.pages.facts import PageFacts
from archiver.telling import count

__all__ = ["rights_section"]


def rights_section(facts: PageFacts) -> Section:
    """Say what may be done with what."""
    return Section(
        id="rights",
        title="Rights and restrictions",
        short="Rights",
        blocks=tuple(_blocks(facts)),
    )


def _blocks(facts: PageFacts) -> Iterator[Block]:
    session = facts.session
    rights = RightsMap(session)
    whole = rights.whole
    known = known_rights(whole.uri)
    yield Paragraph(text=said(whole.statement), basis=Basis.STATED, style="lead")
    rows: list[Fact] = [stated("Rights holder", whole.holder)]
    if whole.uri:
        label = f"{known.label}, {whole.uri}" if known is not None else whole.uri
        rows.append(Fact(label="Statement", value=own(label, href=whole.uri), basis=Basis.STATED))
    if whole.closed_until is not None:
        rows.append(stated("Closed", closed_words(whole.closed_until)))
    hidden = [file for file in facts.archive.files if file.role is FileRole.RESTRICTED]
    if hidden:
        rows.append(plain("Not public", f"{count(len(hidden), 'file')} in data/restricted"))
    if facts.restricted_left_out:
        rows.append(plain("Not public", "left out of this bag; the session folder holds it"))
    yield from facts_of(rows)
    if session.restrictions:
        yield Bullets(
            name="Restrictions",
            items=tuple(said(text) for text in session.restrictions),
            basis=Basis.STATED,
        )
    yield from table_of(
        "Where the rights differ",
        (
            Column(head="In what"), Column(head="Takes"), Column(head="Statement"),
            Column(head="Holder"), Column(head="Rests on"), Column(head="Closed"),
            Column(head="Note"),
        ),
        (
            (
                said(one.label),
                own(", ".join(one.takes)),
                said(one.statement),
                said(one.holder),
                said(", ".join(t for t in (str(one.basis or ""), one.evidence or "") if t)),
                own(closed_words(one.closed_until)) if one.closed_until is not None else (),
                said(one.note or ""),
            )
            for one in rights.layers
        ),
        basis=Basis.STATED,
    )  # fmt: skip
