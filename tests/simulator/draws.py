"""Random numbers that are the same on every machine for one seed.

NumPy promises that the raw integers of a bit generator stay the same from version
to version, and not that the distributions drawn from them do; so only the raw
integers of PCG64 are taken, and the distributions are made here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["Draws", "Samples"]

Samples = npt.NDArray[np.float64]
"""Sound of one channel or a curve, shape (frames,), full scale 1.0."""

T = TypeVar("T")


class Draws:
    """A stream of random numbers, and named streams that branch off it.

    Parameters
    ----------
    seed : int
        Any integer.
    purpose : str
        Streams of different purposes are independent, so that a new kind of draw
        changes none of the others.
    """

    def __init__(self, seed: int, purpose: str = "") -> None:
        self._name = f"{seed}/{purpose}"
        digest = hashlib.sha256(self._name.encode("utf-8")).digest()
        self._bits = np.random.PCG64(int.from_bytes(digest[:16], "big"))
        self._seed = seed
        self._purpose = purpose

    def branch(self, purpose: str) -> Draws:
        """Return an independent stream for one purpose."""
        return Draws(self._seed, f"{self._purpose}/{purpose}")

    def uniforms(self, count: int, low: float = 0.0, high: float = 1.0) -> Samples:
        """Return numbers spread evenly over low <= x < high, shape (count,)."""
        raw = np.asarray(self._bits.random_raw(count), dtype=np.uint64)
        return low + (high - low) * ((raw >> np.uint64(11)).astype(np.float64) * 2.0**-53)

    def normals(self, count: int) -> Samples:
        """Return Gaussian numbers of mean 0 and standard deviation 1, shape (count,)."""
        half = (count + 1) // 2
        # 1 - u lies in (0, 1], so that the logarithm is finite.
        radius = np.sqrt(-2.0 * np.log(1.0 - self.uniforms(half)))
        angle = 2.0 * np.pi * self.uniforms(half)
        return np.concatenate([radius * np.cos(angle), radius * np.sin(angle)])[:count]

    def uniform(self, low: float, high: float) -> float:
        """Return one number of low <= x < high."""
        return float(self.uniforms(1, low, high)[0])

    def below(self, bound: int) -> int:
        """Return one whole number of 0 <= n < bound."""
        return int(self.uniform(0.0, float(bound)))

    def chance(self, probability: float) -> bool:
        """Return true with the given probability."""
        return self.uniform(0.0, 1.0) < probability

    def one_of(self, choices: Sequence[T]) -> T:
        """Return one of the choices, each as likely as the others."""
        return choices[self.below(len(choices))]
