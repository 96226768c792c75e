"""Telling the papers that this program writes from a statement of an institution.

Each of them names the deposit and its digests, and none but ``receipt.json`` is a receipt.
"""

from __future__ import annotations

import json
import re

from archiver.custody.deposit_record import DEPOSIT_NAME
from archiver.pages.papers.agreement import AGREEMENT_PAGE
from archiver.pages.papers.letters import LETTER_NAME, REQUEST_NAME
from archiver.pages.papers.receipt_page import RECEIPT_PAGE
from archiver.pages.papers.transfer_list import TRANSFER_CSV, TRANSFER_PAGE, TRANSFER_START
from archiver.pipeline.run import NAME

__all__ = ["is_receipt", "kind_of_page", "kind_of_text", "paper_named", "refusal_in"]

_PAPERS = {
    DEPOSIT_NAME: "the record of the deposit",
    TRANSFER_CSV: "the transfer list",
    TRANSFER_PAGE: "the transfer list as a page",
    REQUEST_NAME: "the request for a receipt",
    AGREEMENT_PAGE: "the agreement",
    RECEIPT_PAGE: "the page of a receipt, for people",
    LETTER_NAME: "the letter of a refusal",
}
_GENERATOR = re.compile(rf'<meta name="generator" content="{NAME} [^"]*">')
_TITLE = re.compile(r"<title>(Receipt|Refusal|Transfer list) [RD]-[0-9a-f]{12}</title>")
# Not where it is quoted with marks: an answer may well quote what it answers.
_REQUEST = re.compile(r"^Deposit D-[0-9a-f]{12}: please send a receipt by ", re.MULTILINE)
_REFUSAL = re.compile(r"^[> ]*(R-[0-9a-f]{12}): we could not take in ", re.MULTILINE)


def paper_named(name: str) -> str:
    """Say in words what a paper of ours is, by the name that it was written under."""
    return _PAPERS.get(name, "a paper of the deposit")


def kind_of_page(text: str) -> str:
    """Say what a text is that holds nothing but a paper of this program; empty for any other."""
    schema = _schema(text)
    if schema.startswith("deposit "):
        return _PAPERS[DEPOSIT_NAME]
    if schema and not schema.startswith("receipt "):
        return f"a document of {schema!r}"
    if text.startswith(TRANSFER_START):
        return _PAPERS[TRANSFER_CSV]
    if not _GENERATOR.search(text):
        return ""
    title = _TITLE.search(text)
    if title is None:
        return _PAPERS[AGREEMENT_PAGE] if 'class="under">Deposit D-' in text else ""
    return _PAPERS[TRANSFER_PAGE if title[1] == "Transfer list" else RECEIPT_PAGE]


def kind_of_text(text: str) -> str:
    """Say which letter of ours a text begins or goes on with; empty if it holds none."""
    return _PAPERS[REQUEST_NAME] if _REQUEST.search(text) else ""


def refusal_in(text: str) -> str:
    """Return the identifier of the refusal whose letter a text holds; empty if it holds none."""
    found = _REFUSAL.search(text)
    return found[1] if found else ""


def is_receipt(text: str) -> bool:
    """Say whether a text is a receipt of our form, which machines read."""
    return _schema(text).startswith("receipt ")


def _schema(text: str) -> str:
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return ""
    return str(document.get("schema", "")) if isinstance(document, dict) else ""
