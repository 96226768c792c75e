"""What ``motion`` shows: stated, measured, derived, each marked as such."""

from __future__ import annotations

from typing import TYPE_CHECKING

from archiver.cli.printing import open_console, plain, print_json, show_findings

if TYPE_CHECKING:
    from archiver.signal.estimate import Estimate
    from archiver.signal.motion import Motion, TakeMotion

__all__ = ["show_motion"]


def show_motion(motion: Motion, *, as_json: bool) -> None:
    """Show what the machines did, take by take."""
    if as_json:
        from archiver.signal.motion_json import motion_as_json

        print_json(motion_as_json(motion))
        return
    from rich.table import Table

    console = open_console()
    if not motion.takes:
        console.print("No take of this session holds a machine that records or plays.")
        return
    for take in motion.takes:
        kind = "no machine turns" if take.kind == "other" else str(take.kind)
        console.print(f"{plain(take.identifier)}  {kind}", style="bold")
        table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 2))
        table.add_column(no_wrap=True)
        table.add_column(overflow="fold")
        for label, text in _rows(take):
            table.add_row(label, text)
        console.print(table)
        console.print()
    for medium in motion.media:
        console.print(f"{plain(medium.medium)}  played in {', '.join(medium.takes)}", style="bold")
        change = _told(medium.snr.per_playing, 1)
        console.print(f"  signal over noise, change with each playing  {change}")
        console.print()
    show_findings(console, motion.findings)


def _told(found: Estimate, places: int) -> str:
    if found.value is None or found.uncertainty is None:
        return f"cannot tell: {plain(found.reason)}"
    unit = "" if found.unit == "1" else f" {found.unit}"
    return f"{found.value:.{places}f} ± {found.uncertainty:.{places}f}{unit}"


def _rows(take: TakeMotion) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    if take.nominal_rpm is not None:
        rows.append(("stated speed", f"{take.nominal_rpm:g} rpm"))
    if take.kind != "other":
        rows.append(("measured speed", _told(take.rotation.mean_rpm, 2)))
    if take.curve is not None:
        rows.append(("speed against the performance", _told(take.curve.mean_ratio, 4)))
        rows.append(("speed of the recording, derived", _told(take.recording_rpm, 2)))
    if take.tone is not None:
        rows.append(("tone", _told(take.tone.frequency_hz, 3)))
    for one in take.wavering:
        if one.weighted_percent.value is not None:
            rows.append(("wow and flutter, weighted", _told(one.weighted_percent, 2)))
            rows.append(("", f"from {plain(one.carrier)}"))
        elif one.flutter_rms_percent.value is not None:
            rows.append(("flutter, effective", _told(one.flutter_rms_percent, 2)))
            rows.append(("", f"from {plain(one.carrier)}"))
    return rows
