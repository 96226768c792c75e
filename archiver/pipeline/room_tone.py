"""Measuring takes against the declared room tone of their chain."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from archiver.pipeline.masters import ArchivedTake
from archiver.session.records import Session, TakeKind
from archiver.signal.noise import ChannelNoise, against

__all__ = ["against_room_tone"]


def against_room_tone(session: Session, takes: Sequence[ArchivedTake]) -> tuple[ArchivedTake, ...]:
    """Take the noise of every take from the room tone of the same chain and channel.

    A take keeps the noise of its own quiet parts where the chain has no room tone at the
    same sample rate, or none for the channel of that meaning.

    Parameters
    ----------
    session : Session
        Says which takes are room tone, and what each channel carries.
    takes : sequence of ArchivedTake
        In the order of the sheet; the first room tone of a chain counts.
    """
    rooms: dict[tuple[str, int, str], ChannelNoise] = {}
    for done in takes:
        if all(take.kind is TakeKind.ROOM_TONE for take in done.held.takes):
            for key, channel in zip(_keys(session, done), done.measured.channels, strict=False):
                rooms.setdefault(key, channel.noise)
    return tuple(_measured(session, done, rooms) for done in takes)


def _keys(session: Session, done: ArchivedTake) -> list[tuple[str, int, str]]:
    chain = session.chain_of(done.take)
    rate = done.measured.format.sample_rate_hz
    meanings = session.channels_of(done.take)
    return [(chain.id if chain else "", rate, meaning) for meaning in meanings]


def _measured(
    session: Session, done: ArchivedTake, rooms: dict[tuple[str, int, str], ChannelNoise]
) -> ArchivedTake:
    if any(take.kind is TakeKind.ROOM_TONE for take in done.held.takes):
        return done
    channels = list(done.measured.channels)
    for number, key in enumerate(_keys(session, done)[: len(channels)]):
        room = rooms.get(key)
        if room is not None:
            noise = against(channels[number].noise, room, key[1])
            channels[number] = dataclasses.replace(channels[number], noise=noise)
    measured = dataclasses.replace(done.measured, channels=tuple(channels))
    return dataclasses.replace(done, measured=measured)
