"""Photographs on the page; the caption is what is read out in their place."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from archiver.describe.facts import FileFacts
from archiver.describe.people import people_of
from archiver.pages.content import Picture, own, said
from archiver.pages.facts import Links, PageFacts
from archiver.pages.figures import dated
from archiver.session.records import Machine, Photograph, Session

__all__ = ["cover_of", "pictures_of_machine", "pictures_of_session"]


def pictures_of_machine(facts: PageFacts, links: Links, machine: Machine) -> tuple[Picture, ...]:
    """Return the photographs of a machine, each once; those of the session come first."""
    return _shown(facts, links, _of_machine(facts.session, machine))


def _of_machine(session: Session, machine: Machine) -> tuple[Photograph, ...]:
    found: dict[str, Photograph] = {}
    taken = (one for one in session.photographs if one.machine == machine.id)
    for one in (*taken, *machine.photographs):
        found.setdefault(one.file, one)
    return tuple(found.values())


def cover_of(facts: PageFacts, links: Links) -> Picture | None:
    """Return the picture for the head: the first one of a machine that can be shown there."""
    for machine in facts.session.machines:
        for one in _of_machine(facts.session, machine):
            file = facts.archive.by_source.get(one.file)
            source = links.cover(file) if file is not None else ""
            if file is not None and source:
                return dataclasses.replace(_picture(facts, links, one, file), source=source)
    return None


def pictures_of_session(facts: PageFacts, links: Links) -> tuple[Picture, ...]:
    """Return the photographs that show no machine in particular."""
    known = {machine.id for machine in facts.session.machines}
    others = (one for one in facts.session.photographs if one.machine not in known)
    return _shown(facts, links, others)


def _shown(facts: PageFacts, links: Links, found: Iterable[Photograph]) -> tuple[Picture, ...]:
    return tuple(
        _picture(facts, links, one, file)
        for one in found
        if (file := facts.archive.by_source.get(one.file)) is not None
    )


def _picture(facts: PageFacts, links: Links, one: Photograph, file: FileFacts) -> Picture:
    people = people_of(facts.session)
    credit = [dated(one.date)] if one.date is not None else []
    if one.by is not None and one.by in people:
        credit.append(f"by {people[one.by].name}")
    return Picture(
        source=links.picture(file),
        href=links.file(file.path),
        caption=said(one.caption) if one.caption else own(f"Photograph {file.path}"),
        credit=", ".join(credit),
    )
