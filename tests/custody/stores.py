"""Stores of small bags that the tests of auditing and repairing damage."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.package.small_bags import write_bag

CONTENT = {
    "masters/t01.wav": bytes(range(256)) * 5,
    "masters/t02.wav": bytes(range(255, -1, -1)) * 4,
    "photographs/horn.png": b"\x89PNG horn" * 20,
    "documents/notes.txt": b"Stylus no. 3\n",
}
PAYLOAD_BYTES = sum(map(len, CONTENT.values()))


def small_bag(root: Path, salt: int = 0) -> Path:
    """A bag by plain means whose content differs with the salt."""
    payload = {name: content + f"{salt}".encode() for name, content in CONTENT.items()}
    octets = sum(map(len, payload.values()))
    return write_bag(
        root,
        payload,
        extra={
            "bag-info.txt": f"Payload-Oxum: {octets}.{len(payload)}\n".encode(),
            "metadata/session.json": b'{"identifier": "%d"}\n' % salt,
        },
    )


def small_store(root: Path, count: int = 4) -> Path:
    """A store of that many bags, the last in a folder of its own."""
    for number in range(count):
        place = root / f"bag-{number}"
        if number and number == count - 1:
            place = root / "2026" / f"bag-{number}"
        small_bag(place, number)
    return root


def copied(store: Path, to: Path) -> Path:
    """The same store once more."""
    shutil.copytree(store, to)
    return to
