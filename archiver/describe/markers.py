"""Marks for the takes of a capture that holds more than one: where each begins and how long.

They stand in the master as ``cue `` points with ``labl`` and ``ltxt`` (RIFF, 1991), and
in ``iXML`` as sync points, whose positions have 64 bits.
"""

from __future__ import annotations

from archiver.describe.wording import take_title
from archiver.findings import Finding, Rule, Severity
from archiver.session.capture_files import CaptureFile, begins_s
from archiver.session.records import Session, Take
from archiver.wave.adtl import Adtl, CueLength, CueText, StoredText
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.ixml import SyncPoint

__all__ = ["OUT_OF_REACH", "marked_takes", "markers_for", "span_frames", "sync_points_for"]

_LARGEST = 0xFFFFFFFF

OUT_OF_REACH = Rule(
    code="master-marker-out-of-reach",
    severity=Severity.NOTE,
    reason="Positions in the cue chunk have 32 bits (RIFF, 1991).",
    remedy="Nothing needs to be done; the position stands in iXML and in the session record.",
)


def marked_takes(held: CaptureFile) -> tuple[Take, ...]:
    """Return the takes of a capture that say where they begin or end."""
    return tuple(take for take in held.takes if take.begins is not None or take.ends is not None)


def span_frames(take: Take, sample_rate_hz: int, frames: int | None) -> tuple[int, int]:
    """Return first frame and frame after the last of a take in its file.

    Parameters
    ----------
    take : Take
    sample_rate_hz : int
        Of the file.
    frames : int, optional
        Of the file; bounds the take. Without it a take of no stated end has no length.
    """
    first = round(begins_s(take) * sample_rate_hz)
    last = frames if take.ends is None else round(take.ends.value * sample_rate_hz)
    if last is None:
        return first, first
    if frames is not None:
        first, last = min(first, frames), min(last, frames)
    return first, max(first, last)


def markers_for(
    session: Session, held: CaptureFile, *, sample_rate_hz: int, frames: int | None
) -> tuple[Cue | None, Adtl | None, tuple[Finding, ...]]:
    """Return the points, their labels and lengths, and what could not be marked.

    Parameters
    ----------
    session, held
        The record, and the capture with its takes.
    sample_rate_hz, frames
        Of the file; see :func:`span_frames`.
    """
    points: list[CuePoint] = []
    labels: list[CueText] = []
    lengths: list[CueLength] = []
    findings: list[Finding] = []
    for number, take in enumerate(marked_takes(held), start=1):
        first, last = span_frames(take, sample_rate_hz, frames)
        if first > _LARGEST or last - first > _LARGEST:
            findings.append(
                OUT_OF_REACH.at(
                    session.locate(f"{take.at}.begins"),
                    f"take `{take.id}` begins at frame {first}, too far for the cue chunk",
                )
            )
            continue
        points.append(CuePoint(name=number, sample_offset=first))
        title = f"{take.id}: {take_title(session, take)}".replace("\0", " ")
        labels.append(CueText(kind=b"labl", cue=number, text=StoredText(text=title)))
        lengths.append(CueLength(cue=number, length_frames=last - first))
    if not points:
        return None, None, tuple(findings)
    # Labels first: libsndfile 1.2.2 stops reading them at the first note or length.
    return Cue(points=tuple(points)), Adtl(entries=(*labels, *lengths)), tuple(findings)


def sync_points_for(
    session: Session, held: CaptureFile, *, sample_rate_hz: int, frames: int | None
) -> tuple[SyncPoint, ...]:
    """Return the same marks for ``iXML``."""
    points: list[SyncPoint] = []
    for take in marked_takes(held):
        first, last = span_frames(take, sample_rate_hz, frames)
        points.append(
            SyncPoint(
                comment=f"{take.id}: {take_title(session, take)}",
                frame=first,
                duration_frames=last - first,
            )
        )
    return tuple(points)
