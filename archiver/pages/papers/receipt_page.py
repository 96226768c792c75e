"""The receipt of an institution as a page to print; a refusal has the same form."""

from __future__ import annotations

from collections.abc import Sequence

from archiver.custody.receipts import Decision, Receipt
from archiver.pages.papers.rendering import page

__all__ = ["RECEIPT_PAGE", "receipt_page"]

RECEIPT_PAGE = "receipt.html"


def receipt_page(receipt: Receipt, arrived: Sequence[str] = ()) -> bytes:
    """Write a receipt as a page to print.

    Parameters
    ----------
    receipt : Receipt
    arrived : sequence of str
        Names of what arrived, for a package of which nothing else is known.
    """
    return page(
        "receipt",
        receipt=receipt,
        arrived=() if receipt.packages else arrived,
        accepted=receipt.decision is Decision.ACCEPTED,
        program=receipt.program,
    )
