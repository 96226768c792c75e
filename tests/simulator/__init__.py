"""A simulator of demonstrations, with the truth that measurements are judged by.

Everything is synthesised from a seed: voices, melodies, machines, media, rooms. The
same seed gives the same samples to within the rounding of the platform's arithmetic.
"""

from __future__ import annotations

from tests.simulator.cases import Case, random_case
from tests.simulator.demonstration import Groove, Works, cut, perform, play, quantised
from tests.simulator.draws import Draws, Samples
from tests.simulator.horn import Horn, Resonance
from tests.simulator.medium import Medium, Seam, Wear
from tests.simulator.resampling import sound_at
from tests.simulator.room import Room
from tests.simulator.rotation import Ripple, SpeedCurve, turning
from tests.simulator.truth import ReproductionTruth, RotationTruth, as_json_text
from tests.simulator.voice import Voice, babble, speak

__all__ = [
    "Case",
    "Draws",
    "Groove",
    "Horn",
    "Medium",
    "ReproductionTruth",
    "Resonance",
    "Ripple",
    "Room",
    "RotationTruth",
    "Samples",
    "Seam",
    "SpeedCurve",
    "Voice",
    "Wear",
    "Works",
    "as_json_text",
    "babble",
    "cut",
    "perform",
    "play",
    "quantised",
    "random_case",
    "sound_at",
    "speak",
    "turning",
]
