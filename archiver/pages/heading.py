"""The head of the page, the cautions, and what the session was."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe.people import people_of
from archiver.pages.composing import anchor, facts_of, joined, stated, stated_word, table_of
from archiver.pages.content import (
    Basis,
    Block,
    CautionNote,
    Cautions,
    Column,
    Fact,
    Paragraph,
    Pictures,
    Section,
    Sheet,
    own,
    said,
)
from archiver.pages.facts import Links, PageFacts
from archiver.pages.figures import duration, span_of_time
from archiver.pages.pictures import cover_of, pictures_of_session
from archiver.pages.takes import length_s
from archiver.session.cautions import DEFERRING, cautions_of

__all__ = ["caution_section", "session_section", "sheet_of"]

_MOST_REASONS = 3


def sheet_of(facts: PageFacts, links: Links) -> Sheet:
    """Return what stands at the top."""
    session = facts.session
    return Sheet(
        title=session.title,
        organisation=session.organisation.name,
        identifier=session.identifier,
        when=span_of_time(session.start, session.end),
        where=session.place,
        summary=session.summary or session.purpose or "",
        picture=cover_of(facts, links),
        facts=tuple(fact for fact in _glance(facts) if fact.value),
    )


def _glance(facts: PageFacts) -> Iterator[Fact]:
    session = facts.session
    yield Fact(
        label="Machines",
        value=joined(
            *(
                said(machine.name, href=f"#{anchor('machine', machine.id)}")
                for machine in session.machines
            )
        ),
        basis=Basis.STATED,
    )
    lengths = [length_s(facts, take) for take in session.takes]
    known = [length for length in lengths if length is not None]
    count = f"{len(session.takes)}, {duration(sum(known))} in all" if known else ""
    yield Fact(
        label="Takes",
        value=own(count or str(len(session.takes)), href="#takes"),
        basis=Basis.MEASURED if known else Basis.STATED,
    )
    people = people_of(session)
    yield stated("People", ", ".join(one.with_role for one in people.values()))
    yield stated("May be used", session.rights.statement)


def caution_section(facts: PageFacts) -> Section | None:
    """Warn of what may harm whoever handles the objects."""
    found = cautions_of(facts.session)
    if not found:
        return None
    return Section(
        id="cautions",
        title="Before the objects are handled",
        short="Cautions",
        blocks=(
            Cautions(
                notes=tuple(
                    CautionNote(
                        subject=one.subject,
                        text=one.text,
                        because=_reasons(one.because),
                        source=one.source,
                    )
                    for one in found
                ),
                deferring=DEFERRING,
            ),
        ),
    )


def _reasons(because: tuple[str, ...]) -> tuple[str, ...]:
    shown = because[:_MOST_REASONS]
    more = len(because) - len(shown)
    return (*shown, f"and in {more} more places") if more > 1 else because


def session_section(facts: PageFacts, links: Links) -> Section:
    """Say what the session was, who took part and what for."""
    return Section(id="session", title="The session", blocks=tuple(_session_blocks(facts, links)))


def _session_blocks(facts: PageFacts, links: Links) -> Iterator[Block]:
    session, organisation = facts.session, facts.session.organisation
    if session.purpose:
        yield Paragraph(text=said(session.purpose), basis=Basis.STATED, style="lead")
    contact = organisation.contact
    yield from facts_of(
        (
            stated("Identifier", session.identifier),
            stated_word("When", span_of_time(session.start, session.end)),
            stated("Where", session.place),
            stated("Organisation", organisation.name),
            stated("Address", organisation.address),
            stated(
                "Contact",
                ", ".join(t for t in (contact.name, contact.email, contact.phone) if t)
                if contact is not None
                else None,
            ),
            stated_word("Code of the organisation", f"{organisation.country}-{organisation.code}"),
            stated("Subjects", ", ".join(session.subjects)),
            stated_word("Language", session.language),
        )
    )
    yield from table_of(
        "People",
        (
            Column(head="Person"), Column(head="Role"), Column(head="Consent"),
            Column(head="Identifier"),
        ),
        (
            (
                said(one.name) if one.named else own("name withheld"),
                own(str(one.role)),
                said(one.consent),
                own(one.identifier, href=one.identifier) if one.identifier else (),
            )
            for one in people_of(session).values()
        ),
        basis=Basis.STATED,
    )  # fmt: skip
    pictures = pictures_of_session(facts, links)
    if pictures:
        yield Pictures(pictures=pictures)
    documents = [
        (
            own(
                file.path if file is not None else one.file,
                href=links.file(file.path) if file is not None else "",
                code=True,
            ),
            said(one.caption or ""),
        )
        for one in session.documents
        for file in (facts.archive.by_source.get(one.file),)
    ]
    yield from table_of(
        "Documents",
        (Column(head="File", style="code"), Column(head="What it is")),
        documents,
        basis=Basis.STATED,
    )
