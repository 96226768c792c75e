"""What is written into a master beside its samples, from the session record.

The fields of ``bext`` and of the INFO list are filled as the US federal guideline
(FADGI, Embedding Metadata in Broadcast WAVE, v2, 2012) says: the responsible
organisation as Originator, the identifier of the file as OriginatorReference,
labelled identifiers as Description. ``bext`` is ASCII (EBU Tech 3285 v2): text is
transliterated and cut there, which is reported; the INFO list and ``iXML`` hold the
full text in UTF-8.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.describe.coding import capture_steps, own_step
from archiver.describe.people import public_name
from archiver.findings import Finding, Where
from archiver.session.records import Role, Session, Take, TakeKind
from archiver.signal.sampleformat import SampleFormat
from archiver.signal.take import TakeMeasurements
from archiver.wave import ixml
from archiver.wave import rules as wave_rules
from archiver.wave.bext import Bext, Loudness
from archiver.wave.fitting import fit_field
from archiver.wave.info import Info, InfoEntry

__all__ = ["Embedded", "embedded_for", "loudness_of", "master_identifier"]

_DESCRIPTION = 256
_REFERENCE = 32
_LONGEST_INFO = 2045  # libsndfile 1.2.2 loses the list behind a text of more than 2046 bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Embedded:
    """Records for the chunks of one master, and what had to be changed on the way."""

    bext: Bext
    info: Info
    ixml: ixml.Ixml
    findings: tuple[Finding, ...]


def master_identifier(session: Session, take: Take) -> str:
    """Return the identifier of a master: session and take, as in its file name."""
    return f"{session.identifier}_{take.id}"


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
    session: Session, take: Take, *, samples: SampleFormat, program: str, done: str
) -> Embedded:
    """Fill the chunks of a master from the session record.

    Parameters
    ----------
    session, take
        What the sheet says.
    samples : SampleFormat
        Of the master.
    program : str
        Name and version of this program.
    done : str
        What this program did, for the coding history.

    Returns
    -------
    Embedded
        ``bext`` version 2 with unused loudness; the samples' loudness is filled in when
        it has been measured. TimeReference is 0, as the guideline says where there is
        no time code.
    """
    fitting = _Fitting(session.locate(take.at))
    return Embedded(
        bext=_bext(session, take, samples, program, done, fitting),
        info=_info(session, take, program, fitting),
        ixml=_ixml(session, take, samples),
        findings=tuple(fitting.findings),
    )


def _identifiers(session: Session, take: Take) -> list[str]:
    """Return labelled identifiers: identifier, type, comment."""
    found = [
        f"{master_identifier(session, take)}, local, take",
        f"{session.identifier}, local, session",
    ]
    machine, medium = session.machine_of(take), session.medium_of(take)
    if machine is not None:
        found.append(f"{machine.inventory_number or machine.id}, local, object")
    if medium is not None:
        found.append(f"{medium.label or medium.id}, local, medium")
    return found


def _whole_entries(entries: list[str], width: int) -> str:
    text = ""
    for entry in entries:
        longer = f"{text}; {entry}" if text else entry
        if len(longer) > width:
            break
        text = longer
    return text


def _bext(
    session: Session, take: Take, samples: SampleFormat, program: str, done: str, fitting: _Fitting
) -> Bext:
    reference = master_identifier(session, take)
    if len(reference) > _REFERENCE:
        reference = "See Description for Identifiers"
    organisation = session.organisation
    started = take.start or session.start
    history = capture_steps(session, take, samples) + own_step(samples, program, done)
    return Bext(
        description=fitting.ascii(
            "description", _whole_entries(_identifiers(session, take), _DESCRIPTION)
        ),
        originator=fitting.ascii("originator", f"{organisation.country}, {organisation.code}"),
        originator_reference=fitting.ascii("originator_reference", reference),
        origination_date=started.moment.strftime("%Y-%m-%d"),
        origination_time=started.moment.strftime("%H:%M:%S") if take.start else "",
        coding_history=history,
    )


def _people(session: Session, take: Take, roles: set[Role]) -> str:
    present = set(take.operators)
    return "; ".join(
        public_name(person)
        for person in session.operators
        if person.role in roles and (not present or person.id in present)
    )


def _info(session: Session, take: Take, program: str, fitting: _Fitting) -> Info:
    medium, machine = session.medium_of(take), session.machine_of(take)
    engineers = _people(session, take, {Role.RECORDING_ENGINEER})
    source_form = "Live sound"
    if take.kind.plays and medium is not None:
        source_form = f"{medium.kind}{f', {medium.material}' if medium.material else ''}"
    texts = {
        "IARL": f"{session.organisation.country}, {session.organisation.code}",
        "IART": _people(session, take, {Role.PERFORMER, Role.ANNOUNCER}),
        "ICMT": "; ".join(_identifiers(session, take)),
        "ICOP": "; ".join(
            text.rstrip(". ") for text in (session.rights.statement, *session.restrictions)
        ),
        "ICRD": (take.start or session.start).moment.strftime("%Y-%m-%d"),
        "IENG": engineers,
        "IKEY": "; ".join(session.subjects),
        "IMED": f"{medium.kind} {medium.label or medium.id}" if medium else "",
        "INAM": take.title or f"{session.title}: {take.kind}",
        "IPRD": session.title,
        "ISBJ": take.remarks or session.summary or "",
        "ISFT": program,
        "ISRC": machine.owner.name if machine and machine.owner else session.organisation.name,
        "ISRF": source_form,
        "ITCH": engineers,
    }
    entries = (fitting.info(identifier, text) for identifier, text in texts.items())
    return Info(entries=tuple(entry for entry in entries if entry is not None))


def _ixml(session: Session, take: Take, samples: SampleFormat) -> ixml.Ixml:
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
            take=take.id,
            tape=(medium.label or medium.id) if medium else "",
            note="\n".join(part for part in (take.title, take.remarks) if part),
            file_uid=master_identifier(session, take),
            take_type="ANNOUNCEMENT" if take.kind is TakeKind.ANNOUNCEMENT else "DEFAULT",
            speed=ixml.Speed(
                file_sample_rate_hz=samples.sample_rate_hz, audio_bit_depth=samples.valid_bits
            ),
            original_filename=take.file.rsplit("/", 1)[-1],
            tracks=tracks,
            location=ixml.Location(name=session.place),
            user=_full_texts(session, take),
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
        f"Identifiers: {'; '.join(_identifiers(session, take))}",
        f"Kind of take: {take.kind}",
        f"Rights: {session.rights.statement} ({session.rights.holder})",
        *(f"Restriction: {text}" for text in session.restrictions),
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
        lines.append(f"Played before this take: {take.playings_before} times")
    return "\n".join(lines)
