"""The drawings of a take: its level, its speed, and its spectrum over the noise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from archiver.describe.markers import span_frames
from archiver.describe.motion_record import Course, TakeMovement
from archiver.describe.sound_record import SoundRecord
from archiver.pages.content import Band, Block, Curve, Plot, Tick
from archiver.pages.facts import PageFacts
from archiver.pages.figures import decibels, with_uncertainty
from archiver.pages.plots import Axis, area, level_line, line, logarithmic
from archiver.session.records import Take

__all__ = ["take_plots"]

_WINDOW_S = 0.4
_LOWEST_LUFS = -70.0
_OCTAVES = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_LEAST_POINTS = 3
_BEYOND = 1e6


def take_plots(
    facts: PageFacts, take: Take, sound: SoundRecord | None, moved: TakeMovement | None
) -> Iterator[Block]:
    """Draw what is recorded of a take."""
    if sound is not None:
        yield from _level(facts, take, sound)
    if moved is not None:
        yield from _turns(moved)
        yield from _ratio(moved)
    if sound is not None:
        yield from _spectrum(sound)


def _level(facts: PageFacts, take: Take, sound: SoundRecord) -> Iterator[Block]:
    master = facts.archive.master_of[take.id]
    rate = master.samples.sample_rate_hz
    first, last = (frame / rate for frame in span_frames(take, rate, master.frames))
    times, values = [], []
    for number, value in enumerate(sound.course_lufs):
        at = number * sound.course_step_s + _WINDOW_S / 2
        if first <= at <= last:
            times.append(at - first)
            values.append(value if value is None else max(value, _LOWEST_LUFS))
    heard = [value for value in values if value is not None]
    if len(heard) < _LEAST_POINTS:
        return
    x = Axis(0.0, last - first)
    y = Axis(10 * (min(heard) // 10), 10 * (max(heard) // 10 + 1))
    floor: list[float | None] = [None if value is None else y.low for value in values]
    yield Plot(
        title="Level over time",
        told=f"Momentary loudness {_between(min(heard), max(heard))}.",
        x_name="seconds",
        y_name="LUFS",
        x_ticks=x.ticks(6),
        y_ticks=y.ticks(4, from_above=True),
        bands=(area(x, y, times, floor, values, style="level", name=""),),
        curves=(line(x, y, times, values, style="measured", name="momentary loudness"),),
    )


def _between(low: float, high: float) -> str:
    top = decibels(high, "LUFS")
    if low <= _LOWEST_LUFS:
        return f"up to {top}, at times below {decibels(_LOWEST_LUFS, 'LUFS')}"
    return f"between {decibels(low, 'LUFS')} and {top}"


def _turns(moved: TakeMovement) -> Iterator[Block]:
    course = _drawable(moved.turns)
    if len(course.values) < _LEAST_POINTS:
        return
    curves = [("stated", moved.stated_rpm, "stated")] if moved.stated_rpm is not None else []
    yield _speed(
        course,
        title="Speed of rotation, turn by turn",
        told=(
            f"{len(course.values)} turns between {min(course.values):.1f} and "
            f"{max(course.values):.1f} rpm; on the mean {with_uncertainty(moved.speed)}"
            + (f"; stated {moved.stated_rpm:g} rpm." if moved.stated_rpm is not None else ".")
        ),
        unit="rpm",
        reference=curves,
    )


def _drawable(course: Course) -> Course:
    """Leave out points that are beyond any drawing: no machine turns so fast."""
    kept = [
        (at, value, width)
        for at, value, width in zip(course.time_s, course.values, course.uncertainties, strict=True)
        if abs(at) < _BEYOND and abs(value) < _BEYOND and 0 <= width < _BEYOND
    ]
    return Course(
        time_s=tuple(at for at, _, _ in kept),
        values=tuple(value for _, value, _ in kept),
        uncertainties=tuple(width for _, _, width in kept),
    )


def _ratio(moved: TakeMovement) -> Iterator[Block]:
    course = _drawable(moved.ratio_course)
    if len(course.values) < _LEAST_POINTS or moved.ratio is None:
        return
    percent = Course(
        time_s=course.time_s,
        values=tuple(100 * (value - 1) for value in course.values),
        uncertainties=tuple(100 * value for value in course.uncertainties),
    )
    yield _speed(
        percent,
        title="Speed against the performance",
        told=(
            f"Between {min(percent.values):+.1f} % and {max(percent.values):+.1f} % of the speed "
            f"of the performance; on the mean the ratio is {with_uncertainty(moved.ratio)}."
        ),
        unit="%",
        reference=[("stated", 0.0, "as performed")],
    )


def _speed(
    course: Course, *, title: str, told: str, unit: str, reference: Sequence[tuple[str, float, str]]
) -> Plot:
    pairs = list(zip(course.values, course.uncertainties, strict=True))
    lows: list[float | None] = [value - width for value, width in pairs]
    highs: list[float | None] = [value + width for value, width in pairs]
    low, high = _range(course, [value for _, value, _ in reference])
    x = Axis(min(0.0, course.time_s[0]), course.time_s[-1])
    y = Axis(low, high)
    bands: tuple[Band, ...] = (
        area(x, y, course.time_s, lows, highs, style="uncertainty", name="95 % interval"),
    )
    curves: list[Curve] = [
        level_line(y, value, style=style, name=name) for style, value, name in reference
    ]
    curves.append(line(x, y, course.time_s, course.values, style="measured", name="measured"))
    return Plot(
        title=title,
        told=told,
        x_name="seconds",
        y_name=unit,
        x_ticks=x.ticks(6),
        y_ticks=y.ticks(4, from_above=True),
        bands=bands,
        curves=tuple(curves),
    )


def _range(course: Course, references: Sequence[float]) -> tuple[float, float]:
    """Choose what is shown: all values, and their intervals unless these dwarf the values."""
    low, high = min(*course.values, *references), max(*course.values, *references)
    usual = sorted(course.uncertainties)[len(course.uncertainties) // 2]
    margin = min(max(course.uncertainties), 2 * usual) + 0.04 * (high - low)
    return low - margin, high + margin


_NOISE_IS = {
    "quiet parts": "the noise in the quietest tenth of the take",
    "room tone": "the noise in the room tone",
}


def _spectrum(sound: SoundRecord) -> Iterator[Block]:
    """Draw programme and noise of the first channel, in third-octave bands."""
    bands = [band for band in sound.channels[0].bands if band.programme_dbfs is not None]
    if len(bands) < _LEAST_POINTS:
        return
    low, high = bands[0].nominal_hz, bands[-1].nominal_hz
    x, xs = logarithmic(low, high, [band.nominal_hz for band in bands])
    programme = [band.programme_dbfs for band in bands]
    noise = [band.noise_dbfs for band in bands]
    levels = [level for level in (*programme, *noise) if level is not None]
    y = Axis(10 * (min(levels) // 10), 10 * (max(levels) // 10 + 1))
    curves = [line(x, y, xs, programme, style="measured", name="programme")]
    if any(level is not None for level in noise):
        curves.append(line(x, y, xs, noise, style="noise", name="noise"))
    width = sound.channels[0].bandwidth_hz
    usable: tuple[Band, ...] = ()
    told = "No band rises above the noise."
    if width is not None:
        _, edges = logarithmic(low, high, [max(low, width[0]), min(high, width[1])])
        usable = (
            area(
                x, y, edges, [y.low, y.low], [y.high, y.high], style="usable",
                name="band above the noise",
            ),
        )  # fmt: skip
        noise_is = _NOISE_IS.get(sound.channels[0].noise_source, "the noise")
        told = f"The programme rises above {noise_is} from {width[0]:.0f} to {width[1]:.0f} Hz."
    ticks = [value for value in _OCTAVES if low <= value <= high]
    _, at = logarithmic(low, high, ticks)
    yield Plot(
        title="Programme and noise in third-octave bands",
        told=told,
        x_name="Hz",
        y_name="dBFS",
        x_ticks=tuple(
            Tick(at=round(100 * x.share(place), 2), label=_hertz(value))
            for place, value in zip(at, ticks, strict=True)
        ),
        y_ticks=y.ticks(4, from_above=True),
        bands=usable,
        curves=tuple(curves),
    )


def _hertz(value: float) -> str:
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"
