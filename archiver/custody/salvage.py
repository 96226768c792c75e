"""Make the sound that is left of a damaged master playable, and say what it is.

The new file keeps the time line of the master: each block that is as it was stored stands in
its place; one that was changed stands as found; what cannot be read is silence. Cue points
with labels mark every such stretch, and title, description and name of the file say that it
was salvaged. It is no master: it carries no digest of its samples, and no room takes it for one.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from archiver import files
from archiver.custody.damage import DamagedSpan, DamageKind
from archiver.custody.locating import SoundState, locate_sound
from archiver.custody.sound import SoundDigests
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.findings import clock
from archiver.telling import count
from archiver.wave import adtl, info
from archiver.wave.bext import Bext
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.format import format_of
from archiver.wave.master import MasterChunks, MasterWriter

__all__ = ["Part", "Salvaged", "parts_of", "salvage_master"]

_SCHEMA = "salvage 1"
_LARGEST_CUE_FRAME = 0xFFFFFFFF
_MOST_MARKS = 2000
_AFTER = {
    DamageKind.CHANGED: "damaged, samples as found",
    DamageKind.UNREADABLE: "unreadable, silence in its place",
    DamageKind.UNPROVEN: "cut off within a second, samples as found, not to be compared",
    DamageKind.GONE: "gone, silence in its place",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A stretch of sound that is as it was stored, and where it lies in time."""

    first_frame: int
    end_frame: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Salvaged:
    """What was saved of a master.

    Parameters
    ----------
    master : str
        Path in the bag.
    file : Path
        The new WAV.
    report : Path
        The same facts as JSON beside it.
    spans : tuple of DamagedSpan
        What is not as it was stored.
    playable : tuple of Part
        What is.
    frames : int
        Of the whole, damaged stretches included.
    sha256 : str
        Of the new file.
    """

    master: str
    file: Path
    report: Path
    spans: tuple[DamagedSpan, ...]
    playable: tuple[Part, ...]
    frames: int
    sha256: str

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``salvage.schema.json`` describes them."""
        return {
            "schema": _SCHEMA,
            "intact": False,
            "master": self.master,
            "file": self.file.name,
            "sha256": self.sha256,
            "frames": self.frames,
            "damaged": [
                {
                    "first_frame": span.first_frame,
                    "end_frame": span.end_frame,
                    "start_s": span.start_s,
                    "end_s": span.end_s,
                    "kind": str(span.kind),
                }
                for span in self.spans
            ],
            "playable": [
                {
                    "first_frame": part.first_frame,
                    "end_frame": part.end_frame,
                    "start_s": part.start_s,
                    "end_s": part.end_s,
                }
                for part in self.playable
            ],
        }


def parts_of(spans: tuple[DamagedSpan, ...], frames: int, sample_rate_hz: int) -> tuple[Part, ...]:
    """Return what lies between damaged spans."""
    parts: list[Part] = []
    at = 0
    for first, end in [*((s.first_frame, s.end_frame) for s in spans), (frames, frames)]:
        if first > at:
            parts.append(
                Part(
                    first_frame=at,
                    end_frame=first,
                    start_s=at / sample_rate_hz,
                    end_s=first / sample_rate_hz,
                )
            )
        at = max(at, end)
    return tuple(parts)


def salvage_master(
    bag: Path,
    record: SoundDigests,
    to: Path,
    *,
    program: str,
    moment: str,
    on_bytes: Callable[[int], None] | None = None,
) -> Salvaged:
    """Write what is left of a master as a new WAV with its damage marked.

    Parameters
    ----------
    bag : Path
        The bag; nothing in it is changed.
    record : SoundDigests
        Of the master's sound as it was stored.
    to : Path
        Folder for the new file and its report; made if it is not there.
    program : str
        Written as the originator.
    moment : str
        ``yyyy-mm-ddThh:mm:ss`` of the salvage.

    Raises
    ------
    IntegrityError
        Nothing of the sound is left, or what was written does not read back.
    MisuseError
        There is a file of that name already.
    SurroundingsError
        The master cannot be opened, or the new file not be written.
    """
    source = bag.joinpath(*record.file.split("/"))
    state = locate_sound(source, record, on_bytes=on_bytes)
    if not state.places:
        raise IntegrityError(
            "no second of the sound is as it was stored",
            where=str(source),
            remedy="Take the file from another copy of the bag",
        )
    files.make_directory(to)
    # Most masters have the name of the bag in theirs.
    stem = source.stem if source.stem.startswith(bag.name) else f"{bag.name}-{source.stem}"
    target = to / f"{stem}.salvaged.wav"
    report = to / f"{stem}.salvaged.json"
    for path in (target, report):
        if files.exists(path):
            raise MisuseError(
                "there is a file of this name", where=str(path), remedy="Choose another folder"
            )
    temporary = files.temporary_sibling(target)
    try:
        with files.open_read(source, buffering=0, follow=False) as damaged:
            blocks = _blocks(damaged, record, state)
            offset = _write(temporary, record, state, blocks, program, moment)
        sha256 = _read_back(temporary, record, state, offset)
        files.rename_new(temporary, target)
    except BaseException:
        with contextlib.suppress(ArchiverError):
            files.discard(temporary)
        raise
    files.flush_directory(to)
    salvaged = Salvaged(
        master=record.file,
        file=target,
        report=report,
        spans=state.spans,
        playable=parts_of(state.spans, record.frames, record.sample_format.sample_rate_hz),
        frames=record.frames,
        sha256=sha256,
    )
    text = json.dumps(salvaged.as_json(), indent=2, ensure_ascii=False) + "\n"
    files.write_whole(report, text.encode())
    return salvaged


def _blocks(file: BinaryIO, record: SoundDigests, state: SoundState) -> Iterator[bytes]:
    """Yield every block of the sound: as stored, else as found, else silence."""
    form = record.sample_format
    # Unsigned samples of 8 bits rest at their middle.
    silence = b"\x80" if form.encoding == "pcm" and form.container_bits == 8 else b"\0"
    offset = record.data_offset_bytes if state.offset_bytes is None else state.offset_bytes
    kinds = {
        number: span.kind
        for span in state.spans
        for number in range(
            span.first_frame // record.frames_per_block,
            -(-span.end_frame // record.frames_per_block),
        )
    }
    for number in range(len(record.blocks)):
        start = number * record.block_bytes
        length = min(record.block_bytes, record.data_bytes - start)
        # A block that was not found is looked for where its neighbour before it lies.
        offset = state.places.get(number, offset)
        block = b""
        if kinds.get(number) is not DamageKind.UNREADABLE:
            block = _read(file, offset + start, length)
        yield block + silence * (length - len(block))


def _read(file: BinaryIO, offset: int, length: int) -> bytes:
    content = bytearray()
    try:
        file.seek(offset)
        while len(content) < length and (piece := file.read(length - len(content))):
            content += piece
    except OSError:
        return bytes(content)
    return bytes(content)


def _write(
    path: Path,
    record: SoundDigests,
    state: SoundState,
    blocks: Iterator[bytes],
    program: str,
    moment: str,
) -> int:
    chunks = _chunks(record, state, program, moment)
    with files.create(path) as file:
        # A tail that is no whole frame cannot stand in a new file.
        left = record.frames * record.sample_format.frame_bytes
        writer = MasterWriter(file, chunks, left)
        for block in blocks:
            writer.write(block[:left])
            left -= len(block[:left])
        layout = writer.finish(chunks)
        files.flush_file(file, path)
    return layout.data_offset_bytes


def _chunks(record: SoundDigests, state: SoundState, program: str, moment: str) -> MasterChunks:
    # Frames beyond 32 bits cannot be marked; the report names them.
    marked = [span for span in state.spans if span.first_frame <= _LARGEST_CUE_FRAME][:_MOST_MARKS]
    points: list[CuePoint] = []
    labels: list[adtl.CueText | adtl.CueLength] = []
    lengths: list[adtl.CueText | adtl.CueLength] = []
    for name, span in enumerate(marked, start=1):
        points.append(CuePoint(name=name, sample_offset=span.first_frame))
        label = f"{clock(span.start_s)} to {clock(span.end_s)}: {_AFTER[span.kind]}"
        labels.append(adtl.CueText(kind=b"labl", cue=name, text=adtl.StoredText(text=label)))
        length = min(span.end_frame - span.first_frame, _LARGEST_CUE_FRAME)
        lengths.append(adtl.CueLength(cue=name, length_frames=length))
    words = _words(record, state)
    name_of_file = record.file.rpartition("/")[2]
    day, _, time = moment.partition("T")
    return MasterChunks(
        format=format_of(record.sample_format),
        bext=Bext(
            description=words[:256],
            originator=program[:32],
            origination_date=day[:10],
            origination_time=time[:8],
        ),
        info=info.Info(
            entries=(
                info.InfoEntry(id="INAM", text=f"SALVAGED: {name_of_file}"),
                info.InfoEntry(id="ICMT", text=words),
            )
        ),
        cue=Cue(points=tuple(points)) if points else None,
        # Readers such as libsndfile read labels up to the first length.
        adtl=adtl.Adtl(entries=(*labels, *lengths)) if labels else None,
    )


def _words(record: SoundDigests, state: SoundState) -> str:
    """Say what the new file is, and how far it is to be relied on."""
    if not state.spans:
        return (
            "SALVAGED. The sound is intact, every sample as it was stored; the rest of the "
            "master was damaged, and its header was written anew."
        )
    damaged_s = sum(span.end_s - span.start_s for span in state.spans)
    return (
        f"SALVAGED, NOT INTACT. Made from a damaged master; "
        f"{count(len(state.spans), 'stretch', 'stretches')}, {clock(damaged_s)} of "
        f"{clock(record.duration_s)} in all, not as stored; cue points mark "
        f"{'it' if len(state.spans) == 1 else 'them'}."
    )


def _read_back(path: Path, record: SoundDigests, state: SoundState, offset: int) -> str:
    """Read the new file from the medium; every block that was found must be in its place."""
    files.drop_cache(path)
    _, digests = files.digests_of(path, ("sha256",))
    whole = record.frames * record.sample_format.frame_bytes
    with files.open_read(path, buffering=0) as file:
        for number in state.places:
            start = number * record.block_bytes
            length = min(record.block_bytes, record.data_bytes - start)
            if start + length > whole:
                continue
            found = hashlib.sha256(_read(file, offset + start, length)).hexdigest()
            if found != record.blocks[number]:
                raise IntegrityError(
                    "what was written does not read back the same", where=str(path)
                )
    return digests["sha256"]
