"""Finding takes in a long capture, and writing them into the sheet when asked."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import InputError, MisuseError
from archiver.pipeline.check import require_folder
from archiver.pipeline.measure import measure_files
from archiver.progress import Progress
from archiver.session.adding import ProposedTake, free_ids, take_lines, with_takes
from archiver.session.load import SHEET, load_session
from archiver.session.records import Session
from archiver.session.sheet import MAX_SHEET_BYTES
from archiver.session.vocabulary import TakeKind
from archiver.signal.cuts import CutProposal
from archiver.signal.sampleformat import SampleFormat

__all__ = ["FoundTakes", "find_takes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTakes:
    """What was proposed for a capture.

    ``lines`` are the entries as the sheet would hold them; ``written`` says whether it does.
    """

    file: str
    takes: tuple[ProposedTake, ...]
    lines: str
    written: bool


def find_takes(
    folder: Path, capture: str, *, write: bool = False, progress: Progress | None = None
) -> FoundTakes:
    """Propose takes for a capture of a session.

    Parameters
    ----------
    folder : Path
        The session folder.
    capture : str
        Path of the capture in it, such as ``takes/long.wav``, or its name alone.
    write : bool
        Add the takes to the sheet. This is the one command that changes a session folder,
        and it changes this file alone.
    progress : Progress, optional
        Told what is being done.

    Raises
    ------
    InputError
        The capture or the sheet cannot be used, or the sheet lists the capture already.
    MisuseError
        There is no such folder or file.
    """
    require_folder(folder)
    name = capture.replace("\\", "/")
    name = name if name.startswith("takes/") else f"takes/{name}"
    place = folder.joinpath(*name.split("/"))
    if ".." in name.split("/") or not files.exists(place):
        raise MisuseError(
            f"there is no {name}",
            where=str(folder),
            accepted="a capture in the folder takes",
            remedy="Put the capture there",
        )
    (measured,) = measure_files([place], progress=progress)
    if measured.measured is None:
        raise measured.error or InputError("cannot be measured", where=name)
    session = load_session(folder).session
    takes = tuple(
        _completed(session, measured.measured.format, cut)
        for cut in _proposed(name, measured.measured.cuts)
    )
    sheet = folder / SHEET
    content = files.read_bytes(sheet, limit=MAX_SHEET_BYTES)
    lines = take_lines(takes, free_ids(content, len(takes))) if takes else ""
    if write and takes:
        _refuse_listed(folder, session, name)
        files.write_whole(sheet, with_takes(content, takes))
    return FoundTakes(file=name, takes=takes, lines=lines, written=write and bool(takes))


def _proposed(name: str, cuts: Iterable[CutProposal]) -> Iterator[ProposedTake]:
    for cut in cuts:
        yield ProposedTake(
            file=name,
            kind=str(cut.kind),
            confidence=cut.confidence,
            begins_s=cut.start_s,
            ends_s=cut.end_s,
        )


def _completed(session: Session | None, samples: SampleFormat, take: ProposedTake) -> ProposedTake:
    """Add the chain and the setup, where they can be one only; else say what there is to choose."""
    if session is None:
        return take
    known: list[tuple[str, str]] = []
    open_: list[tuple[str, str]] = []

    def add(field: str, candidates: list[str], every: list[str]) -> None:
        if len(candidates) == 1:
            known.append((field, candidates[0]))
        else:
            open_.append((field, ", ".join(candidates or every) or "describe it first"))

    if len(session.chains) > 1:
        fitting = [
            chain.id
            for chain in session.chains
            if round(chain.sample_rate.value) == samples.sample_rate_hz
            and len(chain.channels) == samples.channels
        ]
        add("chain", fitting, [chain.id for chain in session.chains])
    kind = next((kind for kind in TakeKind if str(kind) == take.kind), None)
    if kind is not None and (kind.records or kind.plays):
        setups = [setup.id for setup in session.setups]
        add("setup", setups, setups)
    return dataclasses.replace(take, known=tuple(known), open=tuple(open_))


def _refuse_listed(folder: Path, session: Session | None, name: str) -> None:
    listed = [take.id for take in session.takes if take.file == name] if session else []
    if listed:
        raise InputError(
            f"the sheet lists {name} already, as {', '.join(listed)}",
            where=str(folder / SHEET),
            accepted="a capture that no take names yet",
            remedy="Take that entry out first, or correct begins and ends by hand",
        )
