"""Measuring sound files alone, without a session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError
from archiver.findings import Finding, in_order, stops_deposit
from archiver.package import unchanged
from archiver.progress import Progress, Silent
from archiver.signal.judgement import judge_capture
from archiver.signal.loudness import channel_weights
from archiver.signal.stream import run_pass
from archiver.signal.take import TakeMeasurements, TakeMeter
from archiver.wave.capture import open_capture

__all__ = ["MeasuredFile", "measure_files"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFile:
    """What was measured on one file, or why nothing was."""

    path: Path
    measured: TakeMeasurements | None = None
    findings: tuple[Finding, ...] = ()
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of this file alone, the same as that of ``inspect`` for the same findings."""
        if self.error is not None:
            return self.error.exit_status
        return 1 if stops_deposit(self.findings) else 0


def measure_files(
    paths: Sequence[Path], *, meanings: Sequence[str] = (), progress: Progress | None = None
) -> tuple[MeasuredFile, ...]:
    """Measure files one after another; an unusable one does not keep the others waiting.

    Parameters
    ----------
    paths : sequence of Path
        Captures of any accepted kind.
    meanings : sequence of str
        Meaning of each channel, such as ``left`` or ``LFE``, for their weights in the
        loudness; empty for equal weights.
    progress : Progress, optional
        Told what is being done.
    """
    progress = progress or Silent()
    return tuple(_measured(path, meanings, progress) for path in paths)


def _measured(path: Path, meanings: Sequence[str], progress: Progress) -> MeasuredFile:
    name = path.name
    try:
        with unchanged(path), open_capture(path, name) as capture:
            progress.step(name, capture.data_bytes or files.status(path).size)
            weights = channel_weights(meanings) if meanings else None
            meter = TakeMeter(capture.sample_format, weights)
            run_pass(capture.blocks(), meter.consumers(), progress.advance)
            measured = meter.result()
            found = capture.findings
    except ArchiverError as error:
        return MeasuredFile(path=path, error=error)
    findings = in_order((*found, *judge_capture(measured, name, meanings=meanings)))
    return MeasuredFile(path=path, measured=measured, findings=findings)
