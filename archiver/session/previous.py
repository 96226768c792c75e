"""A session against the one before: counts carried forward, parts and condition changed.

A medium is known again by its inventory number, else by what is written on it, else
by its short name; a machine by the id of its file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from archiver.errors import MisuseError
from archiver.findings import Finding, Rule
from archiver.session import machine_rules
from archiver.session import plausibility_rules as rules
from archiver.session.condition import Change, changes_between, report_of
from archiver.session.machine_record import Machine, Part
from archiver.session.media_wear import MediumWear, wear_of
from archiver.session.records import Medium, Session
from archiver.session.timestamp import UNREAD
from archiver.session.vocabulary import PartState, When

__all__ = ["SameMedium", "check_against", "condition_since", "require_before", "same_media"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SameMedium:
    """A medium of both sessions: as it was then, what that session did to it, as it is now."""

    earlier: Medium
    wear: MediumWear
    later: Medium


def same_media(previous: Session, session: Session) -> tuple[SameMedium, ...]:
    """Find the media that were used in the session before, in the order of this sheet."""
    wear = {each.medium: each for each in wear_of(previous)}
    found: list[SameMedium] = []
    for medium in session.media:
        earlier = _same(medium, previous.media)
        if earlier is not None:
            found.append(SameMedium(earlier=earlier, wear=wear[earlier.id], later=medium))
    return tuple(found)


def _same(medium: Medium, others: tuple[Medium, ...]) -> Medium | None:
    for name in ("inventory_number", "label", "id"):
        value = getattr(medium, name)
        for other in others:
            theirs = getattr(other, name)
            if value and theirs and _folded(value) == _folded(theirs):
                return other
        if value and name != "id" and any(getattr(other, name) for other in others):
            # Known by a number that others have too, and none is this: another object.
            return None
    return None


def _folded(text: str) -> str:
    return "".join(text.casefold().split())


def require_before(previous: Session, session: Session) -> None:
    """Refuse what cannot be the session before: this very session, or one that began later.

    Raises
    ------
    MisuseError
        Compared with itself, or with its own version, a session would count backwards.
    """
    if previous.identifier and previous.identifier == session.identifier:
        raise MisuseError(
            f"what --previous names is the session {session.identifier} itself, or another "
            "version of it",
            accepted="the bag or the folder of a session that was held before this one",
            remedy="Leave --previous out; a new version of a bag is made by `archiver archive` "
            "with --version or --replaces",
        )
    if UNREAD not in (previous.start, session.start) and (
        previous.start.moment > session.start.moment
    ):
        raise MisuseError(
            f"the session {previous.identifier}, which --previous names, began on "
            f"{previous.start.text}, after this one ({session.start.text})",
            accepted="the bag or the folder of a session that was held before this one",
            remedy="Name the session before, or correct the start in the sheet",
        )


def check_against(previous: Session, session: Session) -> list[Finding]:
    """Check a session against the one before.

    Parameters
    ----------
    previous : Session
        From its folder, or from ``metadata/session.json`` of its bag.
    session : Session
        The session being checked.

    Returns
    -------
    list of Finding
        On the lines of this session's files.

    Raises
    ------
    MisuseError
        It is not the session before; see :func:`require_before`.
    """
    require_before(previous, session)
    findings: list[Finding] = []
    for pair in same_media(previous, session):
        findings += _counts(session, pair)
        findings += _body(session, pair)
    for machine in session.machines:
        earlier = previous.machine(machine.id)
        if earlier is not None:
            findings += _parts(earlier, machine)
    for change in condition_since(previous, session):
        rule = machine_rules.CONDITION_WORSE if change.is_worse else machine_rules.CONDITION_CHANGED
        findings.append(
            rule.at(
                session.locate(_report_at(session, change.subject)),
                f"since the session {previous.identifier}: {change}",
                accepted="the condition after the session before",
            )
        )
    return findings


def _report_at(session: Session, subject: str) -> str:
    for report in session.conditions:
        if report.when is When.BEFORE and subject in (report.machine, report.medium):
            return report.at
    return "conditions"


def condition_since(previous: Session, session: Session) -> tuple[Change, ...]:
    """Compare the condition after the session before with that before this session."""
    pairs: list[tuple[str, dict[str, str], dict[str, str]]] = [
        (machine.id, {"machine": machine.id}, {"machine": machine.id})
        for machine in session.machines
    ]
    pairs += [
        (pair.later.id, {"medium": pair.earlier.id}, {"medium": pair.later.id})
        for pair in same_media(previous, session)
    ]
    found: list[Change] = []
    for subject, then, now in pairs:
        # Without a report after the session, the one before it is the last known.
        earlier = report_of(previous, When.AFTER, **then) or report_of(
            previous, When.BEFORE, **then
        )
        later = report_of(session, When.BEFORE, **now)
        if earlier is not None and later is not None:
            found += changes_between(subject, earlier, later)
    return tuple(found)


def _counts(session: Session, pair: SameMedium) -> Iterator[Finding]:
    now, then, wear = pair.later, pair.earlier, pair.wear
    at = now.at
    anew = False
    for name, before in (
        ("shavings", then.shavings),
        ("recordings", wear.recordings_after),
    ):
        stated = getattr(now, name)
        if before is None:
            continue
        if stated is None:
            yield _count(rules.MEDIUM_CARRIED_FORWARD, session, at, now, name, before)
        elif stated < before:
            yield _count(
                rules.MEDIUM_CARRIED_BACKWARDS, session, f"{at}.{name}", now, name, before, stated
            )
        elif stated > before:
            anew = True
            yield _count(
                rules.MEDIUM_PLAYED_BETWEEN, session, f"{at}.{name}", now, name, before, stated
            )
    before, stated = wear.playings_after, now.playings
    if before is None:
        return
    if stated is None:
        yield _count(rules.MEDIUM_CARRIED_FORWARD, session, at, now, "playings", before)
    elif stated < before and not anew:
        yield _count(
            rules.MEDIUM_CARRIED_BACKWARDS,
            session,
            f"{at}.playings",
            now,
            "playings",
            before,
            stated,
        )
    elif stated > before and not anew:
        yield _count(
            rules.MEDIUM_PLAYED_BETWEEN, session, f"{at}.playings", now, "playings", before, stated
        )


def _count(
    rule: Rule,
    session: Session,
    path: str,
    medium: Medium,
    name: str,
    before: int,
    stated: int | None = None,
) -> Finding:
    said = "says nothing of its" if stated is None else f"says {stated}"
    return rule.at(
        session.locate(path),
        f"the sheet {said} {name} of medium `{medium.id}`, which had {before} after the session "
        "before",
        accepted=f"`{name}: {before}`"
        + (" or more" if rule is rules.MEDIUM_CARRIED_BACKWARDS else ""),
    )


def _body(session: Session, pair: SameMedium) -> Iterator[Finding]:
    now, then = pair.later, pair.earlier
    if now.kind is not then.kind:
        yield rules.MEDIUM_CHANGED_KIND.at(
            session.locate(f"{now.at}.kind"),
            f"medium `{now.id}` is a {now.kind}, but was a {then.kind} in the session before",
            accepted=f"`kind: {then.kind}`",
        )
    for name in ("diameter", "thickness"):
        stated, before = getattr(now, name), getattr(then, name)
        if stated is None or before is None:
            continue
        # What two people read off a gauge differs by a hundredth or so.
        if stated.value > before.value * 1.02:
            yield rules.MEDIUM_CHANGED_KIND.at(
                session.locate(f"{now.at}.{name}"),
                f"the {name} of medium `{now.id}` is {stated.text}, but was {before.text} in the "
                "session before",
                accepted=f"{before.text} or less",
            )


def _parts(then: Machine, now: Machine) -> Iterator[Finding]:
    for part in now.parts:
        earlier = then.part(part.name)
        if earlier is None:
            if then.parts:
                yield _part(machine_of=now, part=part, found="was not listed")
            continue
        if earlier.state is part.state and earlier.date == part.date:
            continue
        if earlier.state is PartState.REPLACED and part.state is PartState.ORIGINAL:
            yield rules.PART_BECAME_ORIGINAL.at(
                now.locate(f"{part.at}.state"),
                f"the part `{part.name}` is original, but was replaced in the session before",
                accepted="`state: replaced`, or a note that the old part was put back",
            )
            continue
        yield _part(machine_of=now, part=part, found=f"was {_state(earlier)}")
    for earlier in then.parts:
        if now.part(earlier.name) is None:
            yield rules.PART_CHANGED.at(
                now.locate("parts"),
                f"the part `{earlier.name}` of machine `{now.id}`, {earlier.state} in the session "
                "before, is not listed any more",
            )


def _part(*, machine_of: Machine, part: Part, found: str) -> Finding:
    return rules.PART_CHANGED.at(
        machine_of.locate(part.at),
        f"the part `{part.name}` of machine `{machine_of.id}` is {_state(part)}, and {found} in "
        "the session before",
    )


def _state(part: Part) -> str:
    return f"{part.state} ({part.date.text})" if part.date is not None else str(part.state)
