"""Takes in time and in relation: sources, playings, start times, channels."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from itertools import pairwise

from archiver.findings import Finding
from archiver.session import rules
from archiver.session.capacity import check_lengths
from archiver.session.moments import doubts
from archiver.session.records import ChannelLayout, Session, Take, TakeKind
from archiver.session.timestamp import UNREAD
from archiver.telling import count as count_of
from archiver.telling import listed

__all__ = ["check_durations", "check_takes", "takes_in_time"]

_LAYOUT_CHANNELS = {ChannelLayout.MONO: 1, ChannelLayout.STEREO: 2}

_BEFORE_THE_TAKES = "Set the recorder higher before the first take."


def check_takes(session: Session) -> list[Finding]:
    """Check what the takes say of each other and of the session.

    References that lead nowhere are left to
    :func:`~archiver.session.references.check_references`.
    """
    findings: list[Finding] = []
    findings += _session_span(session)
    findings += _chains(session)
    findings += _chainless(session)
    in_circle, circles = _circles(session)
    findings += circles
    for position, take in enumerate(session.takes):
        findings += _belongings(session, take)
        if take.id not in in_circle:
            findings += _source(session, take, position)
        findings += _within_session(session, take)
    findings += _playings(session)
    findings += _same_start(session)
    return findings


def check_durations(session: Session, durations_s: Mapping[str, float]) -> list[Finding]:
    """Check takes once their durations are known: overlaps, and the capacity of the groove.

    Parameters
    ----------
    session : Session
        With start times where they were stated.
    durations_s : mapping of str to float
        Duration in seconds by the id of the take; takes without one are passed over.
    """
    findings = check_lengths(session, durations_s)
    for earlier, later in _neighbours(session):
        duration_s = durations_s.get(earlier.id)
        if duration_s is None or earlier.start is None or later.start is None:
            continue
        over_s = (
            earlier.start.moment + timedelta(seconds=duration_s) - later.start.moment
        ).total_seconds()
        # Start times are often written to the second.
        if over_s > 1.0:
            findings.append(
                rules.TAKE_OVERLAP.at(
                    session.locate(f"{later.at}.start"),
                    f"take `{later.id}` starts {over_s:.0f} s before take `{earlier.id}` ends "
                    f"(it starts at {earlier.start.text} and lasts {duration_s:.0f} s)",
                    accepted="takes of one capture chain that follow one another",
                )
            )
    return findings


def _neighbours(session: Session) -> list[tuple[Take, Take]]:
    """Pair each take that has a start time with the next one of the same chain."""
    by_chain: dict[str, list[Take]] = {}
    for take in session.takes:
        chain = session.chain_of(take)
        if take.start is not None and chain is not None:
            by_chain.setdefault(chain.id, []).append(take)
    pairs: list[tuple[Take, Take]] = []
    for takes in by_chain.values():
        takes.sort(key=lambda take: take.start.moment if take.start else UNREAD.moment)
        pairs += pairwise(takes)
    return pairs


def _session_span(session: Session) -> list[Finding]:
    return [
        rule.at(session.locate(f"session.{field}"), found, accepted=accepted)
        for rule, field, found, accepted in doubts(session.start, session.end)
    ]


def _chains(session: Session) -> list[Finding]:
    findings: list[Finding] = []
    for chain in session.chains:
        if chain.sample_rate.value < 48_000:
            findings.append(
                rules.CHAIN_SAMPLE_RATE.at(
                    session.locate(f"{chain.at}.sample_rate"),
                    f"the sample rate is {chain.sample_rate.text}",
                    accepted="48 kHz or more",
                    remedy=None if session.takes else _BEFORE_THE_TAKES,
                )
            )
        if chain.bit_depth < 24:
            findings.append(
                rules.CHAIN_BIT_DEPTH.at(
                    session.locate(f"{chain.at}.bit_depth"),
                    f"the samples have {chain.bit_depth} bits",
                    accepted="24 bits or more",
                    remedy=None if session.takes else _BEFORE_THE_TAKES,
                )
            )
        count = len(chain.channels)
        wanted = _LAYOUT_CHANNELS.get(chain.channel_layout)
        if count and (count != wanted if wanted else count < 3):
            findings.append(
                rules.CHAIN_CHANNELS.at(
                    session.locate(f"{chain.at}.channels"),
                    f"the layout is {chain.channel_layout}, but {_channels(count)} listed",
                    accepted=f"{wanted} for {chain.channel_layout}" if wanted else "3 or more",
                )
            )
        findings += [
            rules.CHAIN_MICROPHONE_CHANNEL.at(
                session.locate(f"{microphone.at}.channel"),
                f"microphone `{microphone.id}` feeds channel {microphone.channel}, "
                f"but {_channels(count)} listed",
                accepted=f"1 to {count}",
            )
            for microphone in chain.microphones
            if microphone.channel is not None and count and microphone.channel > count
        ]
    return findings


def _kind(take: Take) -> str:
    article = "an" if take.kind[0] in "aeiou" else "a"
    return f"{article} {take.kind}"


def _channels(count: int) -> str:
    return "1 channel is" if count == 1 else f"{count} channels are"


def _belongings(session: Session, take: Take) -> list[Finding]:
    """Check that a take says what its kind needs: setup, medium, chain, channels."""
    findings: list[Finding] = []
    of_machine = take.kind.records or take.kind.plays
    if of_machine and take.setup is None:
        findings.append(
            rules.TAKE_SETUP_MISSING.at(
                session.locate(take.at),
                f"take `{take.id}` is {_kind(take)}, but names no setup",
                accepted=f"`setup: {session.setups[0].id}`" if session.setups else "`setup: s1`",
            )
        )
    setup = session.setup_of(take)
    of_setup = setup.medium if setup is not None else take.setup
    if of_machine and take.medium is None and of_setup is None:
        findings.append(
            rules.TAKE_MEDIUM_MISSING.at(
                session.locate(take.at),
                f"take `{take.id}` is {_kind(take)}, but neither it nor its setup names a medium",
                accepted="`medium: cyl-07`",
            )
        )
    chain = session.chain_of(take)
    if take.channels and chain is not None and len(take.channels) != len(chain.channels):
        findings.append(
            rules.TAKE_CHANNELS.at(
                session.locate(f"{take.at}.channels"),
                f"{_channels(len(take.channels))} listed, "
                f"but chain `{chain.id}` has {len(chain.channels)}",
                accepted=f"{len(chain.channels)} in the order of the file",
            )
        )
    return findings


def _chainless(session: Session) -> list[Finding]:
    """Tell once of all takes that do not say which of several chains was used."""
    takes = [take for take in session.takes if take.chain is None]
    if not takes or len(session.chains) < 2:
        return []
    subject = f"take `{takes[0].id}` names"
    if len(takes) > 1:
        subject = f"the takes {listed([f'`{take.id}`' for take in takes])} name"
    return [
        rules.TAKE_CHAIN_MISSING.at(
            session.locate(takes[0].at),
            f"{subject} none of the {len(session.chains)} capture chains",
            accepted=" or ".join(f"`chain: {chain.id}`" for chain in session.chains),
        )
    ]


def _circles(session: Session) -> tuple[set[str], list[Finding]]:
    """Find takes that reproduce each other in a circle; a take that names itself apart."""
    sources = {
        take.id: take.reproduces
        for take in session.takes
        if take.kind is TakeKind.REPRODUCTION
        and take.reproduces is not None
        and take.reproduces != take.id
    }
    done: set[str] = set()
    met: set[str] = set()
    findings: list[Finding] = []
    for start in sources:
        path: dict[str, None] = {}
        at: str | None = start
        while at is not None and at in sources and at not in done and at not in path:
            path[at] = None
            at = sources[at]
        if at is not None and at in path:
            circle = list(path)[list(path).index(at) :]
            met |= set(circle)
            first = session.take(circle[0])
            shown = ", ".join(f"`{id_}`" for id_ in circle[:_SHOWN])
            more = " and others" if len(circle) > _SHOWN else ""
            findings.append(
                rules.TAKE_CIRCLE.at(
                    session.locate(f"{first.at}.reproduces" if first is not None else "takes"),
                    f"the takes {shown}{more} reproduce each other in a circle",
                    accepted="the id of an earlier performance",
                )
            )
        done |= set(path)
    return met, findings


_SHOWN = 8


def _source(session: Session, take: Take, position: int) -> list[Finding]:
    """Check the take that a reproduction names as its source."""
    if take.reproduces is None:
        return []
    where = session.locate(f"{take.at}.reproduces")
    if take.kind is not TakeKind.REPRODUCTION:
        return [
            rules.TAKE_SOURCE.at(
                where,
                f"take `{take.id}` is {_kind(take)}, but says that it reproduces another",
                accepted="`reproduces` in takes of the kind reproduction only",
            )
        ]
    if take.reproduces == take.id:
        if session.take(take.id) is not take:  # an id listed twice has its finding
            return []
        return [
            rules.TAKE_SOURCE.at(
                where,
                f"take `{take.id}` says that it reproduces itself",
                accepted="the id of an earlier performance",
            )
        ]
    source = session.take(take.reproduces)
    if source is None:
        return []
    if not source.kind.records:
        return [
            rules.TAKE_SOURCE.at(
                where,
                f"take `{source.id}` is {_kind(source)}, not a performance",
                accepted="the id of a performance",
                remedy=f"Name the take that take `{source.id}` reproduces: `{source.reproduces}`."
                if source.reproduces and source.reproduces != take.id
                else None,
            )
        ]
    findings: list[Finding] = []
    own, theirs = session.medium_of(take), session.medium_of(source)
    if own is not None and theirs is not None and own is not theirs:
        findings.append(
            rules.TAKE_SOURCE_MEDIUM.at(
                where,
                f"take `{take.id}` plays medium `{own.id}`, "
                f"but take `{source.id}` was recorded on medium `{theirs.id}`",
                accepted=f"medium `{theirs.id}`",
            )
        )
    if take.start is not None and source.start is not None:
        if take.start.moment < source.start.moment:
            findings.append(
                rules.TAKE_SOURCE_LATER.at(
                    where,
                    f"take `{take.id}` starts at {take.start.text}, before take "
                    f"`{source.id}`, which it reproduces, at {source.start.text}",
                    accepted="a performance before its reproduction",
                )
            )
    elif session.position(source) > position:
        findings.append(
            rules.TAKE_SOURCE_LATER.at(
                where,
                f"take `{take.id}` stands before take `{source.id}`, which it reproduces, "
                "and not both have a start time",
                accepted="a performance before its reproduction",
            )
        )
    return findings


def _within_session(session: Session, take: Take) -> list[Finding]:
    if take.start is None or session.start is UNREAD:
        return []
    start, end = session.start, session.end
    if take.start.moment < start.moment:
        found = f"take `{take.id}` starts at {take.start.text}, before the session at {start.text}"
    elif end is not None and end.moment >= start.moment and take.start.moment > end.moment:
        found = (
            f"take `{take.id}` starts at {take.start.text}, after the session ended at {end.text}"
        )
    else:
        return []
    return [
        rules.TAKE_OUTSIDE_SESSION.at(
            session.locate(f"{take.at}.start"), found, accepted="a moment within the session"
        )
    ]


def takes_in_time(session: Session) -> list[Take]:
    """Return the takes in the order of time, which is that of the sheet if times are missing."""
    takes = list(session.takes)
    if all(take.start is not None for take in takes):
        takes.sort(key=lambda take: take.start.moment if take.start else UNREAD.moment)
    return takes


def _playings(session: Session) -> list[Finding]:
    """Follow the playing count of each medium through the session."""
    findings: list[Finding] = []
    last: dict[str, tuple[Take, int]] = {}
    played: dict[str, int] = {}
    for take in takes_in_time(session):
        medium = session.medium_of(take)
        if medium is None:
            continue
        stated = take.playings_before
        before = last.get(medium.id)
        if stated is not None:
            anew = take.kind.records and stated == 0
            if before is not None and not anew:
                findings += _count_compared(
                    session, take, stated, before, before[1] + played.get(medium.id, 0)
                )
            last[medium.id] = (take, stated)
            played[medium.id] = 0
        if take.kind.plays:
            played[medium.id] = played.get(medium.id, 0) + 1
    return findings


def _count_compared(
    session: Session, take: Take, stated: int, before: tuple[Take, int], expected: int
) -> list[Finding]:
    earlier, count = before
    if stated >= expected:
        return []
    where = session.locate(f"{take.at}.playings_before")
    if stated < count:
        return [
            rules.TAKE_PLAYINGS_BACKWARDS.at(
                where,
                f"take `{take.id}` says {count_of(stated, 'playing')} before it, "
                f"but the earlier take `{earlier.id}` of the same medium says {count}",
                accepted=f"{expected} or more",
            )
        ]
    return [
        rules.TAKE_PLAYINGS_NOT_COUNTED.at(
            where,
            f"take `{take.id}` says {stated} playings before it; with the takes since "
            f"`{earlier.id}` there were {expected}",
            accepted=f"{expected} or more",
        )
    ]


def _same_start(session: Session) -> list[Finding]:
    return [
        rules.TAKE_SAME_START.at(
            session.locate(f"{later.at}.start"),
            f"take `{later.id}` starts at the same moment as take `{earlier.id}`",
            accepted="a moment of its own for each take of a capture chain",
        )
        for earlier, later in _neighbours(session)
        if earlier.start and later.start and earlier.start.moment == later.start.moment
    ]
