"""Rights that contradict each other, or the consent that they rest on.

A licence is for everybody and cannot be taken back, so what it covers cannot be closed; a
layer that is closed closes whatever it is heard or seen in; nobody can publish what a
person has agreed to have archived only.
"""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe import rules
from archiver.describe.layers import opening_day
from archiver.describe.people import public_name
from archiver.describe.rights import KnownRights, RightsKind, known_rights
from archiver.findings import Finding
from archiver.session.edtf import EdtfDate, EdtfForm
from archiver.session.records import Basis, Layer, Purpose, RightsLayer, Session

__all__ = ["check_rights"]

_SOUND = (Layer.COMPOSITION, Layer.PERFORMANCE, Layer.RECORDING)
_BASES = {
    Basis.LICENCE: {RightsKind.LICENCE},
    Basis.COPYRIGHT: {RightsKind.COPYRIGHTED},
    Basis.PUBLIC_DOMAIN: {RightsKind.PUBLIC_DOMAIN},
    Basis.UNKNOWN: {RightsKind.UNKNOWN},
}
# Declared by the holder as a licence, and still a dedication to the public domain.
_DEDICATION = "CC0-1.0"


def check_rights(session: Session) -> tuple[Finding, ...]:
    """Check layers, closures and consents against each other.

    Returns
    -------
    tuple of Finding
        Each at its field of the sheet. Rights addresses are recognised by
        :func:`archiver.describe.rights.known_rights`.
    """
    return (
        *_closure(session, "session.rights", session.rights.closed_until, session.rights.uri),
        *_layers(session),
        *_twice(session),
        *_over(session),
        *_consents(session),
    )


def _layers(session: Session) -> Iterator[Finding]:
    ids = {take.id for take in session.takes}
    for one in session.rights.layers:
        yield from _basis(session, one)
        yield from _closure(session, one.at, one.closed_until, one.uri)
        if one.takes and one.layer not in _SOUND:
            yield rules.RIGHTS_TAKES.at(
                session.locate(f"{one.at}.takes"),
                f"the layer {one.layer} is not in takes",
                accepted=f"takes for {', '.join(_SOUND)} only",
            )
        for number, take in enumerate(one.takes):
            # Without any takes their list could not be read, which is told.
            if ids and take not in ids:
                yield rules.RIGHTS_TAKES.at(
                    session.locate(f"{one.at}.takes[{number}]"),
                    f"there is no take `{take}`",
                    accepted=", ".join(sorted(ids)[:12]),
                )


def _basis(session: Session, one: RightsLayer) -> Iterator[Finding]:
    known = known_rights(one.uri)
    if known is None:
        if one.basis is Basis.LICENCE and one.uri is None and one.evidence is None:
            yield rules.RIGHTS_UNPROVEN.at(
                session.locate(one.at),
                "a licence is stated, but neither its address nor where it is written down",
                accepted="`uri` or `evidence`",
            )
        return
    fits = _BASES.get(one.basis)
    dedicated = known.spdx == _DEDICATION and one.basis is Basis.PUBLIC_DOMAIN
    if fits is not None and known.kind not in fits and not dedicated:
        yield rules.RIGHTS_BASIS.at(
            session.locate(f"{one.at}.basis"),
            f"the basis is `{one.basis}`, and {known.uri} means {known.label}",
            accepted="a basis and an address that say the same",
        )


def _closure(
    session: Session, at: str, closed: EdtfDate | None, uri: str | None
) -> Iterator[Finding]:
    if closed is None:
        return
    where = session.locate(f"{at}.closed_until")
    plain = closed.form is EdtfForm.DATE and closed.level == 0
    day = opening_day(closed)
    if not plain or day is None:
        yield rules.CLOSED_FORM.at(
            where,
            f"`{closed.text}` is not one day",
            accepted="a day, a month or a year: 2040-12-31",
        )
        return
    if day <= session.start.moment.date():
        yield rules.CLOSED_PAST.at(
            where,
            f"closed until {closed.text}, which is before the session",
            accepted="a day after the session",
        )
    known = known_rights(uri)
    if _is_open(known):
        yield rules.CLOSED_LICENCE.at(
            where,
            f"closed until {closed.text}, and given to everybody under {known.label if known else ''}",
            accepted="a closure or a licence, or the licence for what is not closed",
        )


def _is_open(known: KnownRights | None) -> bool:
    return known is not None and known.kind is RightsKind.LICENCE


def _twice(session: Session) -> Iterator[Finding]:
    every = {take.id for take in session.takes}
    met: dict[tuple[Layer, str | None], list[RightsLayer]] = {}
    for one in session.rights.layers:
        for before in met.setdefault((one.layer, one.work), []):
            both = (set(one.takes) or every) & (set(before.takes) or every)
            if both or one.layer not in _SOUND:
                about = f" in {', '.join(sorted(both)[:5])}" if one.takes or before.takes else ""
                yield rules.RIGHTS_TWICE.at(
                    session.locate(one.at),
                    f"the layer {one.layer} has a statement already{about}: {before.at}",
                    accepted="one statement for each layer, or `work` or `takes` that part them",
                )
                break
        met[one.layer, one.work].append(one)


def _over(session: Session) -> Iterator[Finding]:
    """Find a licence of the whole over a layer that is not free."""
    whole = known_rights(session.rights.uri)
    if not _is_open(whole) or whole is None:
        return
    for one in session.rights.layers:
        known = known_rights(one.uri)
        closed = one.closed_until is not None
        reserved = known is not None and known.kind is RightsKind.COPYRIGHTED
        if one.layer in _SOUND and (closed or reserved or one.basis is Basis.UNKNOWN):
            why = "closed" if closed else "in copyright" if reserved else "of unknown rights"
            yield rules.RIGHTS_OVER.at(
                session.locate(one.at),
                f"the {one.layer} is {why}, and the session as a whole is given to everybody "
                f"under {whole.label}",
                accepted="a licence for the layer `recording` alone, or the consent of the holder",
            )


def _consents(session: Session) -> Iterator[Finding]:
    performing = {id_ for take in session.takes for id_ in take.operators}
    rights = session.rights
    given = _is_open(known_rights(rights.uri)) and rights.closed_until is None
    day = session.start.moment.date()
    for person in session.operators:
        consent = person.consent
        if consent is None or not consent.given:
            continue
        where = session.locate(f"{person.at}.consent.purposes")
        name = public_name(person)
        for purpose in (Purpose.RECORDING, Purpose.ARCHIVING):
            if person.id in performing and not consent.covers(purpose):
                yield rules.CONSENT_PURPOSE.at(
                    where,
                    f"{name} takes part in the takes, and the consent does not cover {purpose}",
                    accepted=f"`purposes` with `{purpose}`, or takes without this person",
                )
        if person.id in performing and given and not consent.covers(Purpose.PUBLICATION):
            yield rules.CONSENT_PUBLICATION.at(
                where,
                f"the consent of {name} does not cover publication, and the recordings are given "
                "to everybody",
                accepted="`closed_until` under rights, or other rights, or a wider consent",
            )
        if consent.until is not None and (last := opening_day(consent.until)) and last <= day:
            yield rules.CONSENT_PAST.at(
                session.locate(f"{person.at}.consent.until"),
                f"the consent of {name} ended {consent.until.told}, before the session",
                accepted="a day after the session",
            )
