"""Recorded human voices that a package of the test extra ships.

``moonshine-voice`` carries readings as WAV files; only the files are used, the
package itself is never imported.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import soundfile

from tests.signal.synthesis import Signal

__all__ = ["READINGS", "reading"]

READINGS = ("two_cities.wav", "beckett.wav")


def reading(name: str) -> tuple[Signal, int]:
    """One recording, shape (channels, frames), and its sample rate."""
    package = importlib.util.find_spec("moonshine_voice")
    assert package is not None
    assert package.origin is not None
    sound, rate = soundfile.read(Path(package.origin).parent / "assets" / name, always_2d=True)
    return np.asarray(sound.T), int(rate)
