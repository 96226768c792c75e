"""The takes on the page: what is heard, from which machine, how fast it turned, and drawings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from archiver.describe.facts import FileFacts, FileRole, MasterFacts
from archiver.describe.markers import span_frames
from archiver.describe.people import credited_in, present_in
from archiver.describe.places import strongest
from archiver.describe.sound_record import ChannelSound
from archiver.describe.wording import playings_text, take_title
from archiver.pages.composing import (
    anchor,
    derived,
    facts_of,
    joined,
    measured,
    plain,
    stated,
    stated_word,
    table_of,
)
from archiver.pages.content import (
    Basis,
    Block,
    Column,
    Fact,
    Line,
    Listen,
    Paragraph,
    Section,
    Source,
    Subsection,
    own,
    said,
)
from archiver.pages.facts import Links, PageFacts
from archiver.pages.figures import decibels, duration, moment, quantity, with_uncertainty
from archiver.pages.movement import movement_facts
from archiver.pages.takeplots import take_plots
from archiver.session.quantity import Quantity
from archiver.session.records import Session, Take

__all__ = ["MOST_DETAILED", "length_s", "take_names", "take_reference", "takes_section"]

MOST_DETAILED = 60
"""Takes that are told one by one; of longer sessions the table holds all."""

_WITHOUT_SOUND = (
    "This page goes alone, without the sound. The same page in the bag, metadata/session.html, has "
    "a player for each take."
)
_PLAYED = {"audio/ogg": 0, "audio/flac": 1, "audio/vnd.wave": 2, "audio/mpeg": 3}
_BROWSER_TYPES = {
    "audio/ogg": "audio/ogg; codecs=opus", "audio/vnd.wave": "audio/wav",
}  # fmt: skip


def takes_section(facts: PageFacts, links: Links) -> Section:
    """List all takes, and tell of each."""
    session = facts.session
    detailed = session.takes[:MOST_DETAILED]
    names = take_names(session)
    blocks: list[Block] = [*_overview(facts, names)]
    if facts.alone:
        blocks.append(Paragraph(text=own(_WITHOUT_SOUND)))
    blocks += [
        Subsection(
            id=anchor("take", take.id),
            title=joined(own(take.id), names[take.id], by=" · "),
            note=own(str(take.kind)) if take.title else (),
            flow=True,
            blocks=tuple(_take(facts, links, take, names)),
        )
        for take in detailed
    ]
    if len(detailed) < len(session.takes):
        blocks.append(
            Paragraph(
                text=own(
                    f"The first {len(detailed)} of {len(session.takes)} takes are told here. "
                    "metadata/session.json, metadata/measurements and metadata/motion.json hold "
                    "the same of all."
                )
            )
        )
    return Section(id="takes", title="Takes", blocks=tuple(blocks))


def take_names(session: Session) -> dict[str, Line]:
    """Name each take by its title, or by what it is."""
    return {
        take.id: said(take.title) if take.title else own(take_title(session, take))
        for take in session.takes
    }


def take_reference(session: Session, take: Take) -> Line:
    """Name a take, and lead to where it is told if it is told by itself."""
    is_told = session.position(take) < MOST_DETAILED
    return own(take.id, href=f"#{anchor('take', take.id)}" if is_told else "")


def length_s(facts: PageFacts, take: Take) -> float | None:
    """Return the length of a take, which may be a part of its capture."""
    master = facts.archive.master_of.get(take.id)
    if master is None:
        return None
    rate = master.samples.sample_rate_hz
    first, last = span_frames(take, rate, master.frames)
    return (last - first) / rate


def _overview(facts: PageFacts, names: Mapping[str, Line]) -> Iterator[Block]:
    session = facts.session
    rows = []
    for take in session.takes:
        master = facts.archive.master_of.get(take.id)
        seconds = length_s(facts, take)
        machine = session.machine_of(take)
        moved = facts.motion.takes.get(take.id) if facts.motion is not None else None
        speed = moved.speed if moved is not None and moved.speed.value is not None else None
        levels = master.levels if master is not None else None
        rows.append(
            (
                take_reference(session, take),
                names[take.id],
                own(str(take.kind)),
                said(machine.name) if machine is not None else (),
                own(duration(seconds)) if seconds is not None else (),
                own(decibels(levels.integrated_lufs, "LUFS")) if levels is not None else (),
                own(f"{moved.stated_rpm:g} rpm") if moved and moved.stated_rpm and speed else (),
                own(with_uncertainty(speed)) if speed is not None else (),
            )
        )
    yield from table_of(
        "All takes",
        (
            Column(head="Take"),
            Column(
                head="Title"
                if all(take.title for take in session.takes)
                else "Title, else what it is (derived)"
            ),
            Column(head="Kind"), Column(head="Machine"),
            Column(head="Length (measured)", style="number"),
            Column(head="Loudness (measured)", style="number"),
            Column(head="Speed stated", style="number"),
            Column(head="Speed measured", style="number"),
        ),
        rows,
        basis=Basis.STATED,
    )  # fmt: skip


def _take(facts: PageFacts, links: Links, take: Take, names: Mapping[str, Line]) -> Iterator[Block]:
    files = facts.archive.by_take.get(take.id, ())
    yield from _players(links, take, files)
    yield from facts_of(_told(facts.session, take, names), name="What it is")
    yield from facts_of(_sound(facts, take), name="Sound")
    moved = facts.motion.takes.get(take.id) if facts.motion is not None else None
    if moved is not None:
        yield from facts_of(movement_facts(moved), name="Speed and what came through")
    master = facts.archive.master_of.get(take.id)
    sound = facts.sounds.get(master.path) if master is not None else None
    yield from take_plots(facts, take, sound, moved)
    yield from facts_of(_files(links, files, master), name="Files")


def _players(links: Links, take: Take, files: tuple[FileFacts, ...]) -> Iterator[Block]:
    """Offer the small copies first, then the master; a changed speed is a player of its own."""
    same = [
        file
        for file in files
        if file.role in (FileRole.MASTER, FileRole.ACCESS) and file.treatment is None
    ]
    changed = [file for file in files if file.role is FileRole.ACCESS and file.treatment]
    part = _part(take)
    for found in (same, *([file] for file in changed)):
        sources = tuple(
            Source(
                href=f"{links.file(file.path)}{part}",
                media_type=_BROWSER_TYPES.get(file.media_type, file.media_type),
            )
            for file in sorted(found, key=lambda one: _PLAYED.get(one.media_type, 9))
            if file.media_type in _PLAYED and links.file(file.path)
        )
        if sources:
            treatment = found[0].treatment
            yield Listen(
                label=f"Take {take.id}, {treatment or 'as captured'}",
                sources=sources,
                note="derived from the master" if treatment else "",
            )


def _part(take: Take) -> str:
    """Name the part of a longer capture (W3C Media Fragments URI 1.0, 4.2.1)."""
    if take.begins is None and take.ends is None:
        return ""
    start = f"{take.begins.value:g}" if take.begins is not None else "0"
    end = f",{take.ends.value:g}" if take.ends is not None else ""
    return f"#t={start}{end}"


def _told(session: Session, take: Take, names: Mapping[str, Line]) -> Iterator[Fact]:
    machine, setup = session.machine_of(take), session.setup_of(take)
    medium, chain = session.medium_of(take), session.chain_of(take)
    yield stated_word("Kind", str(take.kind))
    if take.reproduces:
        performed = session.take(take.reproduces)
        yield Fact(
            label="Reproduces",
            value=joined(
                take_reference(session, performed) if performed else own(take.reproduces),
                names.get(take.reproduces, ()),
            ),
            basis=Basis.STATED,
        )
    for label, kind, name, id_ in (
        ("Machine", "machine", machine.name if machine else "", machine.id if machine else ""),
        ("Set-up", "setup", setup.id if setup else "", setup.id if setup else ""),
        ("Medium", "medium", medium.id if medium else "", medium.id if medium else ""),
        ("Capture chain", "chain", chain.id if chain else "", chain.id if chain else ""),
    ):
        yield Fact(
            label=label,
            value=said(name, href=f"#{anchor(kind, id_)}") if name else (),
            basis=Basis.STATED,
        )
    yield stated_word("Playings", playings_text(take))
    yield stated_word("Began", moment(take.start) if take.start is not None else None)
    yield stated_word("Lies in its capture", _span(take.begins, take.ends))
    present, credited = present_in(session, take), credited_in(session, take)
    yield stated("People", ", ".join(one.with_role for one in present))
    if not set(credited) <= set(present):
        yield derived("Performed by", said(", ".join(one.name for one in credited)))
    yield stated_word("Tone sounded", quantity(take.tone) if take.tone is not None else None)
    yield stated("Channels", ", ".join(session.channels_of(take)))
    yield stated("Remarks", take.remarks)


def _span(begins: Quantity | None, ends: Quantity | None) -> str:
    texts = (f"from {begins.text}" if begins else "", f"to {ends.text}" if ends else "")
    return " ".join(text for text in texts if text)


def _sound(facts: PageFacts, take: Take) -> Iterator[Fact]:
    master = facts.archive.master_of.get(take.id)
    if master is None:
        return
    seconds, sound = length_s(facts, take), facts.sounds.get(master.path)
    yield measured("Length", duration(seconds) if seconds is not None else "")
    yield measured("Format", str(master.samples))
    coding = master.decoded_from
    if coding is not None:
        yield measured("Coded in the capture as", str(coding))
        what = (
            "samples unchanged"
            if coding.is_exact
            else (
                "the samples are those of the decoder, unchanged since; what a lossy coding left "
                "out is not in them"
            )
        )
        yield plain("Decoded", f"by {coding.decoder}; {what}")
    if len(facts.archive.master_at[master.path]) > 1:
        yield plain("Levels", "of the whole capture, which holds other takes too")
    levels = master.levels
    if levels is not None:
        yield measured("Loudness, integrated", decibels(levels.integrated_lufs, "LUFS"))
        yield measured("Loudness range", decibels(levels.range_lu, "LU"))
        yield measured("True peak", decibels(levels.true_peak_dbtp, "dBTP"))
    if sound is None:
        return
    yield from _channels(facts.session.channels_of(take), sound.channels)


def _channels(meanings: tuple[str, ...], channels: tuple[ChannelSound, ...]) -> Iterator[Fact]:
    """Tell each quantity once, channel after channel."""
    for label, told, words in (
        ("Noise floor", [_floor(one) for one in channels], _NOISE_IN),
        (
            "Signal to noise",
            [decibels(one.signal_to_noise_db, "dB") for one in channels],
            _NOISE_AGAINST,
        ),
        ("Band above the noise", [_band(one.bandwidth_hz) for one in channels], _NOISE_AGAINST),
    ):
        sources = {one.noise_source for one, text in zip(channels, told, strict=True) if text}
        if len(sources) == 1:
            yield measured(label, _by_channel(meanings, told) + words.get(sources.pop(), ""))
            continue
        each = [
            f"{text}{words.get(one.noise_source, '')}" if text else ""
            for one, text in zip(channels, told, strict=True)
        ]
        yield measured(label, _by_channel(meanings, each))
    for label, told in (
        ("Room tone", [_room_tone(one) for one in channels]),
        ("Hum", [_hum(one) for one in channels]),
        ("Clicks", [str(one.clicks) if one.clicks else "" for one in channels]),
        ("Clipped", ["; ".join(one.clipped) for one in channels]),
        ("Dropouts", ["; ".join(one.dropouts) for one in channels]),
        ("Still", ["; ".join(one.still) for one in channels]),
    ):
        yield measured(label, _by_channel(meanings, told))


_NOISE_IN = {
    "quiet parts": ", in the quietest tenth of the take", "room tone": ", in the room tone",
}  # fmt: skip
_NOISE_AGAINST = {
    "quiet parts": ", against the quietest tenth of the take", "room tone": ", against the room tone",
}  # fmt: skip


def _floor(one: ChannelSound) -> str:
    if one.noise_floor_dbfs is None and one.no_noise_reason:
        return f"cannot be told: {one.no_noise_reason}"
    return decibels(one.noise_floor_dbfs, "dBFS")


def _room_tone(one: ChannelSound) -> str:
    """Tell the room tone where the noise is another; else it is the noise floor."""
    return "" if one.noise_source == "room tone" else decibels(one.room_tone_dbfs, "dBFS")


def _by_channel(meanings: tuple[str, ...], told: list[str]) -> str:
    if len(told) == 1:
        return told[0]
    names = [meanings[at] if at < len(meanings) else f"channel {at + 1}" for at in range(len(told))]
    return "; ".join(f"{text} ({name})" for text, name in zip(told, names, strict=True) if text)


def _band(width: tuple[float, float] | None) -> str:
    return "" if width is None else f"{width[0]:.0f} to {width[1]:.0f} Hz"


def _hum(channel: ChannelSound) -> str:
    if channel.hum_hz is None:
        return ""
    return f"{channel.hum_hz:.2f} Hz, {decibels(channel.hum_dbfs, 'dBFS')}"


def _files(
    links: Links, files: tuple[FileFacts, ...], master: MasterFacts | None
) -> Iterator[Fact]:
    words = {
        FileRole.MASTER: "Master", FileRole.ORIGINAL: "Video as captured",
        FileRole.ACCESS: "Copy for listening",
    }  # fmt: skip
    for file in files:
        label = words.get(file.role)
        if label is None:
            continue
        if file.treatment:
            label = f"{label}, {file.treatment}"
        yield plain(label, _link(links, file.path))
        if file.role is FileRole.MASTER:
            yield plain("Captured as", own(file.original_name or "", code=True))
            found = strongest(file.digests)
            if found is not None:
                name, digest = found
                yield derived(f"{name.name} of the file", own(digest, code=True))
    if master is not None and files:
        yield derived("MD5 of the samples alone", own(master.samples_md5, code=True))


def _link(links: Links, path: str) -> Line:
    return own(path, href=links.file(path), code=True)
