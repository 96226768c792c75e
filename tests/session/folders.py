"""Session folders for the tests: the template made whole, and one change at a time."""

from __future__ import annotations

from pathlib import Path

from archiver.findings import Finding
from archiver.session import Loaded, load_session, template_files

# Only the signature is looked at in this room: PNG, ISO/IEC 15948, 5.2; JPEG, SOI marker.
PNG = b"\x89PNG\r\n\x1a\n" + bytes(24)
JPEG = b"\xff\xd8\xff\xe0" + bytes(28)

FILES = {
    "takes/0001.wav": b"RIFF",
    "takes/0002.wav": b"RIFF",
    "photographs/horn.jpg": JPEG,
    "photographs/machine.jpg": JPEG,
    "documents/notes.txt": b"Notes.\n",
}


def whole_session(folder: Path) -> Path:
    """Write the template and every file that it lists; nothing is to be found in it."""
    for path, text in template_files().items():
        write(folder, path, text.encode("utf-8"))
    for path, content in FILES.items():
        write(folder, path, content)
    return folder


def write(folder: Path, path: str, content: bytes) -> None:
    target = folder / path
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(content)


def edit(folder: Path, path: str, old: str, new: str) -> None:
    """Replace a text that stands in the file exactly once."""
    target = folder / path
    text = target.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {path}"
    target.write_text(text.replace(old, new), encoding="utf-8")


def codes(loaded: Loaded) -> list[str]:
    return [finding.code for finding in loaded.findings]


def only(folder: Path) -> Finding:
    """Load, and return the one finding that there is."""
    findings = load_session(folder).findings
    assert len(findings) == 1, "\n".join(f"{f.code} {f.where}: {f.message}" for f in findings)
    return findings[0]


def line_of(folder: Path, path: str, text: str) -> int:
    """Return the number of the only line that holds a text."""
    lines = (folder / path).read_text(encoding="utf-8").splitlines()
    numbers = [number for number, line in enumerate(lines, start=1) if text in line]
    assert len(numbers) == 1, f"{text!r} stands in lines {numbers}"
    return numbers[0]
