"""Small bags that the tests of this room and of custody make, look at and damage."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

from archiver.package import BagBuilder

PHOTOGRAPH = bytes(range(256)) * 3
SAMPLES = bytes((7 * i + i // 3) % 256 for i in range(4 * 40))
"""Forty frames of 16-bit stereo."""


def tiny_wav(samples: bytes = SAMPLES, rate_hz: int = 8, extra: bytes = b"") -> bytes:
    """A WAV of 16-bit stereo with ``extra`` chunks before the samples."""
    fmt = struct.pack("<HHIIHH", 1, 2, rate_hz, rate_hz * 4, 4, 16)
    body = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt + extra
    body += b"data" + struct.pack("<I", len(samples)) + samples
    return b"RIFF" + struct.pack("<I", len(body)) + body


def sources(folder: Path) -> Path:
    """A folder with a photograph; returns the photograph."""
    folder.mkdir(parents=True, exist_ok=True)
    photograph = folder / "horn.png"
    photograph.write_bytes(PHOTOGRAPH)
    return photograph


def make_bag(
    destination: Path,
    photograph: Path,
    name: str = "lhm-2026-04-18",
    algorithms: tuple[str, ...] = ("sha256",),
) -> Path:
    """Make a bag with a photograph, a master and two tag files."""
    with BagBuilder(destination, name, algorithms) as bag:
        bag.copy(photograph, "data/photographs/horn.png")
        with bag.create("data/masters/t01.wav") as master:
            wav = tiny_wav()
            master.write(bytes(44))
            master.write(wav[44:])
            master.seek(0)
            master.write(wav[:44])
        bag.adopt("data/masters/t01.wav")
        bag.write_payload("data/documents/notes.txt", b"Stylus no. 3\n")
        bag.write_tag("metadata/session.json", b'{"identifier": "lhm-2026-04-18"}\n')
        return bag.seal(
            [
                ("Source-Organization", "Lillehavn Museum of Machines"),
                ("Bagging-Date", "2026-04-18"),
            ]
        )


def contents(root: Path) -> dict[str, bytes]:
    """Every file below a directory, by path."""
    return {
        path.relative_to(root).as_posix(): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file()
    }


def write_bag(
    root: Path,
    payload: dict[str, bytes],
    *,
    version: str = "1.0",
    algorithm: str = "sha256",
    extra: dict[str, bytes] | None = None,
    tag_manifest: bool = True,
) -> Path:
    """A bag written by plain means, not by the code under test."""
    files = {f"data/{name}": content for name, content in payload.items()}
    tags = {
        "bagit.txt": f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n".encode(),
        f"manifest-{algorithm}.txt": manifest_of(files, algorithm),
    }
    tags |= extra or {}
    if tag_manifest:
        tags.setdefault(f"tagmanifest-{algorithm}.txt", manifest_of(tags, algorithm))
    (root / "data").mkdir(parents=True)
    for name, content in (files | tags).items():
        place = root / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
    return root


def manifest_of(files: dict[str, bytes], algorithm: str = "sha256") -> bytes:
    """Manifest lines as RFC 8493 section 2.1.3 asks for them."""
    return "".join(
        f"{hashlib.new(algorithm, content).hexdigest()}  "
        f"{name.replace('%', '%25').replace(chr(10), '%0A').replace(chr(13), '%0D')}\n"
        for name, content in files.items()
    ).encode()


def rewrite_tag_manifests(root: Path, algorithm: str = "sha256") -> None:
    """Make the tag manifest agree with tag files that a test has changed."""
    tags = {
        path.relative_to(root).as_posix(): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file()
        and not path.is_relative_to(root / "data")
        and not path.name.startswith("tagmanifest-")
    }
    (root / f"tagmanifest-{algorithm}.txt").write_bytes(manifest_of(tags, algorithm))
