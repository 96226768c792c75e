"""The low end of a take: hum, and spectra that resolve the bands below 90 Hz."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from archiver.signal.hum import Hum, HumMeter, Surroundings
from archiver.signal.levelsorted import LevelSorted
from archiver.signal.lowband import Decimator, LowBandMeter
from archiver.signal.samples import Block

__all__ = ["LowEnd", "LowEndMeter"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LowEnd:
    """Hum and low spectra of each channel; ``bin_hz`` is the width of a bin of the spectra."""

    hum: tuple[Hum | None, ...]
    spectra: tuple[LevelSorted, ...]
    bin_hz: float


class LowEndMeter:
    """Meters what lies below about 600 Hz."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._decimator = Decimator(sample_rate_hz, channels)
        self._bands = LowBandMeter(self._decimator.rate_hz, channels)
        self._hum = HumMeter(self._decimator.rate_hz, channels)

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        decimated = self._decimator.feed(block.values)
        self._bands.feed(decimated)
        self._hum.feed(decimated)

    def result(self, beside: Sequence[Surroundings] | None = None) -> LowEnd:
        """Return what was found; ``beside`` is that of :meth:`HumMeter.result`."""
        return LowEnd(
            hum=self._hum.result(beside), spectra=self._bands.spectra, bin_hz=self._bands.bin_hz
        )
