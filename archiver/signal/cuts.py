"""Take finding: where performances, reproductions and announcements lie in a long capture.

Works on the powers of 100 ms frames. Sound opens 8 dB above the floor, held for
0.3 s, and closes after 2.5 s below 4 dB above it (common practice in dialogue
editing; starting values). The noise of a machine begins before its sound: inside
each stretch the floor is taken anew, so that machine and sound have edges of their
own. The kind is a guess from where the power lies: a voice in the room moves the
highs with it, a groove holds them steady.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.signal.spectrum import FRAMES_PER_SECOND, FrameBands

__all__ = ["CutProposal", "KindGuess", "propose_cuts"]

_OPEN_DB = 8.0
_CLOSE_DB = 4.0
_HOLD = round(0.3 * FRAMES_PER_SECOND)
_HANG = round(2.5 * FRAMES_PER_SECOND)
_ALONE = round(0.4 * FRAMES_PER_SECOND)
_PAD_S = 0.5
_LEAST_S = 2.0
_GATE_LUFS = -70.0
_LOUDNESS_OFFSET_DB = -0.691
_MACHINE_DB = 6.0
_STEADY_TONE_DB = 2.0
_TONE_SHARE = 0.25
_MOVING_DB = 10.0
_SIBILANT_DB = 6.0
_LEAST_ALONE = 4
_NOTHING_DB = -150.0


class KindGuess(enum.StrEnum):
    """What a stretch of a capture seems to be."""

    PERFORMANCE = "performance"
    REPRODUCTION = "reproduction"
    ANNOUNCEMENT = "announcement"
    ROOM_TONE = "room tone"
    TEST_TONE = "test tone"


@dataclass(frozen=True, slots=True, kw_only=True)
class CutProposal:
    """A stretch proposed as a take.

    Parameters
    ----------
    start_s, end_s : float
        The take, with half a second around the sound where there is room.
    sound_on_s, sound_off_s : float
        The sound itself, to a tenth of a second.
    machine_on_s, machine_off_s : float or None
        The noise of the machine around it; None when none was heard.
    kind : KindGuess
        A guess, for a person to confirm.
    confidence : float
        0 to 1, of edges and kind together.
    """

    start_s: float
    end_s: float
    sound_on_s: float
    sound_off_s: float
    machine_on_s: float | None
    machine_off_s: float | None
    kind: KindGuess
    confidence: float


Levels = NDArray[np.float64]


def _levels(powers: NDArray[np.float32]) -> Levels:
    floor = 10.0 ** (_NOTHING_DB / 10.0)
    return np.asarray(10.0 * np.log10(np.maximum(powers.astype(np.float64), floor)))


def _stretches(levels: Levels, floor: float) -> list[tuple[int, int]]:
    """Find where the level stays open: pairs of first frame and frame after the last."""
    found: list[tuple[int, int]] = []
    start: int | None = None
    above = 0
    last = 0
    for index, level in enumerate(levels):
        if start is None:
            above = above + 1 if level > floor + _OPEN_DB else 0
            if above >= _HOLD:
                start, last = index - above + 1, index
        elif level > floor + _CLOSE_DB:
            last = index
        elif index - last >= _HANG:
            found.append((start, last + 1))
            start, above = None, 0
    if start is not None:
        found.append((start, last + 1))
    return found


def _floor(levels: Levels) -> float:
    heard = levels[levels > _NOTHING_DB]
    return float(np.percentile(heard, 10)) if len(heard) else _NOTHING_DB


def propose_cuts(frames: FrameBands) -> tuple[CutProposal, ...]:
    """Propose takes in a capture, in order of time.

    Parameters
    ----------
    frames : FrameBands
        Powers of the 100 ms frames of the whole capture.
    """
    loud = _levels(frames.k_weighted)
    if not len(loud):
        return ()
    floor = max(_floor(loud), _GATE_LUFS - _LOUDNESS_OFFSET_DB - _OPEN_DB)
    proposals: list[CutProposal] = []
    for start, end in _stretches(loud, floor):
        inner = max(_floor(loud[start:end]), floor)
        machine = inner > floor + _MACHINE_DB
        sounds = [(start + a, start + b) for a, b in _stretches(loud[start:end], inner)]
        # Speech without pauses has a floor of its own too; a machine is heard alone
        # before or after the sound. No sound at all is one steady level: a tone.
        if not sounds or max(sounds[0][0] - start, end - sounds[-1][1]) < _ALONE:
            machine = False
        if not machine:
            sounds = [(start, end)]
        for on, off in sounds:
            if (off - on) / FRAMES_PER_SECOND < _LEAST_S:
                continue
            around = (start, end) if machine else None
            proposals.append(
                _proposal(frames, loud, (on, off), around, inner if machine else floor)
            )
    return _apart(proposals, len(loud) / FRAMES_PER_SECOND)


def _proposal(
    frames: FrameBands,
    loud: Levels,
    sound: tuple[int, int],
    machine: tuple[int, int] | None,
    floor: float,
) -> CutProposal:
    on, off = sound
    contrast = float(np.median(loud[on:off])) - floor
    kind, certainty = _kind(frames, sound, machine)
    edges = float(np.clip(contrast / 20.0, 0.2, 1.0))
    return CutProposal(
        start_s=on / FRAMES_PER_SECOND - _PAD_S,
        end_s=off / FRAMES_PER_SECOND + _PAD_S,
        sound_on_s=on / FRAMES_PER_SECOND,
        sound_off_s=off / FRAMES_PER_SECOND,
        machine_on_s=machine[0] / FRAMES_PER_SECOND if machine else None,
        machine_off_s=machine[1] / FRAMES_PER_SECOND if machine else None,
        kind=kind,
        confidence=round(edges * certainty, 2),
    )


def _kind(
    frames: FrameBands, sound: tuple[int, int], machine: tuple[int, int] | None
) -> tuple[KindGuess, float]:
    part = slice(*sound)
    total = frames.low[part] + frames.voice[part] + frames.high[part]
    voice, high = _levels(frames.voice[part]), _levels(frames.high[part])
    tonal = float(np.median(frames.peak[part] / np.maximum(total, 1e-30)))
    spread = float(np.percentile(voice, 90) - np.percentile(voice, 10))
    if tonal > _TONE_SHARE and spread < _STEADY_TONE_DB:
        return KindGuess.TEST_TONE, 0.9
    # How far the highs of 5 to 10 kHz move: what passed a horn has none of its own, and
    # the hiss of the groove fills them evenly.
    movement = float(np.percentile(high, 90) - np.percentile(high, 10))
    if machine is None and movement >= _MOVING_DB:
        return KindGuess.ANNOUNCEMENT, float(np.clip(movement / 25.0, 0.3, 0.8))
    towards_groove = (_MOVING_DB - movement) / 5.0
    if float(np.percentile(high, 97) - np.median(high)) > _SIBILANT_DB:
        towards_groove -= 3.0
    if machine is not None:
        towards_groove += _hiss_with_sound(frames, sound, machine)
    kind = KindGuess.REPRODUCTION if towards_groove > 0.0 else KindGuess.PERFORMANCE
    return kind, float(np.clip(0.5 + 0.2 * abs(towards_groove), 0.5, 0.9))


def _hiss_with_sound(frames: FrameBands, sound: tuple[int, int], machine: tuple[int, int]) -> float:
    """Say how much the steady highs rise when the sound begins, as a groove's hiss does."""
    on, off = sound
    high = _levels(frames.high[slice(*machine)])
    first = machine[0]
    alone = np.concatenate((high[1 : max(1, on - first - 1)], high[off - first + 1 : -1]))
    if len(alone) < _LEAST_ALONE:
        return 0.0
    rise = float(np.percentile(high[on - first : off - first], 10) - np.median(alone))
    return min(1.0, (rise - 4.0) / 4.0)


def _apart(proposals: list[CutProposal], length_s: float) -> tuple[CutProposal, ...]:
    """Keep the padding inside the capture and off the neighbours' sound."""
    found = []
    for index, one in enumerate(proposals):
        start, end = max(0.0, one.start_s), min(length_s, one.end_s)
        if index:
            start = max(start, (proposals[index - 1].sound_off_s + one.sound_on_s) / 2.0)
        if index + 1 < len(proposals):
            end = min(end, (one.sound_off_s + proposals[index + 1].sound_on_s) / 2.0)
        found.append(
            CutProposal(
                start_s=round(start, 3),
                end_s=round(end, 3),
                sound_on_s=one.sound_on_s,
                sound_off_s=one.sound_off_s,
                machine_on_s=one.machine_on_s,
                machine_off_s=one.machine_off_s,
                kind=one.kind,
                confidence=one.confidence,
            )
        )
    return tuple(found)
