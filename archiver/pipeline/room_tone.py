"""Measuring takes against the declared room tone of their chain.

The noise of a performance is that of the room. The noise of a reproduction is that of its
groove too, which no room tone holds: it stays what the pauses of the take hold, and the
room tone stands beside it.

Room tone is a recording of the room in which nobody speaks or plays (common practice). So
its mean level lies near its own quietest part, and no other take of the chain can be much
quieter than it in its pauses; 10 dB are left for a door or a cart outside. What is louder
is no reference for noise.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from archiver.findings import Finding, Rule, Severity
from archiver.pipeline.masters import ArchivedTake
from archiver.session.capture_files import CaptureFile
from archiver.session.records import Session, TakeKind
from archiver.signal.noise import ChannelNoise, against, total_level_dbfs, with_room_tone
from archiver.signal.take import TakeMeasurements

__all__ = ["ROOM_TONE_NOT_QUIET", "Heard", "against_room_tone", "judge_room_tone"]

ROOM_TONE_NOT_QUIET = Rule(
    code="room-tone-not-quiet",
    severity=Severity.WARNING,
    reason=(
        "Room tone is the room in which nobody speaks or plays; what is louder is no measure of "
        "the noise of other takes, so it is not used as one."
    ),
    remedy="Listen to the take, and correct its file or its kind",
)

_MARGIN_DB = 10.0


class Heard(NamedTuple):
    """A capture with its takes, and what was measured on it."""

    held: CaptureFile
    measured: TakeMeasurements


class _Key(NamedTuple):
    """What room tone and take must have in common."""

    chain: str
    sample_rate_hz: int
    meaning: str


def judge_room_tone(session: Session, heard: Sequence[Heard]) -> tuple[Finding, ...]:
    """Find takes of room tone that are louder than a room at rest.

    Parameters
    ----------
    session : Session
        Says which takes are room tone, and what each channel carries.
    heard : sequence of Heard
        All captures of the session that were measured.
    """
    found = []
    for one in heard:
        told = next(_loud(session, one, heard), "") if _is_room(one.held) else ""
        if told:
            take = one.held.lead
            found.append(
                ROOM_TONE_NOT_QUIET.at(
                    session.locate(f"{take.at}.kind"),
                    f"take {take.id} is said to be room tone, and {told}",
                    accepted=f"a mean level within {_MARGIN_DB:g} dB of what is quietest",
                )
            )
    return tuple(found)


def against_room_tone(session: Session, takes: Sequence[ArchivedTake]) -> tuple[ArchivedTake, ...]:
    """Take the noise of takes from the room tone of the same chain and channel.

    A take keeps the noise of its own quiet parts where it is a reproduction, and where the
    chain has no room tone at the same sample rate, or none for the channel of that meaning.

    Parameters
    ----------
    session : Session
        Says which takes are room tone, and what each channel carries.
    takes : sequence of ArchivedTake
        In the order of the sheet; the first room tone of a chain that is quiet counts.
    """
    heard = [Heard(done.held, done.measured) for done in takes]
    rooms: dict[_Key, ChannelNoise] = {}
    for one in heard:
        if _is_room(one.held) and not any(_loud(session, one, heard)):
            for key, channel in zip(_keys(session, one), one.measured.channels, strict=False):
                rooms.setdefault(key, channel.noise)
    return tuple(_measured(session, done, rooms) for done in takes)


def _is_room(held: CaptureFile) -> bool:
    return all(take.kind is TakeKind.ROOM_TONE for take in held.takes)


def _keys(session: Session, one: Heard) -> list[_Key]:
    chain = session.chain_of(one.held.lead)
    rate = one.measured.format.sample_rate_hz
    meanings = session.channels_of(one.held.lead)
    return [_Key(chain.id if chain else "", rate, meaning) for meaning in meanings]


def _loud(session: Session, room: Heard, heard: Sequence[Heard]) -> Iterator[str]:
    """Say by how much channels of a room tone are louder than it can be."""
    for key, channel in zip(_keys(session, room), room.measured.channels, strict=False):
        level = total_level_dbfs(channel.noise, key.sample_rate_hz)
        own = channel.noise.noise_floor_dbfs
        if level is None:
            continue
        if own is not None and level > own + _MARGIN_DB:
            yield (
                f"its mean level is {level:.1f} dBFS, {level - own:.1f} dB above its own "
                "quietest tenth"
            )
            continue
        others = [
            (floor, other.held.lead.id)
            for other in heard
            if not _is_room(other.held)
            for theirs, sound in zip(_keys(session, other), other.measured.channels, strict=False)
            if theirs == key and (floor := sound.noise.noise_floor_dbfs) is not None
        ]
        if others and level > min(others)[0] + _MARGIN_DB:
            floor, name = min(others)
            yield (
                f"its mean level is {level:.1f} dBFS, {level - floor:.1f} dB above the pauses "
                f"of take {name}"
            )


def _measured(
    session: Session, done: ArchivedTake, rooms: dict[_Key, ChannelNoise]
) -> ArchivedTake:
    if any(take.kind is TakeKind.ROOM_TONE for take in done.held.takes):
        return done
    played = any(take.kind.plays for take in done.held.takes)
    channels = list(done.measured.channels)
    keys = _keys(session, Heard(done.held, done.measured))
    for number, key in enumerate(keys[: len(channels)]):
        room = rooms.get(key)
        if room is not None:
            measure = with_room_tone if played else against
            noise = measure(channels[number].noise, room, key.sample_rate_hz)
            channels[number] = dataclasses.replace(channels[number], noise=noise)
    measured = dataclasses.replace(done.measured, channels=tuple(channels))
    return dataclasses.replace(done, measured=measured)
