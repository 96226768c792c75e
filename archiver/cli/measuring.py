"""What ``measure`` shows."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from archiver.cli.printing import (
    block,
    open_console,
    plain,
    print_json,
    show_findings,
)
from archiver.findings import clock

if TYPE_CHECKING:
    from rich.console import Console

    from archiver.pipeline.finding_takes import FoundTakes
    from archiver.pipeline.measure import MeasuredFile
    from archiver.signal.take import ChannelMeasurements, TakeMeasurements

__all__ = ["show_measured", "show_takes"]

_NOTHING = "not measurable"


def show_measured(files: Sequence[MeasuredFile], *, as_json: bool) -> None:
    """Show the measurements of files, one table each."""
    if as_json:
        print_json({"files": [_json(one) for one in files]})
        return
    console = open_console()
    for one in files:
        console.print(plain(str(one.path)), style="bold")
        if one.measured is None:
            block(console, str(one.error), indent=2, style="red")
            continue
        _show(console, one.measured)
        console.print()
        show_findings(console, one.findings)


def _json(one: MeasuredFile) -> dict[str, Any]:
    from archiver.signal.report import measurements_as_json

    if one.measured is None:
        return {"file": str(one.path), "error": str(one.error)}
    return {
        "file": str(one.path),
        "measurement": measurements_as_json(one.measured),
        "findings": [finding.as_json() for finding in one.findings],
    }


def _figure(value: float | None, unit: str, places: int = 1) -> str:
    return _NOTHING if value is None else f"{value:.{places}f} {unit}"


def _show(console: Console, measured: TakeMeasurements) -> None:
    from rich.table import Table

    whole = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 2))
    for label, text in (
        ("format", f"{measured.format}, {clock(measured.duration_s)}"),
        ("loudness, integrated", _figure(measured.integrated_lufs, "LUFS")),
        ("loudness range", _figure(measured.range_lu, "LU")),
        ("momentary, at most", _figure(measured.max_momentary_lufs, "LUFS")),
        ("short-term, at most", _figure(measured.max_short_term_lufs, "LUFS")),
        ("true peak", _figure(measured.true_peak_dbtp, "dBTP")),
    ):
        whole.add_row(label, text)
    console.print(whole)
    channels = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    channels.add_column("channel")
    for number in range(1, len(measured.channels) + 1):
        channels.add_column(str(number), justify="right")
    no_bits = "floats have none" if measured.format.encoding == "float" else "silence"
    rows = [_channel(channel, no_bits) for channel in measured.channels]
    for row in zip(*rows, strict=True):
        channels.add_row(row[0][0], *(text for _, text in row))
    console.print(channels)
    for number, one in enumerate(measured.channels, start=1):
        if one.noise.reason:
            told = f"The noise floor of channel {number} cannot be told: {one.noise.reason}."
            block(console, told, indent=2)
    if measured.cuts:
        _show_cuts(console, measured)


def _channel(channel: ChannelMeasurements, no_bits: str) -> list[tuple[str, str]]:
    noise, hum = channel.noise, channel.hum
    band = noise.bandwidth
    return [
        ("sample peak", _figure(channel.sample_peak_dbfs, "dBFS")),
        ("RMS", _figure(channel.rms_dbfs, "dBFS")),
        ("crest factor", _figure(channel.crest_factor_db, "dB")),
        ("DC offset", _figure(channel.dc_offset_dbfs, "dBFS")),
        ("noise, quietest tenth", _figure(noise.noise_floor_dbfs, "dBFS")),
        ("signal to noise", _figure(noise.signal_to_noise_db, "dB")),
        ("bandwidth", _NOTHING if band is None else f"{band.low_hz:.0f} to {band.high_hz:.0f} Hz"),
        ("hum", "none told" if hum is None else f"{hum.frequency_hz:.2f} Hz"),
        ("clicks", f"{channel.clicks.per_second:.2f} a second"),
        ("bits used", no_bits if channel.bits_used is None else str(channel.bits_used)),
    ]


def _show_cuts(console: Console, measured: TakeMeasurements) -> None:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    for heading in ("stretch", "from", "to", "seems to be", "confidence"):
        table.add_column(heading, no_wrap=True)
    for number, cut in enumerate(measured.cuts, start=1):
        table.add_row(
            str(number),
            clock(cut.start_s),
            clock(cut.end_s),
            str(cut.kind),
            f"{cut.confidence:.0%}",
        )
    console.print(table)


def show_takes(found: FoundTakes, *, as_json: bool) -> None:
    """Show proposed takes as the sheet would hold them."""
    if as_json:
        print_json(
            {
                "file": found.file,
                "written": found.written,
                "takes": [
                    {
                        "kind": take.kind,
                        "confidence": take.confidence,
                        "begins_s": take.begins_s,
                        "ends_s": take.ends_s,
                        "fields": dict(take.known),
                        "open": [field for field, _ in take.open],
                    }
                    for take in found.takes
                ],
            }
        )
        return
    talk = open_console(talk=True)
    if not found.takes:
        talk.print(f"Nothing in {plain(found.file)} stands out from its noise.")
        return
    sys.stdout.write(found.lines)
    if found.written:
        talk.print("Added to session.yaml; please check kinds and positions.")
        if fields := dict.fromkeys(field for take in found.takes for field, _ in take.open):
            talk.print(
                f"Fill in {' and '.join(fields)} where the lines added begin with #: a take needs "
                "it, and only you know it."
            )
    else:
        talk.print("Nothing was written; add --write to put these lines into session.yaml.")
