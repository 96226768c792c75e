"""Small sessions made for one test each: a sheet of the least that is accepted, real captures."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from textwrap import indent

import numpy as np
import soundfile

RATE_HZ = 48_000

HEAD = """\
schema: session 1
session:
  identifier: {identifier}
  title: {title}
  start: 2026-05-03T10:00:00+02:00
  place: Værksted
  purpose: Trying out
  summary: A short trial.
  language: da
  subjects: [trial]
  rights: {{statement: Free to use, holder: Museet}}
organisation: {{name: Museet for Lyd, country: DK, code: MFL}}
operators:
  - id: op
    name: Åse Brønd
    role: recording engineer
    consent: {{given: yes, date: 2026-05-03, scope: all}}
chains:
  - id: main
    microphones:
      - {{id: m1, maker: A, model: B, serial: "1", position: front, distance: 1 m, channel: 1}}
    recorder: {{maker: A, model: C, serial: "2"}}
    sample_rate: 48 kHz
    bit_depth: 24
    channel_layout: mono
    channels: [horn mouth]
takes:
"""


def take(identifier: str, file: str, **more: str) -> dict[str, str]:
    """One take of room tone, unless told otherwise."""
    return {"id": identifier, "file": file, "kind": "room tone"} | more


def write_sheet(
    folder: Path,
    takes: list[dict[str, str]],
    *,
    identifier: str = "trial-1",
    title: str = "Prøve",
    edit: Callable[[str], str] = lambda text: text,
) -> None:
    """Write ``session.yaml`` and the folders that belong beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("takes", "machines", "photographs", "documents"):
        (folder / name).mkdir(exist_ok=True)
    text = HEAD.format(identifier=identifier, title=title)
    for entry in takes:
        lines = "\n".join(f"{key}: {value}" for key, value in entry.items())
        text += "  -" + indent(lines, "    ")[3:] + "\n"
    (folder / "session.yaml").write_text(edit(text), encoding="utf-8")


def sound(seconds: float, *, channels: int = 1, seed: int = 1) -> np.ndarray:
    """Noise of about -20 dBFS, shape (frames, channels)."""
    random = np.random.Generator(np.random.PCG64(seed))
    return random.standard_normal((round(seconds * RATE_HZ), channels)) * 0.1


def write_take(
    path: Path, samples: np.ndarray, *, subtype: str = "PCM_24", form: str | None = None
) -> None:
    """Write a capture with libsndfile, as an independent recorder would."""
    soundfile.write(path, samples, RATE_HZ, subtype=subtype, format=form)


def make_session(
    folder: Path, seconds: float = 1.0, takes: int = 1, edit: Callable[[str], str] = lambda t: t
) -> Path:
    """Make a session that can be archived; return its folder."""
    write_sheet(folder, [take(f"t{n}", f"takes/t{n}.wav") for n in range(1, takes + 1)], edit=edit)
    for number in range(1, takes + 1):
        write_take(folder / "takes" / f"t{number}.wav", sound(seconds, seed=number))
    return folder


MACHINE = """\
schema: machine 1
id: vesterholm-b
names: [Vesterholm Stemmebog B]
type: wax-cylinder dictating machine
made: {place: Ravnsø, date: "[1909..1912]"}
"""
PICTURE = """\
photographs:
  - {file: photographs/machine.png, caption: The machine, machine: vesterholm-b}
"""


def make_session_with_machine(folder: Path, takes: int = 2) -> Path:
    """Make a session of room tone with a machine that stands by, and a picture of it."""
    make_session(folder, takes=takes, edit=lambda text: text + PICTURE)
    (folder / "machines/vesterholm-b.yaml").write_text(MACHINE, encoding="utf-8")
    sample = Path(__file__).resolve().parents[2] / "sample_session"
    picture = (sample / "photographs/vesterholm-b.png").read_bytes()
    (folder / "photographs/machine.png").write_bytes(picture)
    return folder


def snapshot(folder: Path) -> Mapping[str, tuple[int, bytes]]:
    """Everything below a folder: time of change and content, to show that nothing changed."""
    return {
        str(path.relative_to(folder)): (path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def chunk(identifier: bytes, payload: bytes) -> bytes:
    """A RIFF chunk, written here by hand and not by the code under test."""
    return identifier + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) % 2)


def riff(*chunks: bytes) -> bytes:
    """A RIFF file of these chunks."""
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def fmt(channels: int = 1, bits: int = 24, rate: int = RATE_HZ) -> bytes:
    """A ``fmt `` chunk of linear PCM."""
    align = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", 1, channels, rate, rate * align, align, bits))
