"""Captures that hold several takes: which takes lie in which file, and where.

A long capture need not be split: its takes name the same file and say where in it they
begin and end. Positions count from the first sample of the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from archiver.findings import Finding
from archiver.session import rules
from archiver.session.records import Session, Take

__all__ = ["CaptureFile", "capture_files", "check_spans", "take_durations_s"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFile:
    """A file and its takes, in the order in which they begin.

    Parameters
    ----------
    file : str
        As the sheet names it.
    takes : tuple of Take
        At least one.
    """

    file: str
    takes: tuple[Take, ...]

    @property
    def lead(self) -> Take:
        """The first take, whose facts stand for the file where only one can."""
        return self.takes[0]

    @property
    def name(self) -> str:
        """Id of the only take, or ids of the first and the last."""
        if len(self.takes) == 1:
            return self.lead.id
        return f"{self.lead.id}-{self.takes[-1].id}"


def begins_s(take: Take) -> float:
    """Return where a take begins in its file, in seconds."""
    return take.begins.value if take.begins is not None else 0.0


def capture_files(session: Session) -> tuple[CaptureFile, ...]:
    """Return the capture files in the order of the sheet."""
    takes: dict[str, list[Take]] = {}
    for take in session.takes:
        takes.setdefault(take.file, []).append(take)
    return tuple(
        CaptureFile(file=file, takes=tuple(sorted(held, key=begins_s)))
        for file, held in takes.items()
    )


def take_durations_s(session: Session, files_s: Mapping[str, float]) -> dict[str, float]:
    """Return the length of each take, by id.

    Parameters
    ----------
    session : Session
    files_s : mapping of str to float
        Length of each capture file in seconds, as far as known.
    """
    durations: dict[str, float] = {}
    for take in session.takes:
        end = take.ends.value if take.ends is not None else files_s.get(take.file)
        if end is not None:
            durations[take.id] = max(0.0, end - begins_s(take))
    return durations


def check_spans(session: Session, files_s: Mapping[str, float]) -> list[Finding]:
    """Check where takes begin and end in their files.

    Parameters
    ----------
    session : Session
    files_s : mapping of str to float
        Length of each capture file in seconds, as far as known.

    Returns
    -------
    list of Finding
        Takes that end before they begin, lie behind the end of the sound, or overlap
        with another take of the same file.
    """
    findings: list[Finding] = []
    for capture in capture_files(session):
        length = files_s.get(capture.file)
        before: Take | None = None
        for take in capture.takes:
            findings += _one(session, take, length)
            if before is not None:
                end = before.ends.value if before.ends is not None else length
                if end is not None and begins_s(take) < end:
                    findings.append(
                        rules.TAKE_SPANS_OVERLAP.at(
                            session.locate(f"{take.at}.begins"),
                            f"take `{take.id}` begins at {begins_s(take):g} s in {take.file}, "
                            f"where take `{before.id}` still lasts until {end:g} s",
                            accepted="takes of one file that follow one another",
                        )
                    )
            before = take
    return findings


def _one(session: Session, take: Take, length_s: float | None) -> list[Finding]:
    begin = begins_s(take)
    if take.ends is not None and take.ends.value <= begin:
        return [
            rules.TAKE_SPAN_WRONG.at(
                session.locate(f"{take.at}.ends"),
                f"take `{take.id}` ends at {take.ends.text}, before it begins",
                accepted=f"a position behind {begin:g} s",
            )
        ]
    for name, position in (("begins", take.begins), ("ends", take.ends)):
        # Half a sample of any rate in use is no contradiction.
        if position is not None and length_s is not None and position.value > length_s + 1e-4:
            return [
                rules.TAKE_SPAN_WRONG.at(
                    session.locate(f"{take.at}.{name}"),
                    f"take `{take.id}` {name} at {position.text}; {take.file} lasts "
                    f"{length_s:.3f} s",
                    accepted=f"a position up to {length_s:.3f} s",
                )
            ]
    return []
