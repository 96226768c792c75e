"""What is written into a master beside its samples, from the session record.

The fields of ``bext`` and of the INFO list are filled as the US federal guideline
(FADGI, Embedding Metadata in Broadcast WAVE, v2, 2012) says: the responsible
organisation as Originator, the identifier of the file as OriginatorReference,
labelled identifiers as Description. ``bext`` is ASCII (EBU Tech 3285 v2): text is
transliterated and cut there, which is reported; the INFO list and ``iXML`` hold the
full text in UTF-8.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from archiver.describe.coding import capture_steps, own_step
from archiver.describe.layers import RightsMap, closed_words
from archiver.describe.markers import markers_for, sync_points_for
from archiver.describe.people import PublicPerson, credited_in, present_in
from archiver.describe.wording import take_title
from archiver.findings import Finding, Where
from archiver.session.capture_files import CaptureFile
from archiver.session.records import Role, Session, Take, TakeKind
from archiver.signal.sampleformat import SampleFormat
from archiver.telling import count
from archiver.wave import ixml
from archiver.wave import rules as wave_rules
from archiver.wave.adtl import Adtl
from archiver.wave.bext import Bext, Loudness
from archiver.wave.coding import SoundCoding
from archiver.wave.cue import Cue
from archiver.wave.fitting import fit_field
from archiver.wave.info import Info, InfoEntry

if TYPE_CHECKING:  # what measures takes a while to load
    from archiver.signal.take import TakeMeasurements

__all__ = ["Embedded", "embedded_for", "loudness_of", "master_identifier", "master_name"]

_DESCRIPTION = 256
_REFERENCE = 32
_LONGEST_INFO = 2045  # libsndfile 1.2.2 loses the list behind a text of more than 2046 bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Embedded:
    """Records for the chunks of one master, and what had to be changed on the way."""

    bext: Bext
    info: Info
    ixml: ixml.Ixml
    cue: Cue | None
    adtl: Adtl | None
    findings: tuple[Finding, ...]


def master_identifier(session: Session, take: Take) -> str:
    """Return the identifier of a take: session and take, as in the name of its master."""
    return f"{session.identifier}_{take.id}"


def master_name(session: Session, held: CaptureFile) -> str:
    """Return the name of a master: that of its take, or of its first and last take."""
    return f"{session.identifier}_{held.name}"


def loudness_of(measured: TakeMeasurements) -> Loudness:
    """Return the loudness fields of ``bext`` version 2; unused where not measurable."""
    return Loudness.measured(
        loudness_lufs=measured.integrated_lufs,
        range_lu=measured.range_lu,
        true_peak_dbtp=measured.true_peak_dbtp,
        momentary_lufs=measured.max_momentary_lufs,
        short_term_lufs=measured.max_short_term_lufs,
    )


class _Fitting:
    """Brings texts into their fields and remembers what that changed."""

    def __init__(self, where: Where) -> None:
        self._where = where
        self.findings: list[Finding] = []

    def ascii(self, attribute: str, text: str) -> str:
        fitted, found = fit_field(attribute, " ".join(text.split()), self._where)
        self.findings += found
        return fitted

    def info(self, identifier: str, text: str) -> InfoEntry | None:
        flat = " ".join(text.replace("\0", " ").split())
        if not flat:
            return None
        kept = flat
        while len(kept.encode()) > _LONGEST_INFO:
            kept = kept[: kept.rfind(" ")] if " " in kept else kept[:-100]
        if kept != flat:
            self.findings.append(
                wave_rules.CUT.at(
                    self._where,
                    f"{identifier} in INFO was cut to {len(kept)} characters",
                    accepted=f"at most {_LONGEST_INFO} bytes of UTF-8",
                )
            )
        return InfoEntry(id=identifier, text=kept)


def embedded_for(
    session: Session,
    held: CaptureFile,
    *,
    samples: SampleFormat,
    coding: SoundCoding,
    frames: int | None,
    program: str,
) -> Embedded:
    """Fill the chunks of a master from the session record.

    Parameters
    ----------
    session, held
        What the sheet says, and the capture with its takes.
    samples : SampleFormat
        Of the master.
    coding : SoundCoding
        How the capture file holds the sound, for the coding history.
    frames : int, optional
        Length of the master, as far as known.
    program : str
        Name and version of this program.

    Returns
    -------
    Embedded
        ``bext`` version 2 with unused loudness; the samples' loudness is filled in when
        it has been measured. TimeReference is 0, as the guideline says where there is
        no time code.
    """
    fitting = _Fitting(session.locate(held.lead.at))
    rate = samples.sample_rate_hz
    cue, adtl, found = markers_for(session, held, sample_rate_hz=rate, frames=frames)
    marks = sync_points_for(session, held, sample_rate_hz=rate, frames=frames)
    return Embedded(
        bext=_bext(session, held, samples, coding, program, fitting),
        info=_info(session, held, program, fitting),
        ixml=_ixml(session, held, samples, marks),
        cue=cue,
        adtl=adtl,
        findings=(*fitting.findings, *found),
    )


def _identifiers(session: Session, held: CaptureFile) -> list[str]:
    """Return labelled identifiers: identifier, type, comment."""
    found = [f"{master_identifier(session, take)}, local, take" for take in held.takes]
    found.append(f"{session.identifier}, local, session")
    for take in held.takes:
        machine, medium = session.machine_of(take), session.medium_of(take)
        if machine is not None:
            found.append(f"{machine.inventory_number or machine.id}, local, object")
        if medium is not None:
            found.append(f"{medium.label or medium.id}, local, medium")
    return list(dict.fromkeys(found))


def _whole_entries(entries: list[str], width: int) -> str:
    text = ""
    for entry in entries:
        longer = f"{text}; {entry}" if text else entry
        if len(longer) > width:
            break
        text = longer
    return text


def _bext(
    session: Session,
    held: CaptureFile,
    samples: SampleFormat,
    coding: SoundCoding,
    program: str,
    fitting: _Fitting,
) -> Bext:
    take = held.lead
    reference = master_name(session, held)
    if len(reference) > _REFERENCE:
        reference = "See Description for Identifiers"
    organisation = session.organisation
    started = take.start or session.start
    history = capture_steps(session, take, samples, coding) + own_step(samples, coding, program)
    return Bext(
        description=fitting.ascii(
            "description", _whole_entries(_identifiers(session, held), _DESCRIPTION)
        ),
        originator=fitting.ascii("originator", f"{organisation.country}, {organisation.code}"),
        originator_reference=fitting.ascii("originator_reference", reference),
        origination_date=started.moment.strftime("%Y-%m-%d"),
        origination_time=started.moment.strftime("%H:%M:%S") if take.start else "",
        coding_history=history,
    )


def _named(people: Iterable[PublicPerson]) -> str:
    return "; ".join(dict.fromkeys(person.name for person in people))


def _info(session: Session, held: CaptureFile, program: str, fitting: _Fitting) -> Info:
    take = held.lead
    medium, machine = session.medium_of(take), session.machine_of(take)
    present = (one for each in held.takes for one in present_in(session, each))
    engineers = _named(one for one in present if one.role is Role.RECORDING_ENGINEER)
    source_form = "Live sound"
    if take.kind.plays and medium is not None:
        source_form = f"{medium.kind}{f', {medium.material}' if medium.material else ''}"
    texts = {
        "IARL": f"{session.organisation.country}, {session.organisation.code}",
        "IART": _named(one for each in held.takes for one in credited_in(session, each)),
        "ICMT": "; ".join(_identifiers(session, held)),
        "ICOP": "; ".join(
            text.rstrip(". ")
            for text in (
                session.rights.statement,
                *_layers(session, held.takes),
                *_limits(session),
            )
        ),
        "ICRD": (take.start or session.start).moment.strftime("%Y-%m-%d"),
        "IENG": engineers,
        "IKEY": "; ".join(session.subjects),
        "IMED": f"{medium.kind} {medium.label or medium.id}" if medium else "",
        "INAM": "; ".join(take_title(session, each) for each in held.takes),
        "IPRD": session.title,
        "ISBJ": "; ".join(each.remarks for each in held.takes if each.remarks)
        or session.summary
        or "",
        "ISFT": program,
        "ISRC": machine.owner.name if machine and machine.owner else session.organisation.name,
        "ISRF": source_form,
        "ITCH": engineers,
    }
    entries = (fitting.info(identifier, text) for identifier, text in texts.items())
    return Info(entries=tuple(entry for entry in entries if entry is not None))


def _layers(session: Session, takes: Iterable[Take]) -> tuple[str, ...]:
    """Return the rights in the layers of some takes."""
    rights = RightsMap(session)
    found = (one for take in takes for one in rights.of_take(take.id) if one.layer is not None)
    return tuple(dict.fromkeys(one.sentence for one in found))


def _limits(session: Session) -> tuple[str, ...]:
    """Return what restricts and closes the whole."""
    closed = session.rights.closed_until
    return (*session.restrictions, *([closed_words(closed)] if closed else []))


def _ixml(
    session: Session,
    held: CaptureFile,
    samples: SampleFormat,
    marks: tuple[ixml.SyncPoint, ...],
) -> ixml.Ixml:
    take = held.lead
    meanings = session.channels_of(take)
    tracks = tuple(
        ixml.Track(
            channel_index=number,
            interleave_index=number,
            name=meanings[number - 1] if number <= len(meanings) else "",
        )
        for number in range(1, samples.channels + 1)
    )
    medium = session.medium_of(take)
    return ixml.build(
        ixml.Content(
            project=session.title,
            scene=session.identifier,
            take=held.name,
            tape=(medium.label or medium.id) if medium else "",
            note="\n".join(
                part for each in held.takes for part in (each.title, each.remarks) if part
            ),
            file_uid=master_name(session, held),
            take_type="ANNOUNCEMENT" if take.kind is TakeKind.ANNOUNCEMENT else "DEFAULT",
            speed=ixml.Speed(
                file_sample_rate_hz=samples.sample_rate_hz, audio_bit_depth=samples.valid_bits
            ),
            original_filename=take.file.rsplit("/", 1)[-1],
            tracks=tracks,
            sync_points=marks,
            location=ixml.Location(name=session.place),
            user="\n\n".join(_full_texts(session, each) for each in held.takes),
        )
    )


def _full_texts(session: Session, take: Take) -> str:
    """Return in full, in UTF-8, what ``bext`` can hold only in ASCII and shortened."""
    organisation, machine, setup = (
        session.organisation,
        session.machine_of(take),
        session.setup_of(take),
    )
    lines = [
        f"Archived by: {organisation.name} ({organisation.country}, {organisation.code})",
        f"Take: {master_identifier(session, take)}",
        f"Kind of take: {take.kind}",
        f"Rights: {session.rights.statement} ({session.rights.holder})",
        *(f"Rights: {text}" for text in _layers(session, (take,))),
        *(f"Restriction: {text}" for text in _limits(session)),
    ]
    if machine is not None:
        maker = machine.maker.name if machine.maker else "maker unknown"
        lines.append(f"Machine: {machine.name}, {machine.type}, {maker}")
    if setup is not None:
        stated = {
            "stylus": setup.stylus.kind if setup.stylus else None,
            "diaphragm": setup.diaphragm,
            "gasket": setup.gasket,
            "recording horn": setup.horn_recording,
            "reproducing horn": setup.horn_reproducing,
            "drive": str(setup.drive.kind) if setup.drive else None,
            "nominal speed": setup.nominal_speed.text if setup.nominal_speed else None,
        }
        lines.append("Set-up: " + "; ".join(f"{what} {how}" for what, how in stated.items() if how))
    if take.reproduces:
        lines.append(f"Reproduces: {session.identifier}_{take.reproduces}")
    if take.playings_before is not None:
        lines.append(f"Played before this take: {count(take.playings_before, 'time')}")
    return "\n".join(lines)
