"""The papers that a deposit writes, all of them beside each other in one folder."""

from __future__ import annotations

from pathlib import Path

from archiver import files
from archiver.custody.deposit_record import DEPOSIT_NAME, DepositRecord, encode_deposit
from archiver.pages.papers.agreement import AGREEMENT_PAGE, AgreementFacts, agreement_page
from archiver.pages.papers.letters import REQUEST_NAME, receipt_request
from archiver.pages.papers.transfer_list import (
    TRANSFER_CSV,
    TRANSFER_PAGE,
    transfer_csv,
    transfer_page,
)
from archiver.pipeline.consignment import Consignment
from archiver.pipeline.handover import described, wording_values
from archiver.session.institution import Institution

__all__ = ["papers_of", "write_papers"]

_RESTRICTED = "data/restricted/"


def papers_of(
    record: DepositRecord, goods: Consignment, institution: Institution
) -> dict[str, bytes]:
    """Make the papers of a deposit.

    Returns
    -------
    dict of str to bytes
        By file name; an agreement only where the institution has terms.
    """
    papers = {
        TRANSFER_CSV: transfer_csv(record),
        TRANSFER_PAGE: transfer_page(record),
        REQUEST_NAME: receipt_request(record),
        DEPOSIT_NAME: encode_deposit(record),
    }
    if institution.agreement is not None:
        papers[AGREEMENT_PAGE] = _agreement(record, goods, institution)
    return papers


def _agreement(record: DepositRecord, goods: Consignment, institution: Institution) -> bytes:
    told = described(goods.root, goods.said)
    day = record.made[:10]
    values = wording_values(
        institution=institution,
        depositor=record.depositor,
        bag=record.bag,
        told=told,
        day=day,
        receipt_due=record.receipt_due,
        destination=record.to,
    )
    if institution.agreement is None:  # pragma: no cover - the caller has looked
        return b""
    return agreement_page(
        AgreementFacts(
            agreement=institution.agreement,
            values=values,
            deposit=record.deposit,
            day=day,
            program=record.program,
            depositor=record.depositor,
            institution=record.institution,
            bag=record.bag,
            described=told.title,
            held=told.held,
            rights=told.rights,
            statement=told.statement,
            restrictions=told.restrictions,
            restricted_files=sum(file.path.startswith(_RESTRICTED) for file in record.files),
        )
    )


def write_papers(
    folder: Path, record: DepositRecord, goods: Consignment, institution: Institution
) -> dict[str, bytes]:
    """Make the papers and write them; each name is complete or as it was.

    Raises
    ------
    SurroundingsError
        The folder cannot be written.
    """
    papers = papers_of(record, goods, institution)
    files.make_directory(folder)
    for name, content in papers.items():
        files.write_whole(folder / name, content)
    return papers
