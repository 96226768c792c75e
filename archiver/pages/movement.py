"""How fast and how steadily a machine turned, on the page: stated, measured, derived apart."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe.motion_record import TakeMovement
from archiver.pages.composing import derived, measured, stated_word
from archiver.pages.content import Fact
from archiver.pages.figures import percent_off, with_uncertainty
from archiver.signal.estimate import Estimate

__all__ = ["movement_facts"]

_TURNS = ("performance", "reproduction", "performance and reproduction")


def movement_facts(moved: TakeMovement) -> Iterator[Fact]:
    """Return what is known of the motion in a take; uncertainties are 95 % intervals."""
    turns = moved.kind in _TURNS
    if moved.stated_rpm is not None:
        yield stated_word("Speed", f"{moved.stated_rpm:g} rpm")
    if turns:
        yield measured("Speed", with_uncertainty(moved.speed))
    if moved.stated_rpm is not None:
        yield derived("Measured against stated", percent_off(moved.speed, moved.stated_rpm))
    if moved.ratio is not None:
        yield measured("Speed against the performance", with_uncertainty(moved.ratio))
        yield derived("Speed at which it was recorded", with_uncertainty(moved.recording_speed))
    if moved.surface_speed is not None and moved.surface_speed.value is not None:
        yield derived("Speed of the groove", with_uncertainty(moved.surface_speed))
    if moved.capacity.value is not None:
        yield derived("Playing time at this speed", with_uncertainty(moved.capacity))
    if moved.tone is not None:
        yield measured("Tone", with_uncertainty(moved.tone))
    if moved.tone_interval is not None and moved.tone_interval.value is not None and turns:
        yield measured("Tone against the stated one", with_uncertainty(moved.tone_interval))
    steadiest = moved.steadiest
    if steadiest is not None:
        yield measured(
            "Wow and flutter, weighted",
            f"{with_uncertainty(steadiest.weighted)} (from {steadiest.carrier})",
        )
        for label, found in (
            ("Wow, effective", steadiest.wow_rms),
            ("Flutter, effective", steadiest.flutter_rms),
            ("Drift", steadiest.drift),
        ):
            if found.value is not None:
                yield measured(label, with_uncertainty(found))
    yield from _band(moved)


def _band(moved: TakeMovement) -> Iterator[Fact]:
    low, high = moved.usable_low, moved.usable_high
    if low is None or high is None:
        return
    if low.value is None or high.value is None:
        yield measured("Band that came through", with_uncertainty(low if low.reason else high))
    else:
        text = f"{_hertz(low)} to {_hertz(high)}"
        yield measured("Band that came through", text)
    if moved.band_index is not None and moved.band_index.value is not None:
        yield derived("Share of the speech bands that came through",
                      with_uncertainty(moved.band_index))  # fmt: skip


def _hertz(found: Estimate) -> str:
    return with_uncertainty(found)
