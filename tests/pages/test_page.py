"""The session's page: complete, well-formed, self-contained, and safe with any text."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from archiver.describe.facts import Archive, FileFacts, FileRole
from archiver.describe.motion_record import motion_record
from archiver.describe.withholding import withhold
from archiver.describe.xmltext import legal
from archiver.pages.facts import PageFacts
from archiver.pages.page import session_page
from archiver.pages.takes import MOST_DETAILED
from archiver.session.cautions import DEFERRING, cautions_of
from archiver.session.edtf import parse_edtf
from archiver.session.records import Session, TakeKind
from tests.conftest import REPOSITORY, Golden
from tests.describe.strategies import archives
from tests.pages.reading import XHTML, Page
from tests.pages.records import LINKS, motion, page_facts, sample


@pytest.fixture(scope="module")
def session() -> Session:
    return sample(REPOSITORY / "sample_session")


@pytest.fixture(scope="module")
def page(session: Session) -> Page:
    return Page(session_page(page_facts(session), LINKS))


def of(session: Session) -> Page:
    return Page(session_page(page_facts(session), LINKS))


def test_the_page_of_the_sample_session_is_as_kept(session: Session, golden: Golden) -> None:
    golden.check("session.html", session_page(page_facts(session), LINKS))


def test_the_same_facts_give_the_same_bytes(session: Session) -> None:
    first = session_page(page_facts(session), LINKS)
    assert session_page(page_facts(session), LINKS) == first


def test_nothing_is_fetched_from_elsewhere_and_no_script_runs(page: Page) -> None:
    assert not page.all("script", "link", "iframe", "object", "embed", "base")
    fetched = [one.get("src") or "" for one in page.all("img", "source", "audio", "video")]
    assert all(address.startswith("../data/") for address in fetched if address)
    assert "url(" not in page.style
    assert "@import" not in page.style
    assert not [
        name for one in page.root.iter(etree.Element) for name in one.attrib if name[:2] == "on"
    ]


def test_every_place_on_the_page_that_is_led_to_is_there_once(page: Page) -> None:
    ids = [one.get("id") for one in page.root.iter(etree.Element) if one.get("id")]
    assert len(ids) == len(set(ids))
    inner = [address[1:] for address in page.addresses() if address.startswith("#")]
    assert inner
    assert not set(inner) - set(ids)
    labels = [one.get("aria-labelledby") for one in page.root.iter(etree.Element)]
    assert not {label for label in labels if label} - set(ids)


def test_no_id_of_the_sheet_takes_the_place_of_another(session: Session) -> None:
    takes = (
        dataclasses.replace(session.takes[0], id="x"),
        dataclasses.replace(session.takes[0], id="x-title"),
    )
    facts = page_facts(session)
    changed = dataclasses.replace(session, takes=takes)
    archive = dataclasses.replace(facts.archive, session=changed)
    page = Page(session_page(dataclasses.replace(facts, archive=archive), LINKS))
    ids = [one.get("id") for one in page.root.iter(etree.Element) if one.get("id")]
    assert len(ids) == len(set(ids))


def test_a_take_without_a_title_is_headed_by_what_it_is(session: Session) -> None:
    """Kind, number where there are several of the kind, and medium; no title of another."""
    first = dataclasses.replace(session.takes[0], kind=TakeKind.ROOM_TONE, id="x1", title=None)
    medium = session.media[0]
    takes = (
        first,
        *(
            dataclasses.replace(
                first, id=f"x{number}", kind=TakeKind.REPRODUCTION, medium=medium.id, title=title
            )
            for number, title in ((2, None), (3, "The song again"), (4, None))
        ),
    )
    facts = page_facts(session)
    archive = dataclasses.replace(facts.archive, session=dataclasses.replace(session, takes=takes))
    page = Page(session_page(dataclasses.replace(facts, archive=archive), LINKS))
    on = f"{medium.kind} {medium.id}"
    titles = [page.text(one) for one in page.all("h3") if page.text(one).startswith("x")]
    assert titles == [
        "x1 · Room tone",
        f"x2 · Reproduction 1, {on}",
        "x3 · The song again reproduction",
        f"x4 · Reproduction 3, {on}",
    ]


def test_headings_step_down_one_by_one(page: Page) -> None:
    """HTML Living Standard, 4.3.11: one h1, and no rank left out on the way down."""
    ranks = [int(one.tag[-1]) for one in page.all("h1", "h2", "h3", "h4", "h5", "h6")]
    assert ranks[0] == 1
    assert ranks.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(ranks))


def test_a_picture_is_told_by_its_caption(page: Page, session: Session) -> None:
    """WCAG 2.2, 1.1.1."""
    told = {one.get("alt") for one in page.all("img")}
    assert told == {one.caption for one in (*session.photographs,)} | {
        "The maker's plate on the front of the case"
    }


def test_tables_have_a_caption_and_heads_with_a_scope(page: Page) -> None:
    """WCAG 2.2, 1.3.1; techniques H39 and H63."""
    tables = page.all("table")
    assert tables
    for table in tables:
        assert page.text(table[0])
        assert table[0].tag == f"{XHTML}caption"
        assert all(head.get("scope") in ("col", "row") for head in table.iter(f"{XHTML}th"))


def test_drawings_are_told_in_words(page: Page) -> None:
    """WCAG 2.2, 1.1.1; technique ARIA6: an SVG is an image with a label, or hidden."""
    drawings = page.all("svg")
    assert drawings
    for one in drawings:
        hidden = one.get("aria-hidden") == "true"
        assert hidden or (one.get("role") == "img" and len(one.get("aria-label") or "") > 20)


def test_the_page_names_its_language_and_that_of_the_session(session: Session) -> None:
    """WCAG 2.2, 3.1.1 and 3.1.2: labels are English, what the sheet says is Danish."""
    page = of(dataclasses.replace(session, language="da"))
    assert page.root.get("lang") == "en"
    assert page.all("h1")[0].get("lang") == "da"
    remark = next(
        one for one in page.all("span") if (one.text or "").startswith("A cart passes outside")
    )
    assert remark.get("lang") == "da"


def test_every_fact_of_the_record_says_what_it_rests_on(page: Page) -> None:
    for part in ("session", "machine-vesterholm-b", "media", "setups", "capture"):
        found = page.facts(part)
        assert found
        for label, values in found.items():
            assert all(basis in ("stated", "measured", "derived") for _, basis in values), label


def test_speed_is_told_as_stated_measured_and_derived_side_by_side(page: Page) -> None:
    facts = page.facts("take-t04")
    assert facts["Speed"] == [("100 rpm", "stated"), ("98.990 ± 0.033 rpm", "measured")]
    assert facts["Measured against stated"] == [("\N{MINUS SIGN}1.010 ± 0.033 %", "derived")]
    assert facts["Speed at which it was recorded"] == [("97.39 ± 0.19 rpm", "derived")]


def test_each_channel_of_a_take_is_named(session: Session) -> None:
    facts = page_facts(session)
    path = facts.archive.master_of["t01"].path
    (channel,) = facts.sounds[path].channels
    silent = dataclasses.replace(channel, hum_hz=None, clipped=())
    sound = dataclasses.replace(facts.sounds[path], channels=(channel, silent))
    page = Page(
        session_page(dataclasses.replace(facts, sounds={**facts.sounds, path: sound}), LINKS)
    )
    told = page.facts("take-t01")
    floor = "\N{MINUS SIGN}53.0 dBFS"
    assert told["Noise floor"] == [
        (f"{floor} (horn mouth); {floor} (room), in the quietest tenth of the take", "measured")
    ]
    assert told["Hum"][0][0].endswith("(horn mouth)")
    assert "(room)" not in told["Clipped"][0][0]


def test_what_could_not_be_measured_says_why(page: Page) -> None:
    speeds = page.facts("take-t03")["Speed"]
    assert speeds[1] == ("cannot be told: no sound returns once a turn", "measured")


def test_cautions_stand_first_with_sources_and_what_they_defer_to(
    page: Page, session: Session
) -> None:
    assert page.all("h2")[0].text == "Before the objects are handled"
    text = page.text(page.by_id("cautions"))
    assert DEFERRING in text
    cautions = cautions_of(session)
    assert cautions
    for caution in cautions:
        assert caution.text in text
        assert f"Source: {caution.source}." in text


def test_the_dating_of_each_machine_is_told_with_its_evidence(page: Page, session: Session) -> None:
    for machine in session.machines:
        text = page.text(page.by_id(f"dating-{machine.id}"))
        assert machine.evidence
        for piece in machine.evidence:
            assert piece.what in text
            assert piece.source in text


def test_evidence_that_contradicts_itself_is_told_as_such(session: Session) -> None:
    machine = session.machines[0]
    first = machine.evidence[0]
    against = dataclasses.replace(first, what="a label of 1890", says=parse_edtf("[..1890]"))
    changed = dataclasses.replace(machine, evidence=(*machine.evidence, against))
    page = of(dataclasses.replace(session, machines=(changed, *session.machines[1:])))
    text = page.text(page.by_id(f"dating-{machine.id}"))
    assert "no date: the firm evidence contradicts itself" in text
    assert "evidence 1 and 6" in text
    assert "conflicts with 6" in text
    assert "conflicts with 1" in text


def test_digests_and_the_way_to_check_them_are_told(page: Page) -> None:
    facts = page_facts(sample(REPOSITORY / "sample_session"))
    text = page.text(page.by_id("files"))
    for file in facts.archive.files:
        assert file.digests["sha256"] in text
    assert "sha256sum -c manifest-sha256.txt" in page.text(page.by_id("verify"))


def test_a_person_without_consent_keeps_the_name_to_himself(session: Session) -> None:
    person = dataclasses.replace(session.operators[1], consent=None)
    operators = (session.operators[0], person, *session.operators[2:])
    public = withhold(dataclasses.replace(session, operators=operators)).session
    content = session_page(page_facts(public), LINKS).decode()
    assert "Ragna" not in content
    assert "name withheld" in content


def test_a_restricted_file_is_not_led_to(session: Session) -> None:
    facts = page_facts(session)
    secret = FileFacts(
        path="data/restricted/session.yaml", size_bytes=1, digests={"sha256": "0" * 64},
        media_type="application/yaml", role=FileRole.RESTRICTED,
    )  # fmt: skip
    archive = dataclasses.replace(facts.archive, files=(*facts.archive.files, secret))
    page = Page(session_page(dataclasses.replace(facts, archive=archive), LINKS))
    assert not [address for address in page.addresses() if "restricted" in address]
    assert "1 file in data/restricted" in page.text(page.by_id("rights"))
    without = dataclasses.replace(facts, restricted_left_out=True)
    page = Page(session_page(without, LINKS))
    assert "left out of this bag" in page.text(page.by_id("rights"))


@given(
    title=st.text(min_size=1), remark=st.text(min_size=1), caption=st.text(min_size=1),
)  # fmt: skip
@settings(max_examples=10)
def test_any_text_comes_out_as_text(title: str, remark: str, caption: str) -> None:
    session = sample(REPOSITORY / "sample_session")
    take = dataclasses.replace(session.takes[0], title=f"<b>{title}", remarks=f"&amp;{remark}")
    photograph = dataclasses.replace(session.photographs[0], caption=f'">{caption}')
    changed = dataclasses.replace(
        session,
        title=f"</style><script>{title}",
        takes=(take, *session.takes[1:]),
        photographs=(photograph, *session.photographs[1:]),
    )
    page = of(changed)
    assert page.all("h1")[0].text == _read_back(f"</style><script>{title}")
    assert _spaced(f"&amp;{remark}") in page.text(page.by_id("take-t01"))
    told = [" ".join((one.get("alt") or "").split()) for one in page.all("img")]
    assert " ".join(legal(f'">{caption}').split()) in told


def _read_back(text: str) -> str:
    """As XML reads line ends (XML 1.0, 2.11)."""
    return legal(text).replace("\r\n", "\n").replace("\r", "\n")


def _spaced(text: str) -> str:
    return " ".join(legal(text).split())


@given(archive=archives())
@settings(max_examples=40)
def test_any_archive_has_a_page_that_a_strict_parser_reads(archive: Archive) -> None:
    page = Page(session_page(PageFacts(archive=archive, bag="bag", algorithms=("sha512",)), LINKS))
    ids = [one.get("id") for one in page.root.iter(etree.Element) if one.get("id")]
    assert len(ids) == len(set(ids))
    inner = {address[1:] for address in page.addresses() if address.startswith("#")}
    assert not inner - set(ids)
    for take in archive.session.takes:
        assert _spaced(take.remarks or "") in page.text(page.by_id(f"take-{take.id}"))


ANY = st.one_of(st.floats(-1e308, 1e308), st.floats(-200, 200), st.just(0.0))


@given(
    times=st.lists(st.floats(0, 1e6), min_size=20, max_size=20),
    values=st.lists(ANY, min_size=19, max_size=19),
    widths=st.lists(ANY, min_size=19, max_size=19),
    mean=ANY,
    width=st.floats(0, 1e308),
)
@settings(max_examples=25)
def test_any_motion_on_record_has_a_page(
    times: list[float], values: list[float], widths: list[float], mean: float, width: float
) -> None:
    session = sample(REPOSITORY / "sample_session")
    document = motion()
    turned = document["takes"][1]
    turned["rotation"] |= {"event_s": sorted(times), "rpm": values, "rpm_uncertainty": widths}
    turned["rotation"]["mean_rpm"] = {"unit": "rpm", "value": mean, "uncertainty": width}
    turned["speed_curve"] |= {
        "time_s": sorted(times), "ratio": [*values, 1.0], "ratio_uncertainty": [*widths, 0.1],
        "told": [True] * 20,
    }  # fmt: skip
    facts = dataclasses.replace(page_facts(session), motion=motion_record(document, "motion.json"))
    page = Page(session_page(facts, LINKS))
    assert page.facts("take-t04")["Speed"][0] == ("100 rpm", "stated")
    for drawn in page.by_id("take-t04").iter(f"{XHTML}path"):
        assert "nan" not in (drawn.get("d") or "")
        assert "inf" not in (drawn.get("d") or "")


def test_an_address_of_another_scheme_is_shown_and_not_led_to(session: Session) -> None:
    rights = dataclasses.replace(session.rights, uri="javascript:alert(1)")
    page = of(dataclasses.replace(session, rights=rights))
    assert "javascript:alert(1)" in page.text(page.by_id("rights"))
    assert not [address for address in page.addresses() if "javascript" in address]


def test_a_session_of_many_takes_lists_all_and_details_the_first(session: Session) -> None:
    more = tuple(
        dataclasses.replace(
            session.takes[2], id=f"x{number}", reproduces=f"x{MOST_DETAILED + 4 - number}"
        )
        for number in range(MOST_DETAILED + 5)
    )
    facts = page_facts(session)
    many = dataclasses.replace(session, takes=more)
    page = Page(
        session_page(
            dataclasses.replace(facts, archive=dataclasses.replace(facts.archive, session=many)),
            LINKS,
        )
    )
    text = page.text(page.by_id("takes"))
    assert f"x{MOST_DETAILED + 4}" in text
    ids = {one.get("id") for one in page.root.iter(etree.Element)}
    inner = {address[1:] for address in page.addresses() if address.startswith("#")}
    assert not inner - ids
    assert f"The first {MOST_DETAILED} of {MOST_DETAILED + 5} takes" in text


def test_the_page_needs_no_machine_no_medium_and_no_measurement(session: Session) -> None:
    bare = dataclasses.replace(
        session, machines=(), media=(), setups=(), conditions=(), photographs=(), documents=(),
        takes=session.takes[:1], operators=(), types=(), chains=(),
    )  # fmt: skip
    facts = page_facts(bare)
    page = Page(
        session_page(
            dataclasses.replace(
                facts, motion=None, sounds={}, findings=(), bag="", algorithms=(), steps=(),
                archive=dataclasses.replace(facts.archive, files=(), masters=()),
            ),
            LINKS,
        )
    )  # fmt: skip
    titles = [page.text(one) for one in page.all("h2")]
    assert titles == ["The session", "Takes", "Rights and restrictions"]
    assert "not archived yet" in page.text(page.all("footer")[0])


def test_the_templates_ship_with_the_package() -> None:
    folder = Path(REPOSITORY / "archiver" / "pages" / "templates")
    assert {one.name for one in folder.iterdir()} == {"page.html", "page.css"}
