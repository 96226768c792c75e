"""Sessions and archives as no person would write them, within what the sheet allows.

Texts hold control characters, lone surrogates, right-to-left scripts, emoji, markup and
very long remarks. Dates are those of the valid EDTF vectors, from the text of the
Library of Congress of 4 February 2019.
"""

from __future__ import annotations

from typing import TypeVar

from hypothesis import strategies as st

from archiver.describe.facts import Archive
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
    Platter,
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
from tests.describe.archives import archive_of

T = TypeVar("T")

HARD_TEXTS = (
    "tab\tand\nline\r\nand lone \r return",
    "<b>&amp;</b> ]]> <!-- --> <![CDATA[ \"'",
    "\u202eشمع\u202c עברית 蠟筒 🎙️👩🏽\u200d🔧",
    "bell \x07 null \x00 escape \x1b delete \x7f C1 \x85",
    "lone \ud800 surrogate \udfff",
    "no characters \ufffe \uffff",
    "{curly} %s %25 \\ / : # ? [x]",
    "ça, Ærø, ﷽, ẞ",
)
LONG = "A remark of a hundred thousand characters. & " * 2_300

texts = st.one_of(
    st.sampled_from(HARD_TEXTS),
    st.text(min_size=1, max_size=30).filter(str.strip),
    st.text(st.characters(exclude_categories=()), min_size=1, max_size=12).filter(str.strip),
)


def some(strategy: st.SearchStrategy[T]) -> st.SearchStrategy[T | None]:
    """Sometimes nothing."""
    return st.one_of(st.none(), strategy)


def few(strategy: st.SearchStrategy[T], most: int = 2) -> st.SearchStrategy[tuple[T, ...]]:
    """None to a few."""
    return st.lists(strategy, max_size=most).map(tuple)


ids = st.from_regex(r"[a-z0-9](?:[a-z0-9_.-]{0,8}[a-z0-9])?", fullmatch=True)
id_lists = st.lists(ids, min_size=1, max_size=3, unique=True)
dates = st.sampled_from(
    (
        "1907", "1907-04", "1907-04-21", "1908-02-29", "1907-04-21T10:20:30+02:00", "1907/1910",
        "1907~", "1907?", "1907%", "1907?/1910~", "../1910", "1907/..", "1907/", "/1910", "190X",
        "19XX", "1907-XX", "[1907,1908,1910]", "[1907..1910]", "[..1910]", "[1907..]",
        "{1907,1908}", "1907-?04", "~1907-04-21", "1907-21", "Y17000", "-0044", "2999",
    )
).map(parse_edtf)  # fmt: skip
moments = st.sampled_from(
    (
        "2026-04-18T14:12:05+02:00", "2026-04-18T14:12Z", "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59.999999-12:00", "2024-02-29T00:00:00,5+14:00",
        "1999-12-31T23:59:59-11:59",
    )
).map(parse_timestamp)  # fmt: skip
languages = st.sampled_from(("en", "da", "de-CH-1996", "mul", "zh-Hant-TW", "x-private"))
uris = st.sampled_from(
    (
        "https://creativecommons.org/licenses/by-nc-sa/4.0/",
        "http://creativecommons.org/licenses/by/3.0/de/",
        "https://creativecommons.org/publicdomain/zero/1.0/",
        "https://creativecommons.org/publicdomain/mark/1.0/",
        "http://rightsstatements.org/vocab/InC-OW-EU/1.0/",
        "https://rightsstatements.org/page/CNE/1.0/?language=en",
        "urn:example:rights:1",
        "https://example.org/a#b#c%zz[1]?q=ø",
    )
)
lengths = st.sampled_from(("380 mm", "9 1/2 in", "c. 30 cm", "12 ± 1 mm", "0,5 m")).map(
    lambda text: parse_quantity(text, QuantityKind.LENGTH)
)
masses = st.sampled_from(("11.5 kg", "5 lb 3 oz")).map(
    lambda text: parse_quantity(text, QuantityKind.MASS)
)
speeds = st.sampled_from(("160 rpm", "about 78.26 rpm", "2 rps")).map(
    lambda text: parse_quantity(text, QuantityKind.ROTATION)
)
pitches = st.sampled_from(("100 tpi", "0.254 mm")).map(
    lambda text: parse_quantity(text, QuantityKind.GROOVE_PITCH)
)
formats = st.builds(
    SampleFormat,
    encoding=st.just("pcm"),
    container_bits=st.just(24),
    valid_bits=st.integers(1, 24),
    channels=st.integers(1, 3),
    sample_rate_hz=st.sampled_from((8_000, 44_100, 48_000, 384_000)),
)
file_names = st.sampled_from(("a.png", "b ø #1 %.png", "c/d 🎙.png", "e&'f.png", "g:h.png"))

photographs = st.builds(
    Photograph,
    file=file_names.map(lambda name: f"photographs/{name}"),
    caption=some(texts),
    date=some(dates),
)
machine_records = st.builds(
    Machine,
    id=ids,
    names=st.lists(texts, min_size=1, max_size=2).map(tuple),
    type=st.one_of(st.just("Cylinder phonograph"), texts),
    maker=some(st.builds(Maker, name=texts, place=some(texts))),
    made=some(st.builds(Made, place=some(texts), date=some(dates), statement=some(texts))),
    inventory_number=some(texts),
    owner=some(st.builds(Owner, name=texts, place=some(texts))),
    dimensions=some(
        st.builds(
            Dimensions,
            width=some(lengths),
            depth=some(lengths),
            height=some(lengths),
            weight=some(masses),
        )
    ),
    mandrel=some(st.builds(Mandrel, diameter=lengths, note=some(texts))),
    platter=some(st.builds(Platter, diameter=lengths, note=some(texts))),
    groove_pitch=some(pitches),
    recordable_length=some(lengths),
    nominal_speed=some(speeds),
    finish=some(texts),
    materials=few(texts),
    marks=few(st.builds(Mark, kind=st.sampled_from(MarkKind), text=texts, position=some(texts)), 1),
    parts=few(
        st.builds(
            Part,
            name=texts,
            state=st.sampled_from(PartState),
            material=some(texts),
            date=some(dates),
            by=some(texts),
            reversible=some(st.booleans()),
            note=some(texts),
        ),
        2,
    ),
    custody=few(
        st.builds(
            CustodyEvent,
            date=some(dates),
            holder=some(texts),
            place=some(texts),
            event=some(st.one_of(st.just("Bought at auction"), texts)),
            source=some(texts),
        )
    ),
    hazards=few(st.builds(Hazard, kind=texts, note=some(texts)), 1),
    photographs=few(photographs, 1),
)
devices = st.builds(
    Device, maker=some(texts), model=some(texts), serial=some(texts), note=some(texts)
)


def rights_of(take_ids: list[str]) -> st.SearchStrategy[Rights]:
    """Rights of the whole and of layers, contradictions and all."""
    layers = st.builds(
        RightsLayer,
        layer=st.sampled_from(Layer),
        work=some(texts),
        takes=few(st.sampled_from(take_ids)) if take_ids else st.just(()),
        statement=texts,
        uri=some(uris),
        holder=texts,
        basis=st.sampled_from(Basis),
        evidence=some(texts),
        date=some(dates),
        closed_until=some(dates),
        note=some(texts),
    )
    return st.builds(
        Rights,
        statement=texts,
        uri=some(uris),
        holder=texts,
        closed_until=some(dates),
        layers=few(layers, 4),
    )


@st.composite
def sessions(draw: st.DrawFn) -> Session:
    """A session whose references lead somewhere, with hard texts everywhere."""
    machines = draw(st.lists(machine_records, max_size=2, unique_by=lambda one: one.id))
    operators = [
        draw(
            st.builds(
                Operator,
                id=st.just(id_),
                name=texts,
                role=st.sampled_from(Role),
                identifier=some(
                    st.sampled_from(
                        ("https://orcid.org/0000-0002-1825-0097", "urn:example:person:1")
                    )
                ),
                consent=some(
                    st.builds(
                        Consent,
                        given=st.booleans(),
                        date=some(dates),
                        scope=some(texts),
                        purposes=few(st.sampled_from(Purpose), 4),
                        until=some(dates),
                        evidence=some(texts),
                    )
                ),
            )
        )
        for id_ in draw(id_lists)
    ]
    chains = [
        CaptureChain(
            id=id_,
            microphones=draw(
                few(
                    st.builds(
                        Microphone,
                        id=ids,
                        maker=some(texts),
                        position=some(texts),
                        distance=some(lengths),
                        channel=some(st.integers(1, 3)),
                    ),
                    1,
                )
            ),
            preamplifier=draw(some(devices)),
            recorder=draw(some(devices)),
            sample_rate=parse_quantity("48 kHz", QuantityKind.FREQUENCY),
            bit_depth=24,
            channel_layout=draw(st.sampled_from(ChannelLayout)),
            channels=tuple(draw(st.lists(texts, min_size=1, max_size=3))),
        )
        for id_ in draw(st.lists(ids, min_size=1, max_size=2, unique=True))
    ]
    media = [
        Medium(
            id=id_,
            kind=draw(st.sampled_from(MediumKind)),
            material=draw(some(texts)),
            label=draw(some(texts)),
            remarks=draw(some(texts)),
        )
        for id_ in draw(st.lists(ids, max_size=2, unique=True))
    ]
    setups = [
        Setup(
            id=id_,
            machine=draw(st.sampled_from(machines)).id,
            medium=draw(st.sampled_from(media)).id if media else None,
            stylus=draw(some(st.builds(Stylus, kind=some(texts), depth=some(texts)))),
            diaphragm=draw(some(texts)),
            drive=draw(
                some(
                    st.builds(Drive, kind=st.sampled_from(DriveKind), flywheel=some(st.booleans()))
                )
            ),
            nominal_speed=draw(some(speeds)),
            remarks=draw(some(texts)),
        )
        for id_ in (draw(id_lists) if machines else [])
    ]
    take_ids = draw(id_lists)
    takes = [
        Take(
            id=id_,
            file=f"takes/{id_}.wav",
            kind=draw(st.sampled_from(TakeKind)),
            title=draw(some(texts)),
            setup=draw(some(st.sampled_from([setup.id for setup in setups]))) if setups else None,
            chain=draw(some(st.sampled_from([chain.id for chain in chains]))),
            medium=draw(some(st.sampled_from([one.id for one in media]))) if media else None,
            reproduces=draw(some(st.sampled_from(take_ids))),
            playings_before=draw(some(st.integers(0, 3))),
            start=draw(some(moments)),
            operators=tuple(
                draw(st.lists(st.sampled_from([one.id for one in operators]), unique=True))
            ),
            remarks=draw(st.one_of(st.none(), texts, st.just(LONG))),
        )
        for id_ in take_ids
    ]
    pictures = draw(few(photographs))
    return Session(
        identifier=draw(st.from_regex(r"[a-z0-9][a-z0-9-]{1,12}", fullmatch=True)),
        title=draw(texts),
        start=draw(moments),
        end=draw(some(moments)),
        place=draw(texts),
        purpose=draw(some(texts)),
        summary=draw(some(texts)),
        language=draw(languages),
        subjects=draw(few(texts)),
        rights=draw(rights_of([take.id for take in takes])),
        restrictions=draw(few(texts)),
        organisation=Organisation(
            name=draw(texts),
            country=draw(st.sampled_from(("DK", "US"))),
            code=draw(st.from_regex(r"[A-Z0-9]{2,8}", fullmatch=True)),
            address=draw(some(texts)),
            contact=draw(
                some(st.builds(Contact, name=some(texts), phone=some(texts), email=some(texts)))
            ),
        ),
        operators=tuple(operators),
        chains=tuple(chains),
        media=tuple(media),
        setups=tuple(setups),
        takes=tuple(takes),
        photographs=pictures,
        documents=(Document(file="documents/notes & more.txt"),),
        machines=tuple(machines),
    )


@st.composite
def archives(draw: st.DrawFn) -> Archive:
    """An archive of such a session."""
    return archive_of(draw(sessions()), draw(formats))
