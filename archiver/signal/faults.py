"""From runs of equal samples to spans of faults, with the time each covers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from archiver.signal.runs import ClipRun, EqualRun, Runs

__all__ = ["FaultSpan", "clipping", "dropouts", "quantisation_step", "still_stretches"]

_NEAR_FULL_SCALE = 10.0 ** (-0.1 / 20.0)
_LEAST_EXTREME = 0.05
_LEAST_RUNS_BELOW = 5
_CLIP_STEPS = 4.0
_STILL_S = 0.5
_ACTIVE_PEAK = 10.0 ** (-50.0 / 20.0)
_EDGE_SHARE = 0.02
_EDGE_STEPS = 8.0
_ONE_SPAN_S = 1.0
_FINEST_STEP = 2.0**-23


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSpan:
    """A stretch of time in which a fault occurs, once or often.

    ``longest_s`` is the longest single occurrence; ``value`` the sample value at
    which the sound stood still, full scale 1.0.
    """

    start_s: float
    end_s: float
    occurrences: int
    longest_s: float
    value: float


def quantisation_step(bits_used: int | None) -> float:
    """Return the smallest step of the samples, full scale 1.0; that of 24 bits for floats."""
    return _FINEST_STEP if bits_used is None else 2.0 ** (1 - bits_used)


def clipping(runs: Runs, bits_used: int | None, sample_rate_hz: int) -> tuple[FaultSpan, ...]:
    """Return where the sound was clipped.

    Three or more samples at the extreme count when the sound jumps into them by
    four steps or more: a slow wave rounded to its crest moves in single steps. Below
    -0.1 dBFS, where an amplifier may have clipped before the converter, five such
    runs are asked for.
    """
    least_step = _CLIP_STEPS * quantisation_step(bits_used)
    steep = [run for run in runs.clipped if run.step >= least_step]
    chosen: list[ClipRun] = []
    for positive in (True, False):
        same = [run for run in steep if (run.value > 0.0) == positive]
        if not same:
            continue
        extreme = abs(same[0].value)
        if extreme >= _NEAR_FULL_SCALE or (
            extreme >= _LEAST_EXTREME and len(same) >= _LEAST_RUNS_BELOW
        ):
            chosen += same
    return _spans(chosen, sample_rate_hz)


def dropouts(runs: Runs, bits_used: int | None, sample_rate_hz: int) -> tuple[FaultSpan, ...]:
    """Return where sound stands still for 1 ms to half a second, abruptly, and goes on.

    A gate or a fade comes to rest smoothly and does not count; nor does a plateau at
    the extreme, which is clipping.
    """
    step = quantisation_step(bits_used)
    highest = max((abs(run.value) for run in runs.clipped), default=2.0)
    chosen = []
    for run in runs.equal:
        peak = min(run.peak_before, run.peak_after)
        edge = max(run.step_before, run.step_after)
        if (
            run.frames < _STILL_S * sample_rate_hz
            and peak >= _ACTIVE_PEAK
            and abs(run.value) < highest
            and edge >= max(_EDGE_SHARE * peak, _EDGE_STEPS * step)
        ):
            chosen.append(run)
    return _spans(chosen, sample_rate_hz)


def still_stretches(runs: Runs, sample_rate_hz: int) -> tuple[FaultSpan, ...]:
    """Return where one value is held for half a second or longer: digital silence."""
    long = [run for run in runs.equal if run.frames >= _STILL_S * sample_rate_hz]
    return _spans(long, sample_rate_hz, gap_s=0.0)


def _spans(
    runs: Iterable[ClipRun | EqualRun], sample_rate_hz: int, gap_s: float = _ONE_SPAN_S
) -> tuple[FaultSpan, ...]:
    spans: list[FaultSpan] = []
    for run in sorted(runs, key=lambda one: one.start_frame):
        start = run.start_frame / sample_rate_hz
        length = run.frames / sample_rate_hz
        if spans and start - spans[-1].end_s < gap_s:
            last = spans.pop()
            span = FaultSpan(
                start_s=last.start_s,
                end_s=max(last.end_s, start + length),
                occurrences=last.occurrences + 1,
                longest_s=max(last.longest_s, length),
                value=run.value,
            )
        else:
            span = FaultSpan(
                start_s=start,
                end_s=start + length,
                occurrences=1,
                longest_s=length,
                value=run.value,
            )
        spans.append(span)
    return tuple(spans)
