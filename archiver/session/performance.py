"""What was measured on the takes of a machine, so that two machines can be compared by it.

Figures come from the records of bags; nothing is measured here. A figure with an
uncertainty stands for its 95 % interval, and two of them differ only where the
intervals have nothing in common.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Figure", "PerformanceRow", "TakeFigures", "in_words", "performance_rows"]

_MOST_PLACES = 6
_LARGEST_WRITTEN_OUT = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A measured value.

    Parameters
    ----------
    value : float
    unit : str
    uncertainty : float, optional
        Half-width of the 95 % interval, in the unit; None where none is recorded.
    places : int
        Decimals of a value without uncertainty.
    """

    value: float
    unit: str
    uncertainty: float | None = None
    places: int = 1

    def __str__(self) -> str:
        """Say the value to the digits that its uncertainty leaves.

        Two digits of the uncertainty are kept (JCGM 100:2008, 7.2.6).
        """
        unit = f" {self.unit}" if self.unit else ""
        if self.uncertainty is None:
            return f"{self.value:.{self.places}f}{unit}"
        if max(abs(self.value), self.uncertainty) >= _LARGEST_WRITTEN_OUT:
            return f"{self.value:.3g} ± {self.uncertainty:.2g}{unit}"
        places = self._places(self.uncertainty)
        value, width = round(self.value, places), round(self.uncertainty, places)
        shown = max(0, places)
        spread = f" ± {width:.{shown}f}" if width else ""
        return f"{value:.{shown}f}{spread}{unit}"

    @staticmethod
    def _places(uncertainty: float) -> int:
        if uncertainty <= 0 or not math.isfinite(uncertainty):
            return 2
        return min(_MOST_PLACES, 1 - math.floor(math.log10(uncertainty)))

    def may_equal(self, other: Figure) -> bool:
        """Say whether the intervals of two figures of one unit have something in common."""
        if self.uncertainty is None or other.uncertainty is None:
            return str(self) == str(other)
        return abs(self.value - other.value) <= self.uncertainty + other.uncertainty

    def as_json(self) -> dict[str, Any]:
        """Return value, unit and uncertainty."""
        return {"value": self.value, "uncertainty": self.uncertainty, "unit": self.unit}


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFigures:
    """What is recorded of a take; None where it was not measured.

    Parameters
    ----------
    take : str
        Id, with the session before it where several are compared.
    stated_speed, speed, recording_speed : Figure, optional
        In rpm: as stated, as measured in the take, and of the machine that recorded what
        is played.
    wavering, drift : Figure, optional
        Weighted wow and flutter, and drift.
    usable_band : (Figure, Figure), optional
        Lower and upper edge of what came through from the performance.
    integrated_lufs, signal_to_noise_db : float, optional
        Loudness, and signal to noise of the first channel.
    bandwidth_hz : (float, float), optional
        Band above the noise of the first channel.
    noise_source : str
        Where that noise was measured: ``quiet parts`` or ``room tone``; empty if not known.
    """

    take: str
    stated_speed: Figure | None = None
    speed: Figure | None = None
    recording_speed: Figure | None = None
    wavering: Figure | None = None
    drift: Figure | None = None
    usable_band: tuple[Figure, Figure] | None = None
    integrated_lufs: float | None = None
    signal_to_noise_db: float | None = None
    bandwidth_hz: tuple[float, float] | None = None
    noise_source: str = ""


_Figures = tuple[Figure, ...]


def _ratio_over(source: str) -> Callable[[TakeFigures], _Figures]:
    """Return what reads signal to noise where the noise is of one source."""

    def read(one: TakeFigures) -> _Figures:
        return _plain(one.signal_to_noise_db, unit="dB") if one.noise_source == source else ()

    return read


def _band_over(source: str) -> Callable[[TakeFigures], _Figures]:
    """Return what reads the band above the noise where the noise is of one source."""

    def read(one: TakeFigures) -> _Figures:
        edges = one.bandwidth_hz if one.noise_source == source else None
        return _plain(*(edges or ()), unit="Hz", places=0)

    return read


_QUANTITIES: tuple[tuple[str, str, Callable[[TakeFigures], _Figures]], ...] = (
    ("speed", "stated", lambda one: _some(one.stated_speed)),
    ("speed", "measured", lambda one: _some(one.speed)),
    ("speed of the recording", "derived", lambda one: _some(one.recording_speed)),
    ("wow and flutter, weighted", "measured", lambda one: _some(one.wavering)),
    ("drift", "measured", lambda one: _some(one.drift)),
    ("band that came through", "measured", lambda one: one.usable_band or ()),
    ("loudness", "measured", lambda one: _plain(one.integrated_lufs, unit="LUFS")),
    *(
        row
        for source, noise in (
            ("quiet parts", "its quietest tenth"),
            ("room tone", "the room tone"),
            ("", "noise"),
        )
        for row in (
            (f"signal over {noise}", "measured", _ratio_over(source)),
            (f"band above {noise}", "measured", _band_over(source)),
        )
    ),
)


def _some(figure: Figure | None) -> _Figures:
    return () if figure is None else (figure,)


def _plain(*values: float | None, unit: str, places: int = 1) -> _Figures:
    return tuple(
        Figure(value=value, unit=unit, places=places) for value in values if value is not None
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PerformanceRow:
    """A quantity on both sides, take by take; ``basis`` is stated, measured or derived."""

    kind: str
    quantity: str
    basis: str
    left: Mapping[str, _Figures]
    right: Mapping[str, _Figures]

    @property
    def name(self) -> str:
        """Name of the line."""
        return f"{self.kind}: {self.quantity}, {self.basis}"

    @property
    def differs(self) -> bool:
        """Say whether no take of one side may agree with any of the other."""
        return bool(self.left and self.right) and not any(
            all(a.may_equal(b) for a, b in zip(one, other, strict=True))
            for one in self.left.values()
            for other in self.right.values()
        )


def in_words(takes: Mapping[str, _Figures]) -> str:
    """Say the figures of one side."""
    return "; ".join(
        f"{take}: {' to '.join(str(figure) for figure in figures)}"
        for take, figures in takes.items()
    )


def performance_rows(
    left: Mapping[str, Sequence[TakeFigures]], right: Mapping[str, Sequence[TakeFigures]]
) -> Iterator[PerformanceRow]:
    """Set what was measured on two machines beside each other.

    Parameters
    ----------
    left, right : mapping of str to sequence of TakeFigures
        By the kind of the takes.
    """
    for kind in dict.fromkeys((*left, *right)):
        for quantity, basis, figures in _QUANTITIES:
            mine, theirs = (
                {one.take: found for one in takes if (found := figures(one))}
                for takes in (_of(left, kind), _of(right, kind))
            )
            if mine or theirs:
                yield PerformanceRow(
                    kind=kind, quantity=quantity, basis=basis, left=mine, right=theirs
                )


def _of(takes: Mapping[str, Sequence[TakeFigures]], kind: str) -> Iterable[TakeFigures]:
    return takes.get(kind, ())
