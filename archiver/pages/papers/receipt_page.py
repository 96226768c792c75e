"""The receipt of an institution as a page to print; a refusal has the same form."""

from __future__ import annotations

from archiver.custody.receipts import Decision, Receipt
from archiver.pages.papers.rendering import page

__all__ = ["RECEIPT_PAGE", "receipt_page"]

RECEIPT_PAGE = "receipt.html"


def receipt_page(receipt: Receipt) -> bytes:
    """Write a receipt as a page to print."""
    return page(
        "receipt",
        receipt=receipt,
        accepted=receipt.decision is Decision.ACCEPTED,
        program=receipt.program,
    )
