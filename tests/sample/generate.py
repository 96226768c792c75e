"""Write the sounds, pictures and truth of the sample session.

Run ``python -m tests.sample.generate`` from the root of the repository; with
``sounds`` or ``pictures`` as argument, only those are made. Sounds take seconds,
pictures some minutes. The sheet, the machine files and the
documents are written by hand and stay as they are.
"""

from __future__ import annotations

import concurrent.futures
import sys
from pathlib import Path

from tests.sample.drawing.machines import SCENES
from tests.sample.drawing.png import encode
from tests.sample.drawing.render import render
from tests.sample.recorder import RECORDER_CHUNK, flac, recorder_bext, wave
from tests.sample.scenario import Capture, captures, truth_text

__all__ = ["PICTURE_SIZE", "SESSION", "TRUTH", "sounds", "write_pictures", "write_sounds"]

ROOT = Path(__file__).resolve().parents[2]
SESSION = ROOT / "sample_session"
TRUTH = Path(__file__).with_name("truth.json")
PICTURE_SIZE = (1200, 800)
_PERFORMANCE_BEGAN_S = 14 * 3600 + 18 * 60 + 5


def sounds() -> tuple[dict[str, bytes], str]:
    """Make every captured file, by its path in the session folder, and the truth as JSON."""
    made, truth = captures()
    return {capture.file: _file_of(capture) for capture in made}, truth_text(truth)


def _file_of(capture: Capture) -> bytes:
    if capture.file.endswith(".flac"):
        return flac(capture.samples)
    if capture.take in {"t02", "t03"}:
        began_s = _PERFORMANCE_BEGAN_S if capture.take == "t03" else 14 * 3600 + 11 * 60 + 32
        chunks = [(b"bext", recorder_bext(began_s))]
        if capture.take == "t03":
            chunks.append((b"blgS", RECORDER_CHUNK))
        return wave(capture.samples, chunks)
    return wave(capture.samples)


def write_sounds(session: Path, truth: Path) -> None:
    """Write the takes into a session folder and the truth beside the tests."""
    files, text = sounds()
    for name, content in files.items():
        target = session / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    truth.write_text(text, encoding="utf-8", newline="\n")


def write_pictures(session: Path) -> None:
    """Render the photographs of a session folder, one process each where there are cores."""
    names = list(SCENES)
    with concurrent.futures.ProcessPoolExecutor() as pool:
        for name, content in zip(names, pool.map(_picture, names), strict=True):
            target = session / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)


def _picture(name: str) -> bytes:
    return encode(render(SCENES[name](), *PICTURE_SIZE))


if __name__ == "__main__":
    if sys.argv[1:] != ["pictures"]:
        write_sounds(SESSION, TRUTH)
    if sys.argv[1:] != ["sounds"]:
        write_pictures(SESSION)
