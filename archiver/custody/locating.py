"""Find the sound of a master in a file that is not the one that was stored.

The samples are looked for where the record says, where the container says, after every
``data`` in the head of the file, and where they would be if bytes had come or gone before
them. A block whose SHA-256 is met is the block that was stored, wherever it lies.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from archiver import files
from archiver.custody.damage import DamagedSpan, DamageKind
from archiver.custody.sound import SoundDigests
from archiver.errors import ArchiverError

__all__ = ["SoundState", "check_sound", "locate_sound"]

_HEAD_BYTES = 1 << 20
_MOST_HITS = 16
_PROBES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundState:
    """What became of the sound of a master.

    Parameters
    ----------
    offset_bytes : int, optional
        Where the sound begins now; None if no block was found.
    spans : tuple of DamagedSpan
        In order, neighbours of one kind merged; empty if every block was found.
    displaced_from_s : float, optional
        From here on the intact blocks lie elsewhere than the sound before them, since bytes
        came or went between.
    present_frames : int
        Frames that the file still has room for.
    bytes_read : int
        Bytes of sound read to find this out.
    md5_agrees : bool, optional
        Whether the MD5 of the whole is the one recorded; None if it was not computed.
    places : mapping of int to int
        For each block that was found, where the sound would begin if all of it lay there.
    """

    offset_bytes: int | None
    spans: tuple[DamagedSpan, ...]
    displaced_from_s: float | None
    present_frames: int
    bytes_read: int
    md5_agrees: bool | None = None
    places: Mapping[int, int] = field(default_factory=dict)

    @property
    def intact(self) -> bool:
        """Whether all of the sound was found, in one piece."""
        return not self.spans and self.displaced_from_s is None and self.md5_agrees is not False


def locate_sound(
    path: Path, record: SoundDigests, *, on_bytes: Callable[[int], None] | None = None
) -> SoundState:
    """Look for the sound of a changed file, block by block.

    Parameters
    ----------
    path : Path
        The file.
    record : SoundDigests
        What was stored.
    on_bytes : callable, optional
        Called with the number of bytes read.

    Raises
    ------
    SurroundingsError
        The file cannot be opened. Spans that cannot be read are part of the result.
    """
    size = files.status(path).size
    with files.open_read(path, buffering=0, follow=False) as file:
        search = _Search(file, record, on_bytes)
        candidates = _candidates(path, file, record, size)
        search.try_all(candidates[0], range(len(record.blocks)))
        for offset in candidates[1:]:
            left = search.left()
            if not left:
                break
            if any(search.try_block(offset, number) for number in _spread(left)):
                search.try_all(offset, search.left())
        return search.state(size)


def check_sound(
    path: Path, record: SoundDigests, *, on_bytes: Callable[[int], None] | None = None
) -> SoundState:
    """Recompute all digests of the sound where the record says it lies.

    Parameters and errors are those of :func:`locate_sound`.
    """
    size = files.status(path).size
    with files.open_read(path, buffering=0, follow=False) as file:
        whole = hashlib.md5(usedforsecurity=False)
        search = _Search(file, record, on_bytes, whole.update)
        search.try_all(record.data_offset_bytes, range(len(record.blocks)))
        return search.state(size, md5_agrees=whole.hexdigest() == record.md5)


def _candidates(path: Path, file: BinaryIO, record: SoundDigests, size: int) -> list[int]:
    """Offsets where the sound may begin, the likeliest first, each once."""
    # Only a damaged master needs the container; verifying an intact bag starts sooner without.
    from archiver.wave.container import walk  # noqa: PLC0415

    offsets = [record.data_offset_bytes]
    try:
        with files.open_read(path, follow=False) as buffered:
            data = walk(buffered, path.name).data
        if data is not None:
            offsets.append(data.offset_bytes)
    except ArchiverError:
        # The header is damaged: the other ways to find the sound remain.
        pass
    offsets.append(record.data_offset_bytes + size - record.file_bytes)
    try:
        file.seek(0)
        head = file.read(_HEAD_BYTES)
    except OSError:
        head = b""
    at = head.find(b"data")
    while at >= 0 and len(offsets) < _MOST_HITS:
        offsets.append(at + 8)
        at = head.find(b"data", at + 1)
    return list(dict.fromkeys(offset for offset in offsets if offset >= 0))


def _spread(numbers: Sequence[int]) -> Iterator[int]:
    """Yield a few of the numbers, first and last among them."""
    if len(numbers) <= _PROBES:
        yield from numbers
        return
    step = (len(numbers) - 1) / (_PROBES - 1)
    yield from (numbers[round(step * probe)] for probe in range(_PROBES))


class _Search:
    """Remembers which block was found where."""

    def __init__(
        self,
        file: BinaryIO,
        record: SoundDigests,
        on_bytes: Callable[[int], None] | None,
        also: Callable[[memoryview], object] | None = None,
    ) -> None:
        self._file = file
        self._record = record
        self._on_bytes = on_bytes
        self._also = also
        self._buffer = memoryview(bytearray(files.BLOCK_BYTES))
        self._found: dict[int, int] = {}
        self._unreadable: set[int] = set()
        self.bytes_read = 0

    def left(self) -> list[int]:
        """Return the blocks not found yet."""
        return [number for number in range(len(self._record.blocks)) if number not in self._found]

    def try_all(self, offset: int, numbers: Sequence[int]) -> None:
        """Look for blocks of a sound that begins at an offset."""
        for number in numbers:
            self.try_block(offset, number)

    def try_block(self, offset: int, number: int) -> bool:
        """Look for one block; say whether it is there."""
        record = self._record
        start = number * record.block_bytes
        length = min(record.block_bytes, record.data_bytes - start)
        hasher = hashlib.sha256(usedforsecurity=False)
        try:
            self._file.seek(offset + start)
            while length:
                piece = self._buffer[: min(length, len(self._buffer))]
                count: int = self._file.readinto(piece)  # type: ignore[attr-defined]
                if not count:
                    return False
                hasher.update(piece[:count])
                if self._also is not None:
                    self._also(piece[:count])
                length -= count
                self.bytes_read += count
                if self._on_bytes is not None:
                    self._on_bytes(count)
        except OSError:
            self._unreadable.add(number)
            return False
        if hasher.hexdigest() != record.blocks[number]:
            return False
        self._found[number] = offset
        return True

    def state(self, size: int, *, md5_agrees: bool | None = None) -> SoundState:
        """Sum up."""
        record = self._record
        usual = Counter(self._found.values()).most_common(1)
        offset = usual[0][0] if usual else None
        # Where the end of the sound lies counts for what is gone, not where its start lies.
        last = self._found[max(self._found)] if self._found else record.data_offset_bytes
        room = max(0, size - last)
        displaced: float | None = None
        before: int | None = None
        for number in sorted(self._found):
            if before is not None and self._found[number] != before and displaced is None:
                displaced = self._seconds(record.block_span(number)[0])
            before = self._found[number]
        return SoundState(
            offset_bytes=offset,
            spans=self._spans(room),
            displaced_from_s=displaced,
            present_frames=min(record.frames, room // record.sample_format.frame_bytes),
            bytes_read=self.bytes_read,
            md5_agrees=md5_agrees,
            places=dict(self._found),
        )

    def _spans(self, room: int) -> tuple[DamagedSpan, ...]:
        spans: list[DamagedSpan] = []
        for number in self.left():
            for first, end, kind in self._parts(number, room):
                begins = first
                if spans and spans[-1].end_frame == first and spans[-1].kind is kind:
                    begins = spans.pop().first_frame
                spans.append(
                    DamagedSpan(
                        first_frame=begins,
                        end_frame=end,
                        start_s=self._seconds(begins),
                        end_s=self._seconds(end),
                        kind=kind,
                    )
                )
        return tuple(spans)

    def _parts(self, number: int, room: int) -> Iterator[tuple[int, int, DamageKind]]:
        """Yield what is to be said of a block that was not found, where it begins and ends."""
        record = self._record
        first, end = record.block_span(number)
        if number in self._unreadable:
            yield first, end, DamageKind.UNREADABLE
            return
        if min((number + 1) * record.block_bytes, record.data_bytes) <= room:
            yield first, end, DamageKind.CHANGED
            return
        cut = min(end, max(first, room // record.sample_format.frame_bytes))
        if cut > first:
            yield first, cut, DamageKind.UNPROVEN
        if end > cut:
            yield cut, end, DamageKind.GONE

    def _seconds(self, frame: int) -> float:
        return frame / self._record.sample_format.sample_rate_hz
