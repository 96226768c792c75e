"""How much room a bag takes, and whether there is so much."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from archiver import files
from archiver.errors import SurroundingsError

__all__ = ["bytes_needed", "require_space"]

_CLUSTER_BYTES = 4096
_MANIFEST_LINE_BYTES = 256


def bytes_needed(payload_sizes: Iterable[int], *, tag_bytes: int = 0) -> int:
    """Estimate the space that a bag takes, manifests and rounding to clusters included.

    Parameters
    ----------
    payload_sizes : iterable of int
        Size of each payload file in bytes.
    tag_bytes : int
        What the tag files will hold, if known.
    """
    total = count = 0
    for size in payload_sizes:
        total += -(-size // _CLUSTER_BYTES) * _CLUSTER_BYTES
        count += 1
    return total + tag_bytes + count * _MANIFEST_LINE_BYTES + 8 * _CLUSTER_BYTES


def require_space(destination: Path, needed_bytes: int) -> None:
    """Refuse to begin when the bag cannot fit.

    Raises
    ------
    SurroundingsError
        The file system has less room; both figures are named.
    """
    free = files.free_bytes(destination)
    if free < needed_bytes:
        raise SurroundingsError(
            f"the bag needs {needed_bytes} bytes and {free} are free",
            where=str(destination),
            remedy=f"Free at least {needed_bytes - free} bytes or choose another destination",
        )
