"""Importing receipts of any form, and what the ledger says of a deposit then."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from archiver.custody.deposits import DepositState
from archiver.custody.ledger import open_ledger
from archiver.custody.receipts import Agreement, Decision
from archiver.errors import ArchiverError, InputError, MisuseError
from archiver.pipeline.deposit_outcome import BagDeposit
from tests.pipeline.handing import Both, both_sides, small_bag


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return both_sides(tmp_path)


@pytest.fixture
def sent(both: Both) -> BagDeposit:
    (done,) = both.deposit(small_bag(both.root / "home" / "lhm-1"))
    return done


def answered(both: Both) -> Path:
    (received,) = both.receive()
    assert received.papers is not None
    return received.papers / "receipt.json"


def entries(both: Both) -> int:
    with open_ledger(both.ledger, read_only=True) as ledger:
        head = ledger.head()
    return 0 if head is None else head.number


def seal(both: Both, sent: BagDeposit) -> str:
    record = json.loads((both.inbox / sent.deposit / "deposit.json").read_text(encoding="utf-8"))
    return str(record["bag"]["manifests"]["tagmanifest-sha256.txt"])


def test_the_institutions_own_receipt_is_kept_by_its_digest_and_settles_the_deposit(
    both: Both, sent: BagDeposit
) -> None:
    file = answered(both)
    imported = both.import_receipt(file)
    assert (imported.deposit, imported.state) == (sent.deposit, DepositState.RECEIPTED)
    assert (imported.agreement, imported.exit_status) == (Agreement.AGREES, 0)
    assert imported.kept_as is not None
    assert imported.kept_as.name == f"{imported.sha256}.json"
    assert imported.kept_as.read_bytes() == file.read_bytes()
    (one,) = both.deposits().deposits
    assert one.receipts[0].receipt == imported.receipt


def test_the_same_receipt_again_adds_nothing(both: Both, sent: BagDeposit) -> None:
    file = answered(both)
    both.import_receipt(file)
    before = entries(both)
    again = both.import_receipt(file)
    assert again.entered_before
    assert entries(both) == before
    assert again.deposit == sent.deposit


@pytest.mark.parametrize(
    ("edit", "code"),
    [
        (
            lambda d: d | {"bag": d["bag"] | {"manifests": {"tagmanifest-sha256.txt": "00" * 32}}},
            "receipt-digest-differs",
        ),
        (
            lambda d: d | {"packages": [d["packages"][0] | {"sha256": "00" * 32}]},
            "receipt-digest-differs",
        ),
        (
            lambda d: d | {"institution": {"name": "Somebody else"}},
            "receipt-of-another-institution",
        ),
    ],
)
def test_a_receipt_that_disagrees_is_a_finding_and_sets_the_exit_status(
    both: Both, sent: BagDeposit, tmp_path: Path, edit: Any, code: str
) -> None:
    document = edit(json.loads(answered(both).read_text(encoding="utf-8")))
    file = tmp_path / "receipt.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    imported = both.import_receipt(file)
    assert [one.code for one in imported.findings] == [code]
    assert (imported.state, imported.exit_status) == (DepositState.DISAGREES, 3)
    assert both.deposits().exit_status == 3
    # The right one, when it comes, settles the matter.
    assert both.import_receipt(answered(both)).state is DepositState.RECEIPTED
    assert both.deposits().exit_status == 0
    assert imported.deposit == sent.deposit


def test_a_refusal_is_imported_with_its_reasons(both: Both, sent: BagDeposit) -> None:
    (both.inbox / sent.deposit / "lhm-1.tar").write_bytes(b"cut off")
    file = answered(both)
    imported = both.import_receipt(file)
    assert (imported.decision, imported.state) == (Decision.REFUSED, DepositState.REFUSED)
    assert imported.exit_status == 1
    assert "lhm-1.tar" in imported.findings[0].message


def test_a_refusal_of_what_was_taken_in_is_told_beside_the_receipt(
    both: Both, sent: BagDeposit
) -> None:
    """The later statement stands, and neither of the two is passed over."""
    receipt = both.import_receipt(answered(both))
    refusal = both.import_receipt(reference="2026/118", deposit=sent.deposit, refused=True)
    assert (refusal.decision, refusal.state) == (Decision.REFUSED, DepositState.CONTRADICTED)
    assert refusal.exit_status == 3
    (told,) = [one for one in refusal.findings if one.code == "receipt-contradicts-another"]
    assert receipt.receipt in told.message
    assert f"entry {receipt.entry} " in told.message
    report = both.deposits()
    (one,) = report.deposits
    assert [held.decision for held in one.receipts] == [Decision.ACCEPTED, Decision.REFUSED]
    assert (str(report.standing(one)), report.exit_status) == ("receipt contradicted", 3)
    again = both.import_receipt(reference="2026/118", deposit=sent.deposit, refused=True)
    assert (again.entered_before, again.state) == (True, DepositState.CONTRADICTED)
    # What the institution says last settles it.
    assert both.import_receipt(answered(both)).state is DepositState.RECEIPTED


def test_what_disagrees_counts_until_the_right_receipt_of_the_bag_is_held(
    both: Both, sent: BagDeposit
) -> None:
    """Sending the bag again answers no receipt that states something else."""
    both.import_receipt(reference="117", deposit=sent.deposit, digests=("00" * 32,), accepted=True)
    (again,) = both.deposit(both.root / "home" / "lhm-1")
    assert again.deposit != sent.deposit
    report = both.deposits()
    assert [report.superseded(one) for one in report.deposits] == [True, False]
    assert report.exit_status == 3
    both.import_receipt(
        reference="118", deposit=again.deposit, digests=(seal(both, again),), accepted=True
    )
    assert both.deposits().exit_status == 0


def test_a_refusal_after_a_receipt_of_something_else_is_a_refusal(
    both: Both, sent: BagDeposit
) -> None:
    """A receipt with another digest never said that this deposit is held."""
    both.import_receipt(reference="117", deposit=sent.deposit, digests=("00" * 32,), accepted=True)
    refusal = both.import_receipt(reference="118", deposit=sent.deposit, refused=True)
    assert refusal.state is DepositState.REFUSED


def test_a_text_of_any_form_is_read_for_the_deposit_and_its_digests(
    both: Both, sent: BagDeposit, tmp_path: Path
) -> None:
    mail = tmp_path / "Re receipt.TXT"
    mail.write_text(
        f"Dear Karen,\nwe have {sent.deposit}.\nSHA-256 {seal(both, sent).upper()}\n",
        encoding="utf-8",
    )
    imported = both.import_receipt(mail, reference="2026/117", accepted=True)
    assert (imported.receipt, imported.state) == ("2026/117", DepositState.RECEIPTED)
    assert imported.kept_as is not None
    assert imported.kept_as.suffix == ".txt"
    mail.write_text(f"{sent.deposit}: {'00' * 32}", encoding="utf-16")
    with pytest.raises(MisuseError, match="nothing says which deposit"):
        both.import_receipt(mail, accepted=True)
    mail.write_text(f"{sent.deposit}: {'00' * 32}", encoding="utf-8")
    imported = both.import_receipt(mail, accepted=True)
    assert (imported.state, imported.exit_status) == (DepositState.DISAGREES, 3)


def test_a_pdf_is_kept_and_its_digests_are_typed(
    both: Both, sent: BagDeposit, tmp_path: Path
) -> None:
    pdf = tmp_path / "receipt.pdf"
    pdf.write_bytes(b"%PDF-1.7\n" + bytes(range(256)) + sent.deposit.encode())
    with pytest.raises(MisuseError, match="nothing says which deposit"):
        both.import_receipt(pdf, accepted=True)
    imported = both.import_receipt(pdf, deposit=sent.deposit, accepted=True)
    assert imported.state is DepositState.UNPROVED
    digest = seal(both, sent)
    spaced = " ".join(digest[at : at + 8] for at in range(0, 64, 8))
    imported = both.import_receipt(
        pdf, deposit=sent.deposit, digests=(spaced,), reference="117", accepted=True
    )
    assert imported.state is DepositState.RECEIPTED
    with pytest.raises(MisuseError, match="is no SHA-256"):
        both.import_receipt(pdf, deposit=sent.deposit, digests=("0123",), accepted=True)


def test_a_typed_reference_stands_for_a_receipt_without_digests(
    both: Both, sent: BagDeposit
) -> None:
    imported = both.import_receipt(reference="2026/117", deposit=sent.deposit, accepted=True)
    assert (imported.state, imported.kept_as) == (DepositState.UNPROVED, None)
    assert [one.code for one in imported.findings] == ["receipt-without-digests"]
    digest = seal(both, sent)
    imported = both.import_receipt(
        reference="2026/117", deposit=sent.deposit, digests=(digest,), accepted=True
    )
    assert imported.state is DepositState.RECEIPTED


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, "a receipt is a file or a typed reference"),
        ({"reference": "117", "accepted": True}, "nothing says which deposit"),
        ({"reference": "117", "deposit": "D-000000000000"}, "knows no deposit"),
        ({"reference": "117", "accepted": True, "refused": True}, "or they have not"),
    ],
)
def test_an_import_called_wrongly_says_what_is_accepted(
    both: Both, sent: BagDeposit, more: dict[str, Any], words: str
) -> None:
    with pytest.raises(MisuseError, match=words) as refused:
        both.import_receipt(**more)
    assert refused.value.accepted
    assert entries(both) == 1
    assert sent.entry == 1


def test_what_cannot_be_a_receipt_is_told_and_nothing_is_entered(
    both: Both, sent: BagDeposit, tmp_path: Path
) -> None:
    file = tmp_path / "receipt.json"
    for content in (b"", b'{"schema": "receipt 7"}', b'{"schema": "receipt 1"}'):
        file.write_bytes(content)
        with pytest.raises(InputError):
            both.import_receipt(file)
    with pytest.raises(ArchiverError):
        both.import_receipt(tmp_path / "missing.json")
    assert entries(both) == 1
    assert sent.entry == 1


def test_a_hostile_suffix_is_no_name_of_a_file(both: Both, sent: BagDeposit) -> None:
    file = both.root / "receipt.…\u202etxt"
    file.write_text(sent.deposit, encoding="utf-8")
    imported = both.import_receipt(file, accepted=True)
    assert imported.kept_as is not None
    assert imported.kept_as.suffix == ".bin"


# --- what says whether it was taken in ----------------------------------------------------


def quarantined(both: Both, sent: BagDeposit) -> Path:
    (both.inbox / sent.deposit / "lhm-1.tar").write_bytes(b"cut off")
    (received,) = both.receive()
    assert received.papers is not None
    return received.papers


@pytest.mark.parametrize("quote", ["", "> "])
def test_the_letter_of_a_refusal_is_a_refusal(both: Both, sent: BagDeposit, quote: str) -> None:
    """It names the deposit and what arrived as a receipt does, and says that it was not taken."""
    letter = quarantined(both, sent) / "letter.txt"
    mail = both.root / "mail.txt"
    lines = letter.read_text(encoding="utf-8").splitlines()
    mail.write_text("".join(f"{quote}{line}\r\n" for line in lines), encoding="utf-8", newline="")
    with pytest.raises(MisuseError, match="does not say accepted"):
        both.import_receipt(mail, accepted=True)
    assert entries(both) == 1
    imported = both.import_receipt(mail)
    assert imported.receipt == letter.parent.name
    assert (imported.decision, imported.state) == (Decision.REFUSED, DepositState.REFUSED)
    assert [one.code for one in imported.findings] == ["receipt-refuses"]
    assert imported.exit_status == both.deposits().exit_status == 1


def test_a_page_of_an_answer_is_no_receipt_and_the_document_beside_it_is(
    both: Both, sent: BagDeposit
) -> None:
    file = answered(both)
    refused = both.deposit(small_bag(both.root / "home" / "lhm-2"))[0]
    (both.inbox / refused.deposit / "lhm-2.tar").write_bytes(b"cut off")
    (letter,) = both.receive(both.inbox / refused.deposit)
    assert letter.papers is not None
    before = entries(both)
    for page in (file.with_name("receipt.html"), letter.papers / "receipt.html"):
        for accepted in (False, True):
            with pytest.raises(MisuseError, match="the page of a receipt") as told:
                both.import_receipt(page, accepted=accepted)
            assert "receipt.json" in told.value.accepted
    assert entries(both) == before
    assert both.import_receipt(file).deposit == sent.deposit


def test_papers_of_the_deposit_itself_are_no_receipt(both: Both, sent: BagDeposit) -> None:
    assert sent.papers is not None
    papers = sorted(one for one in sent.papers.iterdir() if one.is_file())
    assert len(papers) == 5
    for paper in papers:
        with pytest.raises(MisuseError, match="this program writes itself"):
            both.import_receipt(paper, accepted=True)
        # Nor are they one when a mail program has changed the ends of their lines.
        copy = both.root / f"copy{paper.suffix}"
        text = paper.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
        copy.write_bytes(b"\xef\xbb\xbf" + text)
        with pytest.raises(MisuseError, match="this program writes itself"):
            both.import_receipt(copy)
    assert entries(both) == 1


def test_an_answer_that_quotes_the_request_is_an_answer(both: Both, sent: BagDeposit) -> None:
    assert sent.papers is not None
    request = (sent.papers / "receipt-request.txt").read_text(encoding="utf-8")
    mail = both.root / "mail.txt"
    mail.write_text(f"Dear Karen,\nwe hold it.\n\n{request}", encoding="utf-8")
    assert both.import_receipt(mail, accepted=True).state is DepositState.RECEIPTED


@pytest.mark.parametrize("more", [{}, {"reference": "2026/117"}])
def test_what_a_text_states_is_for_a_person_to_say(
    both: Both, sent: BagDeposit, more: dict[str, Any]
) -> None:
    """A text that refuses a deposit names it, and its digests, as one that accepts it does."""
    mail = both.root / "mail.txt"
    mail.write_text(f"We refuse deposit {sent.deposit}.\n{seal(both, sent)}\n", encoding="utf-8")
    with pytest.raises(MisuseError, match="whether the institution has taken") as asked:
        both.import_receipt(mail, **more)
    assert "--accepted or --refused" in asked.value.accepted
    with pytest.raises(MisuseError, match="whether the institution has taken"):
        both.import_receipt(reference="2026/117", deposit=sent.deposit, digests=("00" * 32,))
    assert entries(both) == 1
    imported = both.import_receipt(mail, refused=True, **more)
    assert (imported.state, imported.exit_status) == (DepositState.REFUSED, 1)


def test_what_a_receipt_says_itself_is_not_turned_round(both: Both, sent: BagDeposit) -> None:
    file = answered(both)
    with pytest.raises(MisuseError, match="says accepted, and does not say refused"):
        both.import_receipt(file, refused=True)
    assert both.import_receipt(file, accepted=True).deposit == sent.deposit


def test_the_digest_of_a_tag_file_belongs_to_the_deposit_and_proves_nothing(
    both: Both, sent: BagDeposit
) -> None:
    record = json.loads((both.inbox / sent.deposit / "deposit.json").read_text(encoding="utf-8"))
    listed = {one["path"]: one["digest"] for one in record["files"]}
    for path in ("bagit.txt", "bag-info.txt"):
        imported = both.import_receipt(
            reference="117", deposit=sent.deposit, digests=(listed[path],), accepted=True
        )
        assert [one.code for one in imported.findings] == ["receipt-without-digests"]
        assert imported.exit_status == 0
    every = tuple(digest for digest in listed.values() if digest)
    imported = both.import_receipt(
        reference="117", deposit=sent.deposit, digests=every, accepted=True
    )
    assert imported.state is DepositState.RECEIPTED
