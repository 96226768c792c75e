"""Tags of an access copy, from the session record.

Source: the field names of the Vorbis comment specification (Xiph.Org; from memory), which
players agree on; ``TAKE`` and ``MACHINE`` are our own. Persons are named with consent only.
"""

from __future__ import annotations

from archiver.describe.embedded import master_identifier
from archiver.describe.layers import RightsMap, closed_words
from archiver.describe.people import credited_in, present_in
from archiver.describe.wording import take_title, xsd_date
from archiver.session.records import Photograph, Session, Take
from archiver.wave.access import Tag

__all__ = ["cover_of", "tags_for"]


def tags_for(session: Session, take: Take, *, number: int, program: str) -> tuple[Tag, ...]:
    """Return the tags of the access copy of a take.

    Parameters
    ----------
    session, take
        The record.
    number : int
        Position of the take in the session, from 1.
    program : str
        Name and version of this program.
    """
    machine, medium = session.machine_of(take), session.medium_of(take)
    pairs: list[tuple[str, str | None]] = [
        ("TITLE", take_title(session, take)),
        ("ALBUM", session.title),
        ("TRACKNUMBER", str(number)),
        ("TRACKTOTAL", str(len(session.takes))),
        *(("ARTIST", person.name) for person in credited_in(session, take)),
        *(("PERFORMER", person.with_role) for person in present_in(session, take)),
        ("DATE", xsd_date(take.start or session.start)),
        ("GENRE", str(take.kind)),
        ("LOCATION", session.place),
        ("ORGANIZATION", session.organisation.name),
        ("COPYRIGHT", f"{session.rights.statement} ({session.rights.holder})"),
        *(
            ("COPYRIGHT", one.sentence)
            for one in RightsMap(session).of_take(take.id)
            if one.layer is not None
        ),
        *(
            ("COPYRIGHT", closed_words(closed))
            for closed in (session.rights.closed_until,)
            if closed is not None
        ),
        ("LICENSE", session.rights.uri),
        *(("COPYRIGHT", f"Restriction: {text}") for text in session.restrictions),
        ("DESCRIPTION", take.remarks or session.summary),
        ("SOURCEMEDIA", f"{medium.kind}, {medium.label or medium.id}" if medium else None),
        ("MACHINE", machine.name if machine else None),
        ("TAKE", master_identifier(session, take)),
        ("ENCODED-BY", program),
    ]
    return tuple(Tag(name=name, text=text) for name, text in pairs if text)


def cover_of(session: Session, take: Take) -> Photograph | None:
    """Return the picture for a take: of its machine, else the first of the session."""
    machine = session.machine_of(take)
    if machine is not None:
        of_session = (one for one in session.photographs if one.machine == machine.id)
        found = next(of_session, None) or next(iter(machine.photographs), None)
        if found is not None:
            return found
    return next(iter(session.photographs), None)
