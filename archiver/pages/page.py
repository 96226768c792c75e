"""The session's page: everything that is known of a session, on one sheet of HTML.

For a reader who has the bag and nothing else, thirty years on. The page refers to
nothing outside of the bag, runs no script, and is the same for the same records.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

from archiver.pages.capture import capture_section
from archiver.pages.content import Content, Section
from archiver.pages.facts import Links, PageFacts
from archiver.pages.heading import caution_section, session_section, sheet_of
from archiver.pages.keeping import (
    colophon,
    files_section,
    findings_section,
    making_section,
    verify_section,
)
from archiver.pages.machines import machine_sections
from archiver.pages.markup import html
from archiver.pages.media import media_section, setup_section
from archiver.pages.rights import rights_section
from archiver.pages.takes import takes_section

__all__ = ["PAGE", "content_of", "session_page"]

PAGE = "metadata/session.html"
"""Where the page lies in a bag."""


def session_page(facts: PageFacts, links: Links) -> bytes:
    """Write the page.

    Parameters
    ----------
    facts : PageFacts
        The public records; what is withheld must not be among them.
    links : Links
        How files are reached from where the page will lie.

    Returns
    -------
    bytes
        HTML in UTF-8, well-formed as XML too; the same facts give the same bytes.
    """
    with _collecting_later():
        return html(content_of(facts, links)).encode("utf-8")


@contextmanager
def _collecting_later() -> Iterator[None]:
    """Put the collection of garbage off: over all that a run has measured it costs thrice the page.

    Nothing on a page refers in circles, so that what is dropped is freed all the same.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def content_of(facts: PageFacts, links: Links) -> Content:
    """Gather what stands on the page, in its order."""
    session = facts.session
    sections: list[Section | None] = [
        caution_section(facts),
        session_section(facts, links),
        *machine_sections(facts, links),
        setup_section(session),
        media_section(facts),
        takes_section(facts, links),
        capture_section(session),
        rights_section(facts),
        files_section(facts, links),
        verify_section(facts),
        findings_section(facts),
        making_section(facts),
    ]
    return Content(
        language=session.language,
        sheet=sheet_of(facts, links),
        sections=tuple(section for section in sections if section is not None),
        colophon=colophon(facts),
    )
