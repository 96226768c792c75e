"""The papers of a deposit: golden files, and no text of a person that becomes markup.

Judges: the html.parser and csv modules of the standard library; RFC 4180 for CSV.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.deposit_record import DepositedFile, encode_deposit
from archiver.custody.receipts import Decision, Reason, Receipt, encode_receipt
from archiver.describe.layers import RightsStatement
from archiver.pages.papers.agreement import AgreementFacts, agreement_page
from archiver.pages.papers.letters import receipt_request, refusal_letter
from archiver.pages.papers.receipt_page import receipt_page
from archiver.pages.papers.transfer_list import transfer_csv, transfer_page
from archiver.session.edtf import parse_edtf
from archiver.session.institution_terms import Agreement
from archiver.session.records import Basis, Layer
from tests.conftest import Golden
from tests.custody.handovers import BAG, DEPOSITOR, INSTITUTION, receipt, record

TERMS = Agreement(
    title="Agreement on the deposit of {title}",
    edition="2026-03",
    terms=("{depositor} hands over {bag}.", "{institution} answers by {receipt_due}."),
    signed_by="Head of accessions",
)
VALUES = {
    "title": "A letter into a horn",
    "depositor": DEPOSITOR.name,
    "bag": BAG.name,
    "institution": INSTITUTION.name,
    "receipt_due": "2026-12-25",
}
RIGHTS = (
    RightsStatement(
        identifier="rights-1",
        layer=None,
        statement="May be copied when the museum is named.",
        uri="https://creativecommons.org/licenses/by/4.0/",
        holder=DEPOSITOR.name,
    ),
    RightsStatement(
        identifier="rights-2",
        layer=Layer.PERFORMANCE,
        statement="May be played in the museum.",
        uri=None,
        holder="Johan Holm",
        basis=Basis.CONSENT,
        takes=("t02", "t03"),
        evidence="register of persons, folder 14",
        closed_until=parse_edtf("2040-12-31"),
    ),
)
REASONS = (
    Reason(
        code="bag-checksum-differs",
        where="data/masters/t01.wav",
        message=f"the sha256 checksum is {'00' * 32}; manifest-sha256.txt line 2 says "
        f"{'f6' * 32}; a second reading gave the same",
        why="Every file is what its manifest says",
        remedy="Take the file from another copy",
    ),
    Reason(
        code="institution-field-missing",
        where="bag-info.txt, Accession-Series",
        message="the element Accession-Series is missing. Egeskov State Sound Archive asks for: "
        "“The series of our register that the recording belongs to”",
        remedy="Add it to the institution profile",
    ),
)


def agreement(**more: object) -> AgreementFacts:
    facts = AgreementFacts(
        agreement=TERMS,
        values=VALUES,
        deposit="D-3f9a1c0de4b2",
        day="2026-11-25",
        program="archiver 0.1.0",
        depositor=DEPOSITOR,
        institution=INSTITUTION,
        bag=BAG,
        described="A letter into a horn",
        held="2026-10-17, Lindehavn",
        rights=RIGHTS,
        restrictions=("The reading voice is not to be used to imitate a person.",),
        restricted_files=1,
    )
    return replace(facts, **more)  # type: ignore[arg-type]


def refusal() -> Receipt:
    return receipt(
        decision=Decision.REFUSED, held_as="", completed={}, reference="", reasons=REASONS,
        words=("Please correct the bag and send it again.",),
    )  # fmt: skip


PAPERS: dict[str, Callable[[], bytes]] = {
    "transfer-list.csv": lambda: transfer_csv(record()),
    "transfer-list.html": lambda: transfer_page(record()),
    "agreement.html": lambda: agreement_page(agreement()),
    "receipt-request.txt": lambda: receipt_request(record()),
    "deposit.json": lambda: encode_deposit(record()),
    "receipt.json": lambda: encode_receipt(receipt()),
    "receipt.html": lambda: receipt_page(receipt()),
    "letter.txt": lambda: refusal_letter(refusal()),
    "refusal.html": lambda: receipt_page(refusal()),
}


@pytest.mark.parametrize("name", PAPERS)
def test_each_paper_has_the_bytes_of_its_golden_file(name: str, golden: Golden) -> None:
    golden.folder.mkdir(exist_ok=True)
    golden.check(f"papers/{name}", PAPERS[name]())


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in {"meta", "br", "img", "link", "input"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def read(content: bytes) -> _Reader:
    reader = _Reader()
    reader.feed(content.decode())
    reader.close()
    assert reader.open == []
    return reader


HOSTILE = "<script>alert(1)</script>\"'&{{7*7}}\x1b[2J\u202e\n</td>"


def test_a_page_is_self_contained_and_has_no_script() -> None:
    for name, make in PAPERS.items():
        if not name.endswith(".html"):
            continue
        reader = read(make())
        assert not {"script", "link", "img", "iframe", "form", "base"} & set(reader.tags)
        assert not [v for k, v in reader.attributes if k in {"src", "href", "style", "onload"}]
        assert "@page" in make().decode()


def test_no_text_of_a_person_becomes_markup_or_steers_a_screen() -> None:
    party = replace(
        DEPOSITOR, name=HOSTILE, person=HOSTILE, address=HOSTILE, email=HOSTILE, phone=HOSTILE
    )
    bag = replace(BAG, name=HOSTILE, version=HOSTILE, replaces=HOSTILE)
    files = (DepositedFile(path=HOSTILE, size=1, algorithm="sha256", digest="00" * 32),)
    facts = {"depositor": party, "institution": party, "bag": bag}
    reason = Reason(code="x", where=HOSTILE, message=HOSTILE, why=HOSTILE, remedy=HOSTILE)
    odd_receipt = receipt(
        **facts, decision=Decision.REFUSED, reasons=(reason,), words=(HOSTILE,), reference=HOSTILE
    )
    terms = replace(TERMS, title=HOSTILE, terms=(HOSTILE,), signed_by=HOSTILE, edition=HOSTILE)
    rights = tuple(replace(one, statement=HOSTILE, holder=HOSTILE, note=HOSTILE) for one in RIGHTS)
    pages = (
        (transfer_page(record()), transfer_page(record(**facts, files=files, to=HOSTILE))),
        (
            agreement_page(agreement()),
            agreement_page(
                agreement(
                    **facts, agreement=terms, rights=rights, restrictions=(HOSTILE,),
                    described=HOSTILE, held=HOSTILE,
                )
            ),
        ),
        (receipt_page(refusal()), receipt_page(odd_receipt)),
    )  # fmt: skip
    for plain, odd in pages:
        assert set(read(odd).tags) <= set(read(plain).tags)
        assert "script" not in read(odd).tags
        assert "{{7*7}}" in read(odd).text
        assert b"\x1b" not in odd
    for letter in (receipt_request(record(**facts)), refusal_letter(odd_receipt)):
        text = letter.decode()
        assert all(c == "\n" or c.isprintable() or c == "\u00a0" for c in text)


def test_one_file_and_one_byte_are_said_in_the_singular() -> None:
    """A deposit of one file is none of “1 files”, on any paper."""
    one = replace(BAG, payload_files=1, payload_bytes=1)
    pages = [
        agreement_page(agreement(bag=one)),
        receipt_page(replace(receipt(), bag=one, completed={"data/a.wav": "held"})),
        transfer_page(replace(record(), bag=one)),
        receipt_request(replace(record(), bag=one)),
    ]
    for page in pages:
        text = " ".join(read(page).text.split())
        assert "1 file" in text
        assert not re.search(r"(?<!\d)1 (?:files|bytes)", text)


def test_thousands_of_files_are_told_apart_by_a_blank() -> None:
    many = replace(BAG, payload_files=12_345)
    assert "12\N{NO-BREAK SPACE}345 files, " in agreement_page(agreement(bag=many)).decode()


def test_a_letter_keeps_to_72_columns_but_for_what_cannot_be_broken() -> None:
    for content in (receipt_request(record()), refusal_letter(refusal())):
        for line in content.decode().splitlines():
            longest_word = max(map(len, line.split()), default=0)
            assert len(line) <= 72 or longest_word > 60, line


def test_a_refusal_says_each_reason_with_its_place_and_what_to_do() -> None:
    text = " ".join(refusal_letter(refusal()).decode().split())
    assert "we could not take in your deposit D-3f9a1c0de4b2" in text
    for reason in REASONS:
        assert reason.where in text
        assert reason.remedy in text
    assert "Please correct the bag and send it again." in text


@given(st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), min_size=1, max_size=60))
def test_a_csv_row_gives_the_path_back_and_is_no_formula(path: str) -> None:
    files = (DepositedFile(path=path, size=7, algorithm="sha256", digest="00" * 32),)
    for name in ("lhm-1", "=cmd|'/c calc'!A1", "@sum", "-1", "+1"):
        made = record(files=files, bag=replace(BAG, name=name))
        content = transfer_csv(made).decode()
        assert "\r\n" in content
        head, row = csv.reader(io.StringIO(content, newline=""))
        assert head == ["path", "bytes", "algorithm", "digest", "sent"]
        assert row[0].removeprefix("./") == f"{name}/{path}"
        assert row[0][0] not in "=+-@\t\r"


def test_an_agreement_without_rights_leaves_room_for_them() -> None:
    empty = read(agreement_page(agreement(rights=(), statement="")))
    assert "The bag states no rights" in empty.text
    stated = read(agreement_page(agreement(rights=(), statement="All rights reserved.")))
    assert "All rights reserved." in stated.text


def test_a_sentence_begins_with_a_capital_and_a_name_keeps_its_letters() -> None:
    reasons = [
        Reason(code="a", where="", message="t01.wav, t02 are not named by the rule"),
        Reason(code="b", where="", message="the package ends before its content does"),
        Reason(code="c", where="data/t01.wav", message="lhm-1.tar is not there"),
    ]
    text = refusal_letter(replace(refusal(), reasons=reasons)).decode()
    assert "  1. t01.wav, t02 are not named by the rule." in text
    assert "  2. The package ends before its content does." in text
    assert "     lhm-1.tar is not there." in text


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ({}, "your deposit D-3f9a1c0de4b2, the bag"),
        ({"deposit": ""}, "could not take in the bag lhm-2026-10-17-v2"),
        ({"deposit": "", "bag": None}, "take in your package lhm-2026-10-17-v2.tar"),
        ({"deposit": "", "bag": None, "packages": ()}, "take in your package Sending 3.rar"),
    ],
)
def test_a_letter_names_what_was_sent_as_its_sender_knows_it(
    more: dict[str, Any], named: str
) -> None:
    refused = replace(refusal(), **more)
    text = " ".join(refusal_letter(refused, ["Sending 3.rar"]).decode().split())
    assert named in text
    assert "below" not in text
    page = receipt_page(refused, ["Sending 3.rar"]).decode()
    assert ("Sending 3.rar" in page) == (not refused.packages)


def test_what_is_to_be_done_for_several_reasons_is_said_once() -> None:
    reasons = [
        Reason(code="a", where="data/t01.wav", message="gone", remedy="send it once more"),
        Reason(code="b", where="data/t02.wav", message="gone", remedy="sign it"),
        Reason(code="a", where="data/t03.wav", message="gone", remedy="send it once more"),
    ]
    text = refusal_letter(replace(refusal(), reasons=reasons)).decode()
    assert [line.strip() for line in text.splitlines() if "What to do" in line] == [
        "What to do: Send it once more.",
        "What to do: Sign it.",
        "What to do: As under 1.",
    ]
