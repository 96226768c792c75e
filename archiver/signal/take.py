"""All meters over one take, in one pass.

The bytes are decoded once and cut into blocks of one length, so that the figures
do not depend on how the bytes arrive. The meters are spread over lanes; each
lane is a consumer of :func:`archiver.signal.stream.run_pass` and may run in a
thread of its own.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from math import isnan
from typing import Any

from archiver.errors import InputError
from archiver.signal.channels import Pair, PairMeter
from archiver.signal.clicks import ClickMeter, Clicks
from archiver.signal.cutoff import spectral_cutoff_hz
from archiver.signal.cuts import CutProposal, propose_cuts
from archiver.signal.depth import DepthMeter
from archiver.signal.faults import (
    FaultSpan,
    clipping,
    dropouts,
    quantisation_step,
    still_stretches,
)
from archiver.signal.hum import Hum, Surroundings, most_of_rounding
from archiver.signal.levels import LevelMeter, decibels
from archiver.signal.loudness import RANGE_STEP_S, LoudnessCourse, LoudnessMeter
from archiver.signal.lowend import LowEndMeter
from archiver.signal.noise import ChannelNoise, channel_noise, quiet_spectrum
from archiver.signal.repeats import Repeat, RepeatMeter
from archiver.signal.runs import RunMeter
from archiver.signal.samples import Block, BlockReader, Bytes, SampleFormat
from archiver.signal.spectrum import ShortTimeSpectra, SpectrumMeter
from archiver.signal.stream import Consumer, Meter
from archiver.signal.truepeak import TruePeakMeter, oversampling

__all__ = ["ChannelMeasurements", "TakeMeasurements", "TakeMeter"]

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 384_000
_MOST_LANES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelMeasurements:
    """What was measured on one channel; None where there is nothing to measure.

    ``depth_occupancy`` is the share of possible 24-bit values near zero that occur;
    ``cutoff_hz`` is where the spectrum breaks off far below half the sample rate.
    """

    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    crest_factor_db: float | None
    dc_offset: float
    dc_offset_dbfs: float | None
    bits_used: int | None
    depth_occupancy: float | None
    invalid_samples: int
    noise: ChannelNoise
    hum: Hum | None
    cutoff_hz: float | None
    clicks: Clicks
    clipped: tuple[FaultSpan, ...]
    dropouts: tuple[FaultSpan, ...]
    still: tuple[FaultSpan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeMeasurements:
    """What was measured on a take; None where it cannot be measured.

    ``spare_bytes`` counts bytes after the last whole frame, which no figure includes.
    """

    format: SampleFormat
    frames: int
    duration_s: float
    spare_bytes: int
    channel_weights: tuple[float, ...]
    integrated_lufs: float | None
    range_lu: float | None
    range_step_s: float
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    course: LoudnessCourse
    true_peak_dbtp: float | None
    oversampling: int
    channels: tuple[ChannelMeasurements, ...]
    pairs: tuple[Pair, ...]
    repeats: tuple[Repeat, ...]
    cuts: tuple[CutProposal, ...]


class _SharedReader:
    """Decodes each piece of bytes when the first lane asks, and drops it after the last."""

    def __init__(self, fmt: SampleFormat, lanes: int) -> None:
        self._reader = BlockReader(fmt)
        self._lanes = lanes
        self._lock = threading.Lock()
        self._decoded = 0
        self._waiting: dict[int, tuple[list[Block], int]] = {}
        self.frames = 0

    def blocks(self, piece: int, raw: Bytes) -> list[Block]:
        """Return the blocks that the n-th piece completes."""
        with self._lock:
            if piece == self._decoded:
                blocks = self._reader.feed(raw)
                self.frames += sum(block.frames for block in blocks)
                self._decoded += 1
                if self._lanes > 1:
                    self._waiting[piece] = (blocks, self._lanes - 1)
                return blocks
            blocks, left = self._waiting.pop(piece)
            if left > 1:
                self._waiting[piece] = (blocks, left - 1)
            return blocks

    @property
    def waiting(self) -> int:
        """Number of pieces that some lane has not had yet."""
        return len(self._waiting)

    def finish(self) -> tuple[list[Block], int]:
        """Return the last block and the bytes that make no whole frame."""
        blocks, spare = self._reader.finish()
        self.frames += sum(block.frames for block in blocks)
        return blocks, spare


class _Lane:
    def __init__(self, reader: _SharedReader, meters: Sequence[Meter[Any]]) -> None:
        self._reader = reader
        self._meters = meters
        self._piece = 0

    def __call__(self, raw: Bytes) -> None:
        blocks = self._reader.blocks(self._piece, raw)
        self._piece += 1
        self.feed(blocks)

    def feed(self, blocks: Sequence[Block]) -> None:
        for block in blocks:
            for meter in self._meters:
                meter.feed(block)


def _dealt(meters: Sequence[tuple[Meter[Any], float]], lanes: int) -> list[list[Meter[Any]]]:
    """Deal meters, the most expensive first, each to the lane that has least to do."""
    dealt: list[list[Meter[Any]]] = [[] for _ in range(lanes)]
    costs = [0.0] * lanes
    for meter, cost in meters:
        lane = costs.index(min(costs))
        dealt[lane].append(meter)
        costs[lane] += cost
    return dealt


class TakeMeter:
    """Measures a take from its sample bytes.

    Parameters
    ----------
    fmt : SampleFormat
        Format of the bytes; 8 kHz to 384 kHz.
    channel_weights : sequence of float, optional
        Weight of each channel in the loudness, see
        :func:`archiver.signal.loudness.channel_weights`; 1 for each by default.

    Raises
    ------
    InputError
        The sample rate is outside these limits, or the weights are not one a channel.
    """

    def __init__(self, fmt: SampleFormat, channel_weights: Sequence[float] | None = None) -> None:
        if not LOWEST_RATE_HZ <= fmt.sample_rate_hz <= HIGHEST_RATE_HZ:
            raise InputError(
                f"sound at a sample rate of {fmt.sample_rate_hz} Hz cannot be measured",
                accepted=f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
            )
        weights = (1.0,) * fmt.channels if channel_weights is None else tuple(channel_weights)
        if len(weights) != fmt.channels:
            raise InputError(
                f"{len(weights)} channel weights for {fmt.channels} channels",
                accepted="one weight for each channel",
            )
        self._format = fmt
        self._weights = weights
        self._loudness = LoudnessMeter(fmt.sample_rate_hz, weights)
        self._levels = LevelMeter(fmt.channels)
        self._true_peak = TruePeakMeter(fmt.sample_rate_hz, fmt.channels)
        self._clicks = ClickMeter(fmt.sample_rate_hz, fmt.channels)
        self._runs = RunMeter(fmt.sample_rate_hz, fmt.channels)
        self._repeats = RepeatMeter(fmt.sample_rate_hz)
        self._depth = DepthMeter(fmt.channels, fmt.valid_bits)
        self._pairs = PairMeter(fmt.channels)
        self._spectrum = SpectrumMeter(fmt.sample_rate_hz, fmt.channels)
        self._low_end = LowEndMeter(fmt.sample_rate_hz, fmt.channels)
        # Beside each meter, what it costs in nanoseconds a sample.
        lanes = _dealt(
            (
                (self._spectrum, 3.3),
                (self._loudness, 2.5),
                (self._true_peak, 1.6),
                (self._low_end, 1.3),
                (self._clicks, 0.8),
                (self._runs, 0.7),
                (self._levels, 0.5),
                (self._repeats, 0.4),
                (self._depth, 0.3),
                (self._pairs, 0.1),
            ),
            # One core is left for the digests that run beside the meters.
            min(_MOST_LANES, max(1, (os.cpu_count() or 1) - 1)),
        )
        self._reader = _SharedReader(fmt, len(lanes))
        self._lanes = [_Lane(self._reader, meters) for meters in lanes]

    def consumers(self) -> tuple[Consumer, ...]:
        """Return the consumers; every one of them needs all the bytes, in order."""
        return tuple(self._lanes)

    @property
    def waiting_pieces(self) -> int:
        """Pieces that were decoded and that some lane has not had yet."""
        return self._reader.waiting

    def result(self) -> TakeMeasurements:
        """Return the measurements; call it once, after the last byte."""
        blocks, spare = self._reader.finish()
        for lane in self._lanes:
            lane.feed(blocks)
        rate = self._format.sample_rate_hz
        loudness = self._loudness.result()
        true_peaks = self._true_peak.result()
        spectra = self._spectrum.result()
        return TakeMeasurements(
            format=self._format,
            frames=self._reader.frames,
            duration_s=self._reader.frames / rate,
            spare_bytes=spare,
            channel_weights=self._weights,
            integrated_lufs=loudness.integrated_lufs,
            range_lu=loudness.range_lu,
            range_step_s=RANGE_STEP_S,
            max_momentary_lufs=loudness.max_momentary_lufs,
            max_short_term_lufs=loudness.max_short_term_lufs,
            course=self._loudness.course(),
            true_peak_dbtp=decibels(max(true_peaks)),
            oversampling=oversampling(rate),
            channels=self._channels(true_peaks, spectra),
            pairs=self._all_pairs(spectra),
            repeats=self._repeats.result(),
            cuts=propose_cuts(spectra.bands),
        )

    def _channels(
        self, true_peaks: tuple[float, ...], spectra: ShortTimeSpectra
    ) -> tuple[ChannelMeasurements, ...]:
        rate = self._format.sample_rate_hz
        all_levels, occupancies = self._levels.result(), self._depth.result()
        low_end = self._low_end.result(
            [
                Surroundings(
                    rounding_power=most_of_rounding(levels.bits_used, occupancy),
                    total_power=levels.power_without_mean,
                )
                for levels, occupancy in zip(all_levels, occupancies, strict=True)
            ]
        )
        found = []
        for levels, peak, occupancy, clicks, runs, fine, low, hum in zip(
            all_levels,
            true_peaks,
            occupancies,
            self._clicks.result(),
            self._runs.result(),
            spectra.channels,
            low_end.spectra,
            low_end.hum,
            strict=True,
        ):
            quiet = quiet_spectrum(fine)
            found.append(
                ChannelMeasurements(
                    true_peak_dbtp=decibels(peak),
                    **asdict(levels),
                    depth_occupancy=occupancy,
                    noise=channel_noise(fine, spectra.bin_hz, low, low_end.bin_hz, rate),
                    hum=hum,
                    cutoff_hz=(
                        spectral_cutoff_hz(
                            quiet, spectra.bin_hz, rate, quantisation_step(levels.bits_used)
                        )
                        if quiet is not None
                        else None
                    ),
                    clicks=clicks,
                    clipped=clipping(runs, levels.bits_used, rate),
                    dropouts=dropouts(runs, levels.bits_used, rate),
                    still=still_stretches(runs, rate),
                )
            )
        return tuple(found)

    def _all_pairs(self, spectra: ShortTimeSpectra) -> tuple[Pair, ...]:
        identical, opposite = self._pairs.result()
        found = []
        for one, two in combinations(range(self._format.channels), 2):
            correlation = float(spectra.correlation[one, two])
            found.append(
                Pair(
                    first=one + 1,
                    second=two + 1,
                    identical=(one, two) in identical,
                    opposite=(one, two) in opposite,
                    correlation=None if isnan(correlation) else correlation,
                )
            )
        return tuple(found)
