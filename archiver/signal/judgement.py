"""From measurements to findings: what a person should look at before a capture is archived."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from archiver.findings import Finding, Rule, Where, in_order
from archiver.signal import rules
from archiver.signal.channels import swapped_takes
from archiver.signal.faults import FaultSpan
from archiver.signal.take import ChannelMeasurements, TakeMeasurements
from archiver.telling import count

__all__ = ["judge_capture", "judge_session"]

_MOST_SPANS = 5
_DEAD_DBFS = -80.0
_SOUNDING_DBFS = -50.0
_OPPOSITE = -0.9
_DC_DBFS = -60.0
_OCCUPANCY = 0.6
_HUM_TOLERANCE = 0.002


def judge_capture(
    measured: TakeMeasurements, file: str, *, meanings: Sequence[str] = ()
) -> tuple[Finding, ...]:
    """Return what is wrong with a capture, in stable order.

    Parameters
    ----------
    measured : TakeMeasurements
        Of the whole capture.
    file : str
        Its path in the session folder, for the findings.
    meanings : sequence of str
        What the channels carry according to the sheet; empty when not stated.
    """
    return in_order(_all(measured, file, meanings))


def judge_session(takes: Sequence[tuple[str, TakeMeasurements]]) -> tuple[Finding, ...]:
    """Return what only the takes of one capture chain together can tell.

    Parameters
    ----------
    takes : sequence of (str, TakeMeasurements)
        File and measurements of each take of one chain.
    """
    noises = [[channel.noise for channel in measured.channels] for _, measured in takes]
    return in_order(
        rules.CAPTURE_CHANNELS_SWAPPED.at(
            Where(file=takes[index][0]),
            f"channels {one} and {two} carry each other's noise, compared with the other takes",
            accepted="channels in the same order in every take of a chain",
        )
        for index, one, two in swapped_takes(noises)
    )


def _all(measured: TakeMeasurements, file: str, meanings: Sequence[str]) -> Iterator[Finding]:
    whole = Where(file=file)
    if meanings and len(meanings) != len(measured.channels):
        yield rules.CAPTURE_CHANNEL_COUNT.at(
            whole,
            f"the file has {count(len(measured.channels), 'channel')}, the sheet describes "
            f"{len(meanings)}",
            accepted="one entry in channels for each channel of the file",
        )
    if measured.spare_bytes:
        yield rules.CAPTURE_PART_FRAME.at(
            whole, f"{count(measured.spare_bytes, 'byte')} after the last whole frame"
        )
    if measured.frames and all(_silent(channel, measured) for channel in measured.channels):
        yield rules.CAPTURE_SILENT.at(
            whole,
            "every sample is the same",
            accepted="sound in at least one channel",
        )
        return
    yield from _between_channels(measured, whole)
    yield from _repeats(measured, file)
    for number, channel in enumerate(measured.channels, start=1):
        yield from _one_channel(measured, channel, f"channel {number}", file)


def _silent(channel: ChannelMeasurements, measured: TakeMeasurements) -> bool:
    return channel.sample_peak_dbfs is None or any(
        span.end_s - span.start_s >= measured.duration_s for span in channel.still
    )


def _between_channels(measured: TakeMeasurements, whole: Where) -> Iterator[Finding]:
    levels = [channel.rms_dbfs for channel in measured.channels]
    loudest = max((level for level in levels if level is not None), default=-200.0)
    dead = set()
    for number, level in enumerate(levels, start=1):
        if loudest > _SOUNDING_DBFS and (level is None or level < _DEAD_DBFS):
            dead.add(number)
            found = "digital silence" if level is None else f"{level:.1f} dBFS RMS"
            yield rules.CAPTURE_CHANNEL_DEAD.at(
                whole,
                f"channel {number} holds {found}, the loudest channel {loudest:.1f} dBFS",
                accepted=f"sound above {_DEAD_DBFS:g} dBFS RMS in every channel",
            )
    for pair in measured.pairs:
        if dead & {pair.first, pair.second}:
            continue
        names = f"channels {pair.first} and {pair.second}"
        if pair.identical:
            yield rules.CAPTURE_CHANNEL_DUPLICATED.at(
                whole,
                f"{names} hold the same samples",
                accepted="a sound of its own in every channel",
            )
        elif pair.opposite:
            yield rules.CAPTURE_CHANNEL_OPPOSITE.at(
                whole,
                f"{names} hold the same samples with opposite sign",
                accepted="channels of one polarity",
            )
        elif pair.correlation is not None and pair.correlation < _OPPOSITE:
            yield rules.CAPTURE_CHANNEL_OPPOSITE.at(
                whole,
                f"{names} correlate by {pair.correlation:.2f} between 200 and 3000 Hz",
                accepted=f"a correlation above {_OPPOSITE:g}",
            )


def _repeats(measured: TakeMeasurements, file: str) -> Iterator[Finding]:
    rate = measured.format.sample_rate_hz
    for repeat in measured.repeats[:_MOST_SPANS]:
        start = repeat.start_frame / rate
        more = len(measured.repeats) - _MOST_SPANS
        tail = (
            f", and {more} more" if more > 0 and repeat is measured.repeats[_MOST_SPANS - 1] else ""
        )
        yield rules.CAPTURE_REPEATED_BLOCK.at(
            Where(file=file, start_s=start, end_s=start + repeat.frames / rate),
            f"about {repeat.frames} frames equal those {repeat.distance} frames before{tail}",
            accepted="no stretch stored twice",
        )


def _spans(
    rule: Rule, spans: Sequence[FaultSpan], file: str, message: str, accepted: str
) -> Iterator[Finding]:
    """One finding a span, and in the last of five how many there are besides."""
    for index, span in enumerate(spans[:_MOST_SPANS]):
        more = len(spans) - _MOST_SPANS
        more_of_them = count(more, "more such stretch", "more such stretches")
        tail = f"; {more_of_them}" if more > 0 and index == _MOST_SPANS - 1 else ""
        longest = _duration(span.longest_s)
        times = (
            f"once, for {longest}"
            if span.occurrences == 1
            else f"{span.occurrences} times, for {longest} at the longest"
        )
        yield rule.at(
            Where(file=file, start_s=span.start_s, end_s=span.end_s),
            f"{message}, {times}{tail}",
            accepted=accepted,
        )


def _duration(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 1.0 else f"{seconds * 1000.0:.3g} ms"


def _one_channel(
    measured: TakeMeasurements, channel: ChannelMeasurements, name: str, file: str
) -> Iterator[Finding]:
    whole = Where(file=file)
    if channel.invalid_samples:
        yield rules.CAPTURE_INVALID_SAMPLES.at(
            whole,
            f"{channel.invalid_samples} samples of {name} are no number, infinite or beyond +180 dBFS",
            accepted="finite numbers, full scale 1.0",
        )
    if channel.sample_peak_dbfs is not None and channel.sample_peak_dbfs > 0.01:
        yield rules.CAPTURE_OVER_FULL_SCALE.at(
            whole,
            f"{name} reaches {channel.sample_peak_dbfs:+.1f} dBFS",
            accepted="samples within full scale, 0 dBFS",
        )
    yield from _spans(
        rules.CAPTURE_CLIPPED,
        channel.clipped,
        file,
        f"{name} is held at its extreme",
        "fewer than three equal samples at the extreme",
    )
    yield from _spans(
        rules.CAPTURE_DROPOUT,
        channel.dropouts,
        file,
        f"{name} stands still inside sound",
        "sound that moves with every sample",
    )
    yield from _spans(
        rules.CAPTURE_STILL,
        channel.still,
        file,
        f"{name} holds one value",
        "at least the noise of the microphone",
    )
    yield from _depth(measured, channel, name, whole)
    if channel.cutoff_hz is not None:
        half = measured.format.sample_rate_hz / 2000.0
        yield rules.CAPTURE_CUT_OFF_SPECTRUM.at(
            whole,
            f"the noise of {name} ends at {channel.cutoff_hz / 1000.0:.1f} kHz of {half:g} kHz",
            accepted="noise up to near half the sample rate",
        )
    if channel.dc_offset_dbfs is not None and channel.dc_offset_dbfs > _DC_DBFS:
        yield rules.CAPTURE_DC_OFFSET.at(
            whole,
            f"{name} has a mean of {channel.dc_offset:+.5f} of full scale "
            f"({channel.dc_offset_dbfs:.1f} dBFS)",
            accepted=f"below {_DC_DBFS:g} dBFS",
        )
    hum = channel.hum
    if hum is not None and abs(hum.frequency_hz / hum.nominal_hz - 1.0) > _HUM_TOLERANCE:
        yield rules.CAPTURE_HUM_FREQUENCY.at(
            whole,
            f"{name} has hum at {hum.frequency_hz:.2f} Hz",
            accepted=f"{hum.nominal_hz:g} Hz within {_HUM_TOLERANCE * 100.0:g} %",
        )


def _depth(
    measured: TakeMeasurements, channel: ChannelMeasurements, name: str, whole: Where
) -> Iterator[Finding]:
    stated = measured.format.valid_bits
    used = channel.bits_used
    if measured.format.encoding != "pcm" or used is None:
        return
    if used < stated:
        yield rules.CAPTURE_SHALLOW_DEPTH.at(
            whole,
            f"{name} uses {used} of {stated} bits: the lower ones are never set",
            accepted=f"{stated} bits in use",
        )
    elif channel.depth_occupancy is not None and channel.depth_occupancy < _OCCUPANCY:
        yield rules.CAPTURE_SHALLOW_DEPTH.at(
            whole,
            f"of the values that {name} could take near zero, {channel.depth_occupancy:.1%} occur: "
            "a gain was applied to samples of fewer bits",
            accepted=f"steps of {stated} bits",
        )
