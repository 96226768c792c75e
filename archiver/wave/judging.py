"""What a walk means: each way in which a wave file contradicts itself, as a finding.

Sources: Microsoft and IBM, RIFF 1991, chapter 2 (sizes, padding); EBU Tech 3285 v2,
appendix A (one ``fmt `` before ``data``); EBU Tech 3306 (``ds64``).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from archiver.findings import Finding, Rule, Where
from archiver.wave import format as fmt_chunk
from archiver.wave import rules
from archiver.wave.ds64 import Ds64
from archiver.wave.format import Format
from archiver.wave.subchunks import id_text
from archiver.wave.walked import TAGS, UNKNOWN_SIZE, Chunk, DataSpan, Form, Walk

__all__ = ["judge"]

_ONCE = {b"fmt ", b"data", b"bext", b"ds64"}
_DS64_OFFSET = 12


def judge(walk: Walk, trailing_head: bytes) -> tuple[Finding, ...]:
    """Judge a walk as a whole.

    Parameters
    ----------
    walk : Walk
        What was seen; its own findings are not repeated.
    trailing_head : bytes
        The first bytes behind the last chunk; empty when there are none.
    """
    judging = _Judge(walk=walk, trailing_head=trailing_head)
    judging.run()
    return tuple(judging.findings)


@dataclass(slots=True, kw_only=True)
class _Judge:
    walk: Walk
    trailing_head: bytes
    findings: list[Finding] = field(default_factory=list)

    def say(self, rule: Rule, at: int, message: str, accepted: str = "", field: str = "") -> None:
        where = Where(file=self.walk.name, offset_bytes=at, field=field)
        self.findings.append(rule.at(where, message, accepted=accepted))

    @property
    def _unset(self) -> bool:
        return self.walk.data is not None and self.walk.data.declared_bytes is None

    def run(self) -> None:
        self._end()
        self._chunks()

    def _end(self) -> None:
        end, at = self.walk.declared_end_bytes, self.walk.trailing_offset_bytes
        cut = any(not chunk.whole for chunk in self.walk.chunks)
        if end is None and not self._unset and not cut:
            value = (
                f"{self.walk.size_field:#x}" if self.walk.form is Form.RIFF else "no size in ds64"
            )
            self.say(rules.SIZE_WRONG, 4, f"the size of the file was never filled in ({value})")
        elif end is not None and not self._unset and end > self.walk.file_bytes and not cut:
            # A lone missing pad byte at the end is told by its own finding.
            if end - self.walk.file_bytes != 1 or not self._pad_missing_at_end():
                # The sound itself is whole here; only what may stand behind it can be lost.
                self.say(
                    rules.SIZE_WRONG,
                    4,
                    f"the file should have {end} bytes and has {self.walk.file_bytes}",
                )
        # Some writers leave the last pad byte out of the outer size: harmless.
        elif (
            end is not None
            and not self._unset
            and end < at <= self.walk.file_bytes
            and (at - end != 1 or not self.walk.chunks[-1].pad)
        ):
            self.say(
                rules.SIZE_WRONG, 4, f"the file should end at byte {end}; its chunks end at {at}"
            )
        if self.walk.trailing_bytes:
            first = self.trailing_head
            kind = f" ({id_text(first[:3])} tag)" if first.startswith(TAGS) else ""
            self.say(
                rules.TRAILING_BYTES,
                at,
                f"{self.walk.trailing_bytes} bytes after the last chunk belong to none{kind}",
            )

    def _pad_missing_at_end(self) -> bool:
        return bool(
            self.walk.chunks
            and self.walk.chunks[-1].declared_bytes % 2
            and not self.walk.chunks[-1].pad
        )

    def _chunks(self) -> None:
        data = self.walk.data
        seen: dict[bytes, Chunk] = {}
        for chunk in self.walk.chunks:
            if chunk.chunk_id in _ONCE and chunk.chunk_id in seen:
                self.say(
                    rules.DUPLICATE_CHUNK,
                    chunk.header_offset_bytes,
                    f"a second chunk {chunk.name}; the first starts at byte "
                    f"{seen[chunk.chunk_id].header_offset_bytes}",
                    field=chunk.name,
                )
            seen.setdefault(chunk.chunk_id, chunk)
            if chunk.chunk_id != b"data" and not chunk.whole:
                self.say(
                    rules.CHUNK_PAST_END,
                    chunk.header_offset_bytes,
                    f"chunk {chunk.name} declares {chunk.declared_bytes} bytes; "
                    f"{chunk.present_bytes} are there",
                    field=chunk.name,
                )
        for needed in (b"fmt ", b"data"):
            if needed not in seen:
                self.say(
                    rules.CHUNK_MISSING, self.walk.file_bytes, f"no chunk {id_text(needed)}",
                    field=id_text(needed),
                )  # fmt: skip
        order = [chunk_id for chunk_id in seen if chunk_id in (b"fmt ", b"data")]
        if order == [b"data", b"fmt "]:
            self.say(
                rules.FORMAT_LATE,
                seen[b"fmt "].header_offset_bytes,
                "fmt stands after data",
                field="fmt",
            )
        if b"fmt " in seen and self.walk.format is not None:
            self._format(self.walk.format, seen[b"fmt "].header_offset_bytes)
        if data is not None:
            self._data(data, seen[b"data"])
        if self.walk.ds64 is not None:
            self._ds64(self.walk.ds64, data)

    def _format(self, found: Format, at: int) -> None:
        for fault in fmt_chunk.faults(found):
            self.say(rules.FORMAT_WRONG, at, fault, field="fmt")
        expected = found.sample_rate_hz * found.block_align_bytes
        if found.coding in (fmt_chunk.PCM, fmt_chunk.IEEE_FLOAT) and (
            found.average_bytes_per_second != min(expected, UNKNOWN_SIZE)
        ):
            self.say(
                rules.BYTE_RATE_WRONG,
                at,
                f"nAvgBytesPerSec is {found.average_bytes_per_second}",
                f"{expected}, nSamplesPerSec times nBlockAlign",
                "fmt",
            )

    def _data(self, data: DataSpan, chunk: Chunk) -> None:
        at = chunk.header_offset_bytes
        if data.declared_bytes is not None and data.present_bytes < data.declared_bytes:
            self.say(
                rules.TRUNCATED,
                at,
                f"data declares {self._length(data.declared_bytes)}; "
                f"{self._length(data.present_bytes)} are there",
                field="data",
            )
        if not data.present_bytes:
            self.say(rules.NO_SAMPLES, at, "data holds no sample", field="data")
        elif self.walk.format is not None and self.walk.format.block_align_bytes:
            over = data.present_bytes - data.sample_bytes
            if over:
                self.say(
                    rules.PARTIAL_FRAME,
                    at,
                    f"{over} bytes at the end of data make no whole frame of "
                    f"{self.walk.format.block_align_bytes} bytes and are left out",
                    field="data",
                )

    def _length(self, size: int) -> str:
        if self.walk.format is None or not (
            self.walk.format.block_align_bytes and self.walk.format.sample_rate_hz
        ):
            return f"{size} bytes"
        frames = size // self.walk.format.block_align_bytes
        return f"{size} bytes ({frames} frames, {frames / self.walk.format.sample_rate_hz:.3f} s)"

    def _ds64(self, sizes: Ds64, data: DataSpan | None) -> None:
        # BW64 calls the field a dummy; 0 occurs in RF64 where the writer did not count.
        if (
            self.walk.form is not Form.RF64
            or not sizes.frames
            or data is None
            or self.walk.format is None
        ):
            return
        if self.walk.format.block_align_bytes and data.declared_bytes is not None:
            declared = data.declared_bytes // self.walk.format.block_align_bytes
            if sizes.frames != declared:
                self.say(
                    rules.DS64_FAULT,
                    _DS64_OFFSET,
                    f"sampleCount is {sizes.frames}; data declares {declared} frames",
                    field="ds64",
                )
