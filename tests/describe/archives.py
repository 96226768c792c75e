"""Archives made by hand: one as it really is, and one of any number of takes."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Iterable

from archiver.describe.embedded import master_identifier
from archiver.describe.facts import (
    Archive,
    EventKind,
    FileFacts,
    FileRole,
    Levels,
    Library,
    MasterFacts,
    Outcome,
    RunEvent,
    RunFacts,
)
from archiver.session.edtf import parse_edtf
from archiver.session.quantity import QuantityKind, parse_quantity
from archiver.session.records import (
    Basis,
    CaptureChain,
    ChannelLayout,
    Consent,
    Contact,
    CustodyEvent,
    Device,
    Dimensions,
    Document,
    Drive,
    DriveKind,
    Hazard,
    Layer,
    Machine,
    Made,
    Maker,
    Mandrel,
    Mark,
    MarkKind,
    Medium,
    MediumKind,
    Microphone,
    Operator,
    Organisation,
    Owner,
    Part,
    PartState,
    Photograph,
    Purpose,
    Rights,
    RightsLayer,
    Role,
    Session,
    Setup,
    Stylus,
    Take,
    TakeKind,
)
from archiver.session.timestamp import parse_timestamp
from archiver.signal.sampleformat import SampleFormat

MADE = "2026-05-04T09:00:00+02:00"
PCM_24 = SampleFormat(
    encoding="pcm", container_bits=24, valid_bits=24, channels=1, sample_rate_hz=96_000
)


def a_machine() -> Machine:
    """A machine with every field filled in."""
    length, mass = QuantityKind.LENGTH, QuantityKind.MASS
    return Machine(
        id="hornblad-a",
        names=("Hornblad Talevalse A", "Den lille"),
        type="cylinder phonograph",
        maker=Maker(name="Hornblad & Søn", place="Ærkebro"),
        made=Made(
            place="Ærkebro",
            date=parse_edtf("[1903..1907]"),
            statement="Not before 1903: patent on the plate. Not after 1907: invoice.",
        ),
        inventory_number="HM 0001",
        owner=Owner(
            name="Hornblads Museum",
            legal_name="Private Legalsen",
            place="Ærkebro",
            address="Private Lane 9",
            phone="+45 99 private",
            email="private@owner.example",
        ),
        location="Private House, first floor",
        insurance_value="Private DKK 40,000",
        dimensions=Dimensions(
            width=parse_quantity("380 mm", length),
            depth=parse_quantity("9 1/2 in", length),
            height=parse_quantity("c. 30 cm", length),
            weight=parse_quantity("11.5 kg", mass),
        ),
        mandrel=Mandrel(diameter=parse_quantity("1 13/16 in", length), note="tapered"),
        groove_pitch=parse_quantity("100 tpi", QuantityKind.GROOVE_PITCH),
        recordable_length=parse_quantity("4 in", length),
        nominal_speed=parse_quantity("160 rpm", QuantityKind.ROTATION),
        finish="oak, shellac",
        materials=("oak", "brass", "mica"),
        marks=(
            Mark(kind=MarkKind.SERIAL_NUMBER, text="No 12345", position="bed plate"),
            Mark(kind=MarkKind.MAKERS_PLATE, text="HORNBLAD & SØN <PATENT>"),
        ),
        parts=(
            Part(name="mandrel", state=PartState.ORIGINAL),
            Part(
                name="mainspring",
                state=PartState.REPLACED,
                material="spring steel",
                date=parse_edtf("1991"),
                by="Værkstedet",
                reversible=True,
                note="of the same strength",
            ),
        ),
        custody=(
            CustodyEvent(
                date=parse_edtf("1958~"),
                holder="Familien Ærvig",
                place="Ærkebro",
                event="kept in the attic",
                source="spoken, 1984",
            ),
            CustodyEvent(
                date=parse_edtf("1984-05"), holder="Hornblads Museum", event="gift", source="no. 1"
            ),
            CustodyEvent(date=parse_edtf("1991/.."), event="spring replaced"),
        ),
        hazards=(Hazard(kind="spring under tension", note="Let it down first."),),
        photographs=(Photograph(file="photographs/plate æ#1.png", caption="The plate"),),
    )


def a_session() -> Session:
    """A session with every kind of record; one of its people has given no consent."""
    rate = parse_quantity("96 kHz", QuantityKind.FREQUENCY)
    chain = CaptureChain(
        id="main",
        microphones=(
            Microphone(
                id="m1",
                maker="Tværlyd",
                model="K 2",
                serial="00417",
                pattern="omnidirectional",
                position="horn mouth",
                distance=parse_quantity("0.4 m", QuantityKind.LENGTH),
                channel=1,
                note="wind shield",
            ),
        ),
        preamplifier=Device(maker="Bølge", model="FP-2", gain="38 dB"),
        converter=Device(maker="Bølge", model="FR-2", clock="internal"),
        recorder=Device(maker="Bølge", model="FR-2", serial="7", firmware="2.10", note="card 3"),
        sample_rate=rate,
        bit_depth=24,
        channel_layout=ChannelLayout.MONO,
        channels=("horn mouth",),
    )
    setup = Setup(
        id="s1",
        machine="hornblad-a",
        medium="cyl-07",
        stylus=Stylus(kind="sapphire", depth="0.02 mm", centring="by eye"),
        diaphragm="mica",
        gasket="rubber",
        horn_recording="tin, 14 in",
        horn_reproducing="tin, 14 in",
        drive=Drive(kind=DriveKind.SPRING, flywheel=False, governor="three balls", note="wound"),
        nominal_speed=parse_quantity("160 rpm", QuantityKind.ROTATION),
        remarks="cold room",
    )
    return Session(
        identifier="hm-2026-05-03",
        title="Prøve af talevalsen, ført på voks",
        start=parse_timestamp("2026-05-03T14:00:00+02:00"),
        end=parse_timestamp("2026-05-03T15:00:00+02:00"),
        place="Ærkebro, museets sal",
        address="Private Square 1",
        purpose="To hear the governor.",
        summary="Three takes on a cylinder machine.",
        language="da",
        subjects=("phonographs", "wax cylinders"),
        rights=Rights(
            statement="May be copied when the museum is named.",
            uri="https://creativecommons.org/licenses/by/4.0/",
            holder="Hornblads Museum",
            layers=(
                RightsLayer(
                    layer=Layer.COMPOSITION,
                    work="Vise om voks",
                    statement="The song is in the public domain.",
                    uri="https://creativecommons.org/publicdomain/mark/1.0/",
                    holder="none",
                    basis=Basis.PUBLIC_DOMAIN,
                    note="The poet died in 1911.",
                ),
                RightsLayer(
                    layer=Layer.PERFORMANCE,
                    takes=("t02", "t03"),
                    statement="May be played in the museum.",
                    holder="The performer",
                    basis=Basis.CONSENT,
                    evidence="Register of persons, folder 14",
                    date=parse_edtf("2026-05-03"),
                    closed_until=parse_edtf("2040-12"),
                ),
                RightsLayer(
                    layer=Layer.PHOTOGRAPHS,
                    statement="May be copied when the museum is named.",
                    uri="https://creativecommons.org/licenses/by/4.0/",
                    holder="Hornblads Museum",
                    basis=Basis.LICENCE,
                ),
                RightsLayer(
                    layer=Layer.TEXT,
                    statement="Free under the act on public archives, § 12.",
                    holder="Hornblads Museum",
                    basis=Basis.STATUTE,
                    evidence="Act on public archives, § 12",
                ),
            ),
        ),
        restrictions=("Not to be used to imitate a voice.",),
        organisation=Organisation(
            name="Hornblads Museum",
            country="DK",
            code="HM",
            address="Gade 1, Ærkebro",
            contact=Contact(name="Lydsamlingen", phone="+45 00 00 00 00", email="lyd@hm.example"),
        ),
        operators=(
            Operator(
                id="asta",
                name="Åsta Ørnvig",
                legal_name="Private Ørnvigsen",
                address="Private Road 3",
                phone="+45 98 private",
                email="private@person.example",
                role=Role.RECORDING_ENGINEER,
                identifier="https://orcid.org/0000-0002-1825-0097",
                consent=Consent(
                    given=True,
                    date=parse_edtf("2026-05-03"),
                    scope="Archiving, publication, name",
                    purposes=(
                        Purpose.RECORDING,
                        Purpose.ARCHIVING,
                        Purpose.PUBLICATION,
                        Purpose.NAME,
                    ),
                    until=parse_edtf("2060"),
                    evidence="Register of persons, folder 13",
                ),
            ),
            Operator(
                id="villads",
                name="Villads Skjultgaard",
                role=Role.PERFORMER,
                identifier="https://people.example/villads-skjultgaard",
                consent=Consent(given=False, scope="Archiving without name"),
            ),
        ),
        chains=(chain,),
        media=(
            Medium(
                id="cyl-07",
                kind=MediumKind.WAX_CYLINDER,
                material="brown wax",
                label="HM valse 7",
                remarks="hairline crack",
            ),
        ),
        setups=(setup,),
        takes=(
            Take(
                id="t01",
                file="takes/0001.wav",
                kind=TakeKind.ANNOUNCEMENT,
                title="Annoncering",
                start=parse_timestamp("2026-05-03T14:02:11+02:00"),
                operators=("asta",),
            ),
            Take(
                id="t02",
                file="takes/0002.wav",
                kind=TakeKind.PERFORMANCE,
                title="Vise om <voks> & messing",
                setup="s1",
                playings_before=0,
                start=parse_timestamp("2026-05-03T14:12:05+02:00"),
                operators=("asta", "villads"),
                remarks="The feed nut thumps.",
            ),
            Take(
                id="t03",
                file="takes/0003.wav",
                kind=TakeKind.REPRODUCTION,
                setup="s1",
                reproduces="t02",
                playings_before=1,
                operators=("asta",),
            ),
        ),
        photographs=(
            Photograph(
                file="photographs/room.png",
                caption="Salen",
                date=parse_edtf("2026-05-03"),
                by="asta",
            ),
            Photograph(file="photographs/horn.png", machine="hornblad-a", by="villads"),
        ),
        documents=(Document(file="documents/notes.txt", caption="Notes"),),
        machines=(a_machine(),),
    )


def digests_for(text: str) -> dict[str, str]:
    """Digests of a text, in the place of those of a file."""
    raw = text.encode("utf-8", "replace")
    return {
        "sha256": hashlib.sha256(raw).hexdigest(),
        "sha512": hashlib.sha512(raw).hexdigest(),
    }


LEVELS = Levels(
    integrated_lufs=-23.456,
    range_lu=5.1,
    true_peak_dbtp=-5.94,
    max_momentary_lufs=-18.2,
    max_short_term_lufs=-19.9,
)


def files_of(session: Session, takes: Iterable[Take]) -> list[FileFacts]:
    """Masters, access copies, photographs and papers of a session."""
    found: list[FileFacts] = []
    for number, take in enumerate(takes, start=1):
        name = master_identifier(session, take)
        path = f"data/masters/{name}.wav"
        found.append(
            FileFacts(
                path=path,
                size_bytes=1_000_000 + number,
                digests=digests_for(path),
                media_type="audio/vnd.wave",
                role=FileRole.MASTER,
                take=take.id,
                original_name=take.file,
            )
        )
        found.append(
            FileFacts(
                path=f"data/access/{name}.flac",
                size_bytes=500_000 + number,
                digests=digests_for(name),
                media_type="audio/flac",
                role=FileRole.ACCESS,
                take=take.id,
                derived_from=path,
            )
        )
    pictures = [one.file for one in session.photographs]
    pictures += [one.file for machine in session.machines for one in machine.photographs]
    found += [
        FileFacts(
            path=f"data/{name}",
            size_bytes=4_711,
            digests=digests_for(name),
            media_type="image/png",
            role=FileRole.PHOTOGRAPH,
            original_name=name,
        )
        for name in dict.fromkeys(pictures)
    ]
    found += [
        FileFacts(
            path=f"data/{one.file}",
            size_bytes=17,
            digests=digests_for(one.file),
            media_type="text/plain",
            role=FileRole.DOCUMENT,
            original_name=one.file,
        )
        for one in session.documents
    ]
    found.append(
        FileFacts(
            path="metadata/session.json",
            size_bytes=99,
            digests=digests_for("session"),
            media_type="application/json",
            role=FileRole.METADATA,
        )
    )
    return found


def archive_of(session: Session, samples: SampleFormat = PCM_24) -> Archive:
    """An archive with a master, an access copy and events for each take."""
    files = files_of(session, session.takes)
    masters = []
    events = []
    for number, take in enumerate(session.takes, start=1):
        path = f"data/masters/{master_identifier(session, take)}.wav"
        frames = 1_234_567 + number
        masters.append(
            MasterFacts(
                take=take.id,
                path=path,
                samples=samples,
                frames=frames,
                samples_md5=f"{number:032x}",
                levels=LEVELS,
            )
        )
        events += [
            RunEvent(
                kind=kind,
                when=MADE,
                outcome=Outcome.SUCCESS,
                detail=f"{kind} for take {take.id}",
                take=take.id,
                paths=(path,),
            )
            for kind in (EventKind.CREATION, EventKind.EMBEDDING, EventKind.DIGESTS)
        ]
    events.append(
        RunEvent(
            kind=EventKind.VALIDATION,
            when=MADE,
            outcome=Outcome.WARNING,
            detail="The sheet and the captures were checked.",
            outcome_note="2 warnings",
        )
    )
    run = RunFacts(
        program="archiver",
        version="0.1.0",
        archived=MADE,
        bag_identifier="urn:uuid:33333333-3333-4333-8333-333333333333",
        doi="10.5072/hm-2026-05-03",
        libraries=(Library(name="lxml", version="6.0.0"),),
        events=tuple(events),
    )
    return Archive(session=session, files=tuple(files), masters=tuple(masters), run=run)


def an_archive() -> Archive:
    """The hand-made archive."""
    return archive_of(a_session())


def a_long_session(takes: int) -> Session:
    """The hand-made session with many takes."""
    session = a_session()
    return dataclasses.replace(
        session,
        takes=tuple(
            dataclasses.replace(session.takes[1], id=f"t{n:04d}", file=f"takes/{n:04d}.wav")
            for n in range(takes)
        ),
    )
