"""Chunks inside a payload: what ``LIST`` holds, split and joined byte for byte.

Source: Microsoft and IBM, RIFF 1991, chapter 2. The number of sub-chunks is bounded
so that a hostile payload cannot fill the memory with records; what is beyond the
bound, or does not fit, is kept as bytes.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["MOST", "RawChunk", "id_text", "join", "pack_chunk", "split"]

MOST = 20_000
"""Sub-chunks that are told apart in one payload."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RawChunk:
    """A chunk as it stands, its pad byte as found.

    Parameters
    ----------
    chunk_id : bytes
        Four bytes.
    payload : bytes
    pad : bytes
        One byte after a payload of odd length, zero or not; empty otherwise, and
        also where it is missing.
    """

    chunk_id: bytes
    payload: bytes
    pad: bytes = b""

    def __post_init__(self) -> None:
        """Refuse what cannot stand in a file."""
        if len(self.chunk_id) != 4:
            raise ValueError(f"a chunk id has four bytes, not {id_text(self.chunk_id)}")
        if len(self.pad) > len(self.payload) % 2:
            raise ValueError(f"{len(self.pad)} pad bytes after {len(self.payload)} bytes")


def id_text(chunk_id: bytes) -> str:
    r"""Write a chunk id, or other first bytes, for people: printable, without trailing blanks.

    Examples
    --------
    >>> id_text(b"fmt ")
    'fmt'
    >>> id_text(b"\x00\x00a b")
    '\\x00\\x00a\\x20b'
    """
    if not chunk_id:
        return "(nothing)"
    if all(0x20 <= byte <= 0x7E for byte in chunk_id):
        return chunk_id.decode("ascii").rstrip(" ") or "(blank)"
    return "".join(chr(b) if 0x21 <= b <= 0x7E else f"\\x{b:02x}" for b in chunk_id)


def _fits(payload: bytes, at: int) -> bool:
    """Say whether a printable id and a size within the payload stand here."""
    head = payload[at : at + 8]
    return (
        len(head) == 8
        and all(0x20 <= byte <= 0x7E for byte in head[:4])
        and at + 8 + int.from_bytes(head[4:], "little") <= len(payload)
    )


def split(payload: bytes, at: int) -> tuple[tuple[RawChunk, ...], bytes]:
    """Tell sub-chunks apart.

    Parameters
    ----------
    payload : bytes
    at : int
        Where the first sub-chunk starts: 4 in a ``LIST``, behind the list type.

    Returns
    -------
    chunks : tuple of RawChunk
    rest : bytes
        From the first sub-chunk on that does not fit; empty when all fit.
    """
    chunks: list[RawChunk] = []
    while len(payload) - at >= 8 and len(chunks) < MOST:
        start = at + 8
        size = int.from_bytes(payload[at + 4 : start], "little")
        end = start + size
        if end > len(payload):
            break
        pad = payload[end : end + size % 2]
        if pad and _fits(payload, end) and not _fits(payload, end + 1):
            pad = b""
        chunks.append(RawChunk(chunk_id=payload[at : at + 4], payload=payload[start:end], pad=pad))
        at = end + len(pad)
    return tuple(chunks), payload[at:]


def join(chunks: tuple[RawChunk, ...]) -> bytes:
    """Put chunks behind one another; the inverse of :func:`split`."""
    return b"".join(pack_chunk(chunk.chunk_id, chunk.payload, chunk.pad) for chunk in chunks)


def pack_chunk(chunk_id: bytes, payload: bytes, pad: bytes | None = None) -> bytes:
    """Put id and size before a payload, and behind it a zero, or the pad byte given."""
    if pad is None:
        pad = bytes(len(payload) % 2)
    return chunk_id + len(payload).to_bytes(4, "little") + payload + pad
