"""Sentences about machine, medium, set-up and capture chain, for fields that hold prose.

One wording for every document. A statement of the sheet is quoted as it stands, with
a label; nothing is added to it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from archiver.session.quantity import Quantity
from archiver.session.records import (
    CaptureChain,
    Device,
    Machine,
    Medium,
    Microphone,
    Session,
    Setup,
    Take,
)
from archiver.session.timestamp import Timestamp

__all__ = [
    "chain_text",
    "machine_text",
    "medium_text",
    "playings_text",
    "setup_text",
    "take_title",
    "xsd_date",
    "xsd_date_time",
    "xsd_duration",
    "xsd_time",
]

_WIDEST_OFFSET = timedelta(hours=14)


def take_title(session: Session, take: Take) -> str:
    """Return the title of a take, or what it is: kind, number among its kind, medium."""
    if take.title:
        return take.title
    kind, number = str(take.kind).capitalize(), session.number_among_kind(take)
    medium = session.medium_of(take) if take.kind.records or take.kind.plays else None
    return _joined(
        kind if number is None else f"{kind} {number}",
        f"{medium.kind} {medium.id}" if medium is not None else None,
    )


def machine_text(machine: Machine) -> str:
    """Say which machine it is."""
    made = machine.made
    return _sentence(
        (
            ("Machine", " / ".join(machine.names) or machine.id),
            ("type", machine.type),
            ("maker", _joined(machine.maker.name, machine.maker.place) if machine.maker else None),
            ("made", _joined(made.place, made.date.text if made.date else None) if made else None),
            ("inventory number", machine.inventory_number),
            *((str(mark.kind), mark.text) for mark in machine.marks),
            ("nominal speed", _stated(machine.nominal_speed)),
            ("groove pitch", _stated(machine.groove_pitch)),
        )
    )


def medium_text(medium: Medium) -> str:
    """Say which medium it is."""
    return _sentence(
        (
            ("Medium", str(medium.kind)),
            ("identifier", medium.id),
            ("label", medium.label),
            ("material", medium.material),
            ("remarks", medium.remarks),
        )
    )


def setup_text(setup: Setup) -> str:
    """Say how the machine was set up."""
    stylus, drive = setup.stylus, setup.drive
    flywheel = None
    if drive is not None and drive.flywheel is not None:
        flywheel = "yes" if drive.flywheel else "no"
    return _sentence(
        (
            ("Set-up", setup.id),
            ("stylus", stylus.kind if stylus else None),
            ("depth of the stylus", stylus.depth if stylus else None),
            ("centring of the stylus", stylus.centring if stylus else None),
            ("diaphragm", setup.diaphragm),
            ("gasket", setup.gasket),
            ("recording horn", setup.horn_recording),
            ("reproducing horn", setup.horn_reproducing),
            ("drive", str(drive.kind) if drive else None),
            ("flywheel", flywheel),
            ("governor", drive.governor if drive else None),
            ("note on the drive", drive.note if drive else None),
            ("nominal speed", _stated(setup.nominal_speed)),
            ("remarks", setup.remarks),
        )
    )


def chain_text(chain: CaptureChain) -> str:
    """Say what stood between the air and the file."""
    return _sentence(
        (
            ("Capture chain", chain.id),
            *((f"microphone {one.id}", _microphone(one)) for one in chain.microphones),
            ("preamplifier", _device(chain.preamplifier)),
            ("converter", _device(chain.converter)),
            ("recorder", _device(chain.recorder)),
            ("sample rate", chain.sample_rate.text),
            ("bit depth", str(chain.bit_depth)),
            ("channels", ", ".join(chain.channels)),
        )
    )


def playings_text(take: Take) -> str | None:
    """Say how often the medium had been played before, if that is stated."""
    if take.playings_before is None:
        return None
    if take.playings_before == 0:
        return "The medium had not been played before this take"
    times = {1: "once", 2: "twice"}.get(take.playings_before, f"{take.playings_before} times")
    return f"The medium had been played {times} before this take"


def xsd_date(moment: Timestamp) -> str:
    """Return the local day of a moment as ``xs:date``."""
    return _within_limits(moment.moment).date().isoformat()


def xsd_time(moment: Timestamp) -> str:
    """Return the local time of a moment, with its offset, as ``xs:time``."""
    return _written(_within_limits(moment.moment)).partition("T")[2]


def xsd_date_time(moment: Timestamp) -> str:
    """Return a moment, with its offset, as ``xs:dateTime``."""
    return _written(_within_limits(moment.moment))


def xsd_duration(frames: int, sample_rate_hz: int) -> str:
    """Return a duration of whole frames as ``xs:duration``, to the nanosecond."""
    nanoseconds = (frames * 2_000_000_000 + sample_rate_hz) // (2 * sample_rate_hz)
    seconds, rest = divmod(nanoseconds, 1_000_000_000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    fraction = f".{rest:09d}".rstrip("0").rstrip(".")
    text = (f"{hours}H" if hours else "") + (f"{minutes}M" if minutes else "")
    if seconds or rest or not text:
        text += f"{seconds}{fraction}S"
    return f"PT{text}"


def _within_limits(moment: datetime) -> datetime:
    """Return the moment with an offset that XML Schema knows: 14 hours at most.

    Source: XML Schema part 2, 3.2.7.3. RFC 3339 has offsets up to 23:59.
    """
    offset = moment.utcoffset()
    if offset is None or abs(offset) <= _WIDEST_OFFSET:
        return moment
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        return moment.replace(tzinfo=UTC)


def _written(moment: datetime) -> str:
    return moment.isoformat().removesuffix("+00:00") + (
        "Z" if moment.utcoffset() == timedelta() else ""
    )


def _sentence(facts: Iterable[tuple[str, str | None]]) -> str:
    return "; ".join(f"{label}: {text}" for label, text in facts if text)


def _joined(*texts: str | None) -> str:
    return ", ".join(text for text in texts if text)


def _stated(quantity: Quantity | None) -> str | None:
    return quantity.text if quantity else None


def _microphone(one: Microphone) -> str:
    return _joined(
        " ".join(text for text in (one.maker, one.model) if text),
        f"serial number {one.serial}" if one.serial else None,
        one.pattern,
        one.position,
        f"distance {one.distance.text}" if one.distance else None,
        f"channel {one.channel}" if one.channel is not None else None,
        one.note,
    )


def _device(device: Device | None) -> str | None:
    if device is None:
        return None
    return _joined(
        " ".join(text for text in (device.maker, device.model) if text),
        f"serial number {device.serial}" if device.serial else None,
        f"gain {device.gain}" if device.gain else None,
        f"clock {device.clock}" if device.clock else None,
        f"firmware {device.firmware}" if device.firmware else None,
        device.note,
    )
