"""The transfer list: every file of a deposit, as CSV and as a page to print."""

from __future__ import annotations

import csv
import io

from archiver.custody.deposit_record import DepositRecord
from archiver.pages.papers.rendering import page

__all__ = ["TRANSFER_CSV", "TRANSFER_PAGE", "TRANSFER_START", "transfer_csv", "transfer_page"]

TRANSFER_CSV = "transfer-list.csv"
TRANSFER_PAGE = "transfer-list.html"

_COLUMNS = ("path", "bytes", "algorithm", "digest", "sent")
TRANSFER_START = ",".join(_COLUMNS)
"""How the list as CSV begins."""
# A spreadsheet program takes a cell that begins so for a formula (common practice, OWASP).
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def transfer_csv(record: DepositRecord) -> bytes:
    """Write the list as CSV: a row a file, its path from the bag's name on.

    Source: RFC 4180 (comma, CRLF, quotes doubled); UTF-8.
    """
    text = io.StringIO(newline="")
    rows = csv.writer(text, dialect="excel")
    rows.writerow(_COLUMNS)
    for file in record.files:
        path = f"{record.bag.name}/{file.path}"
        # The same path for every program that reads paths.
        path = f"./{path}" if path.startswith(_FORMULA) else path
        rows.writerow(
            (path, file.size, file.algorithm, file.digest, "yes" if file.sent else "held already")
        )
    return text.getvalue().encode()


def transfer_page(record: DepositRecord) -> bytes:
    """Write the list as a page to print."""
    return page("transfer-list", record=record, program=record.program)
