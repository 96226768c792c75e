"""Media that wear: what a session does to the counts of recordings and playings.

``playings`` counts the playings of the recording that is on the medium now, and
begins at 0 with each new recording; ``recordings`` counts all that were ever made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from archiver.findings import Finding
from archiver.session import plausibility_rules as rules
from archiver.session.records import Medium, Session, Take
from archiver.session.take_order import takes_in_time
from archiver.telling import count

__all__ = ["MediumWear", "check_wear", "wear_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumWear:
    """Counts of a medium before and after a session.

    Parameters
    ----------
    medium : str
        Id.
    recordings_before, playings_before : int or None
        As stated with the medium; None if not stated.
    recorded, played : int
        How often the session recorded on it and played it, as far as takes tell.
    recordings_after : int or None
        None if the count before is not known.
    playings_after : int or None
        Of the recording that is on it at the end; None if not known.
    most_playings : int or None
        Greatest count of one recording in the session; None if not known.
    passing : str
        Id of the take that goes beyond the limit; empty if none does.
    limit : int or None
        Planned playings of one recording.
    """

    medium: str
    recordings_before: int | None
    playings_before: int | None
    recorded: int
    played: int
    recordings_after: int | None
    playings_after: int | None
    most_playings: int | None
    passing: str
    limit: int | None

    def as_json(self) -> dict[str, Any]:
        """Return the counts as JSON."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


class _Count:
    """The running count of one medium."""

    def __init__(self, medium: Medium) -> None:
        self.medium = medium
        self.playings = medium.playings
        self.recorded = self.played = 0
        self.most: int | None = medium.playings
        self.passing = ""

    def take(self, take: Take) -> None:
        stated = take.playings_before
        if take.kind.records:
            self.recorded += 1
            self.playings = 0
        elif stated is not None:
            # More than counted: it was played without a capture.
            self.playings = stated if self.playings is None else max(self.playings, stated)
        if take.kind.plays:
            self.played += 1
            if self.playings is not None:
                self.playings += 1
        if self.playings is not None:
            self.most = max(self.most or 0, self.playings)
            limit = self.medium.playings_limit
            if limit is not None and self.playings > limit and not self.passing:
                self.passing = take.id

    def result(self) -> MediumWear:
        medium = self.medium
        before = medium.recordings
        return MediumWear(
            medium=medium.id,
            recordings_before=before,
            playings_before=medium.playings,
            recorded=self.recorded,
            played=self.played,
            recordings_after=None if before is None else before + self.recorded,
            playings_after=self.playings,
            most_playings=self.most,
            passing=self.passing,
            limit=medium.playings_limit,
        )


def wear_of(session: Session) -> tuple[MediumWear, ...]:
    """Count what the takes of a session do to each medium, in the order of the sheet."""
    counts = {medium.id: _Count(medium) for medium in reversed(session.media)}
    for take in takes_in_time(session):
        medium = session.medium_of(take)
        if medium is not None:
            counts[medium.id].take(take)
    return tuple(counts[id_].result() for id_ in dict.fromkeys(one.id for one in session.media))


def check_wear(session: Session) -> list[Finding]:
    """Check the counts of the media against the takes and against their limits."""
    findings: list[Finding] = []
    wear = {each.medium: each for each in wear_of(session)}
    first: dict[str, Take] = {}
    for take in takes_in_time(session):
        medium = session.medium_of(take)
        if medium is not None and (take.kind.records or take.kind.plays):
            first.setdefault(medium.id, take)
    for medium in session.media:
        if session.medium(medium.id) is not medium:
            continue
        findings += _stated(session, medium, first.get(medium.id))
        findings += _limit(session, medium, wear[medium.id])
    return findings


def _stated(session: Session, medium: Medium, first: Take | None) -> list[Finding]:
    if medium.recordings == 0 and medium.playings:
        return [
            rules.MEDIUM_NEVER_RECORDED.at(
                session.locate(f"{medium.at}.playings"),
                f"medium `{medium.id}` has 0 recordings, but {medium.playings} playings",
                accepted="0 playings, or at least 1 recording",
            )
        ]
    if first is None or first.kind.records:
        return []
    if medium.recordings == 0:
        return [
            rules.MEDIUM_NEVER_RECORDED.at(
                session.locate(f"{first.at}.kind"),
                f"take `{first.id}` plays medium `{medium.id}`, on which nothing had been recorded",
                accepted="a performance before it, or at least 1 recording of the medium",
            )
        ]
    stated = first.playings_before
    if stated is not None and medium.playings is not None and stated < medium.playings:
        return [
            rules.MEDIUM_PLAYINGS.at(
                session.locate(f"{first.at}.playings_before"),
                f"take `{first.id}` says {count(stated, 'playing')} before it, but medium `{medium.id}` "
                f"had been played {count(medium.playings, 'time')} before the session",
                accepted=f"{medium.playings} or more",
            )
        ]
    return []


def _limit(session: Session, medium: Medium, wear: MediumWear) -> list[Finding]:
    limit, most = medium.playings_limit, wear.most_playings
    if limit is None or most is None:
        return []
    where = session.locate(f"{medium.at}.playings_limit")
    if most > limit:
        at = f"with take `{wear.passing}`" if wear.passing else "before the session"
        return [
            rules.MEDIUM_LIMIT_EXCEEDED.at(
                where,
                f"medium `{medium.id}` comes to {most} playings of one recording, of {limit} "
                f"planned; the limit is passed {at}",
                accepted=f"at most {limit}",
            )
        ]
    if most == limit:
        return [
            rules.MEDIUM_LIMIT_REACHED.at(
                where, f"medium `{medium.id}` has had all of its {limit} planned playings"
            )
        ]
    return []
