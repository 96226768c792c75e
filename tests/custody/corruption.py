"""One corruptor for all tests of finding and healing: seeded damage that says what it did.

``damage`` changes a bag on the disk and returns which findings must follow: a set of pairs of
code and file, any further finding being allowed only about the same files.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

from tests.package.small_bags import manifest_of, rewrite_tag_manifests

KINDS = (
    "bit flip",
    "truncation",
    "deletion",
    "addition",
    "rename",
    "swap",
    "tag file",
    "manifest",
    "tag manifest",
    "manifest and file",
)


@dataclass(frozen=True)
class Damage:
    """What was done: kind, files touched, findings that must follow."""

    kind: str
    files: frozenset[str]
    expected: frozenset[tuple[str, str]]


def seeded(seed: int) -> random.Random:
    """Draw the same damage for the same seed."""
    return random.Random(seed)  # noqa: S311 - reproducible, not secret


def _payload(bag: Path) -> list[Path]:
    return sorted(path for path in (bag / "data").rglob("*") if path.is_file())


def _name(bag: Path, path: Path) -> str:
    return path.relative_to(bag).as_posix()


def flip(path: Path, rng: random.Random) -> int:
    """Flip one bit of a file; returns where."""
    content = bytearray(path.read_bytes())
    at = rng.randrange(len(content))
    content[at] ^= 1 << rng.randrange(8)
    path.write_bytes(content)
    return at


def damage(bag: Path, kind: str, rng: random.Random) -> Damage:
    """Damage a bag in one way."""
    payload = [path for path in _payload(bag) if path.stat().st_size]
    victim = rng.choice(payload)
    name = _name(bag, victim)
    match kind:
        case "bit flip":
            flip(victim, rng)
            return _told(kind, ("bag-checksum-differs", name))
        case "truncation":
            content = victim.read_bytes()
            victim.write_bytes(content[: rng.randrange(len(content))])
            return _told(kind, ("bag-checksum-differs", name), ("bag-oxum", "bag-info.txt"))
        case "deletion":
            victim.unlink()
            return _told(kind, ("bag-file-missing", name), ("bag-oxum", "bag-info.txt"))
        case "addition":
            stray = bag / "data" / rng.choice(["", "masters"]) / f"stray-{rng.randrange(99)}.wav"
            stray.write_bytes(rng.randbytes(rng.randrange(1, 99)))
            stray_name = _name(bag, stray)
            return _told(kind, ("bag-file-unlisted", stray_name), ("bag-oxum", "bag-info.txt"))
        case "rename":
            other = victim.with_name(f"other-{rng.randrange(99)}.wav")
            victim.rename(other)
            return _told(kind, ("bag-file-renamed", _name(bag, other)), also={name})
        case "swap":
            second = rng.choice([path for path in payload if path != victim])
            one, two = victim.read_bytes(), second.read_bytes()
            victim.write_bytes(two)
            second.write_bytes(one)
            return _told(
                kind,
                ("bag-checksum-differs", name),
                ("bag-checksum-differs", _name(bag, second)),
            )
        case "tag file":
            tag = bag / rng.choice(["metadata/session.json", "bag-info.txt"])
            flip(tag, rng)
            return _told(kind, ("bag-checksum-differs", _name(bag, tag)))
        case "manifest":
            path = bag / "manifest-sha256.txt"
            lines = path.read_text(encoding="utf-8").splitlines()
            at = rng.randrange(len(lines))
            digit = rng.randrange(64)
            other_digit = rng.choice([c for c in "0123456789abcdef" if c != lines[at][digit]])
            lines[at] = lines[at][:digit] + other_digit + lines[at][digit + 1 :]
            path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
            listed = lines[at].partition("  ")[2]
            return _told(kind, ("bag-checksum-differs", path.name), also={listed})
        case "tag manifest":
            path = bag / "tagmanifest-sha256.txt"
            flip(path, rng)
            # Whatever the flip made of it: only the ledger knows the file as it was.
            return _told(kind, ("manifest-not-as-recorded", path.name), also=_all(bag))
        case "manifest and file":
            victim.write_bytes(rng.randbytes(victim.stat().st_size))
            forge_manifests(bag)
            return _told(
                kind,
                ("manifest-not-as-recorded", "manifest-sha256.txt"),
                ("manifest-not-as-recorded", "tagmanifest-sha256.txt"),
            )
    raise ValueError(kind)


def forge_manifests(bag: Path) -> None:
    """Make both manifests agree with what lies in the bag now."""
    payload = {_name(bag, path): path.read_bytes() for path in _payload(bag)}
    (bag / "manifest-sha256.txt").write_bytes(manifest_of(payload))
    rewrite_tag_manifests(bag)


def _all(bag: Path) -> set[str]:
    return {_name(bag, path) for path in bag.rglob("*") if path.is_file()}


def _told(kind: str, *expected: tuple[str, str], also: set[str] | None = None) -> Damage:
    touched = {name for _, name in expected} | (also or set())
    return Damage(kind=kind, files=frozenset(touched), expected=frozenset(expected))
