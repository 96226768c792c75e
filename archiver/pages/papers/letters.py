"""Letters in plain text: the request for a receipt, and the reasons of a refusal.

They are meant to be put into a mail as they are: lines of 72 columns, no markup, and no
character of a stranger's text that could steer a terminal.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from archiver.custody.deposit_record import DepositRecord, Package, Party
from archiver.custody.receipts import Reason, Receipt
from archiver.pages.papers.rendering import (
    bytes_text,
    count_text,
    line_of,
    lines_of_text,
    paragraph,
)

__all__ = ["LETTER_NAME", "REQUEST_NAME", "receipt_request", "refusal_letter"]

REQUEST_NAME = "receipt-request.txt"
LETTER_NAME = "letter.txt"

_MOST_REASONS = 50


def receipt_request(record: DepositRecord) -> bytes:
    """Write the letter that asks the institution for its receipt."""
    bag = record.bag
    version = f", version {line_of(bag.version)}," if bag.version else ""
    parts = [
        _heading(record.depositor, record.made[:10]),
        _address(record.institution),
        f"Deposit {record.deposit}: please send a receipt by {record.receipt_due}",
        paragraph(
            f"We have deposited the bag {bag.name}{version} with you: "
            f"{count_text(bag.payload_files, 'file')}, {bytes_text(bag.payload_bytes)}. It lies at "
            f"{record.to}"
        ),
    ]
    left_out = len(record.files_referenced)
    if left_out:
        was, it = ("was", "it by its") if left_out == 1 else ("were", "them by their")
        parts.append(
            paragraph(
                f"{left_out} of the files {was} not sent, since you have given a receipt for "
                f"{it.partition(' ')[0]} with an earlier version. fetch.txt names {it} digest."
            )
        )
    parts += [
        "Packages:",
        _packages(record.packages),
        "The bag is sealed by these digests (SHA-256):",
        _digests(bag.manifests.items()),
        paragraph(
            "Please compare them with what you have received, and answer with your receipt. It "
            f"should name the deposit, {record.deposit}, and at least one of these digests; any "
            "form will do. If you use the same program, `archiver receive` verifies the package "
            "and writes the receipt."
        ),
        _signed(record.depositor),
    ]
    return _letter(parts)


def refusal_letter(receipt: Receipt, arrived: Sequence[str] = ()) -> bytes:
    """Write the letter that says why a package was not taken in, in plain words.

    Parameters
    ----------
    receipt : Receipt
        The refusal.
    arrived : sequence of str
        Names of what arrived, for a package of which nothing else is known.
    """
    reasons = receipt.reasons
    parts = [
        _heading(receipt.institution, receipt.moment[:10]),
        _address(receipt.depositor) if receipt.depositor.name else "",
        paragraph(f"{receipt.receipt}: we could not take in {_what(receipt, arrived)}"),
        paragraph(
            "Thank you for sending it. We could not take it in, "
            f"for {'this reason' if len(reasons) == 1 else 'these reasons'}:"
        ),
        "\n\n".join(_numbered(reasons[:_MOST_REASONS])),
    ]
    if len(reasons) > _MOST_REASONS:
        parts.append(f"and {len(reasons) - _MOST_REASONS} more; receipt.json lists all of them.")
    parts.append(
        paragraph(
            "Nothing of it was put into our store, and nothing of it was changed. The package is "
            "set aside here as it arrived."
            + ("" if receipt.words else " Please correct what is named above and send it again.")
        )
    )
    parts += [paragraph(text) for text in receipt.words]
    if receipt.packages:
        parts += ["What we received:", _packages(receipt.packages)]
    elif arrived:
        parts += ["What we received:", "\n".join(f"  {line_of(name)}" for name in arrived)]
    parts.append(_signed(receipt.institution))
    return _letter(parts)


def _what(receipt: Receipt, arrived: Sequence[str]) -> str:
    """Name what was sent as its sender knows it."""
    bag = f"the bag {line_of(receipt.bag.name)}" if receipt.bag is not None else ""
    if receipt.deposit:
        return f"your deposit {receipt.deposit}{f', {bag}' if bag else ''}"
    names = [one.name for one in receipt.packages] or [*arrived]
    if len(names) == 1 and not bag:
        return f"your package {line_of(names[0])}"
    return bag or "the package named below"


def _numbered(reasons: Iterable[Reason]) -> Iterator[str]:
    """Write each reason; what is to be done for several is said once."""
    said: dict[str, int] = {}
    for number, reason in enumerate(reasons, 1):
        first = said.setdefault(reason.remedy, number)
        same = bool(reason.remedy) and first != number
        yield _reason(number, replace(reason, remedy=f"as under {first}") if same else reason)


def _reason(number: int, reason: Reason) -> str:
    first = f"{number:3}. "
    indent = " " * len(first)
    lines = [paragraph(f"{reason.where}:", indent, first)] if reason.where else []
    lines.append(paragraph(_sentence(reason.message), indent, None if reason.where else first))
    if reason.why:
        lines.append(paragraph(f"Why this matters: {_sentence(reason.why)}", indent))
    if reason.remedy:
        lines.append(paragraph(f"What to do: {_sentence(reason.remedy)}", indent))
    return "\n".join(lines)


def _sentence(text: str) -> str:
    text = line_of(text)
    first = text.partition(" ")[0]
    # What is no plain word is a name, such as that of a file, and keeps its letters.
    if first.isalpha() and first.islower() and first != text:
        text = text[0].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _heading(party: Party, day: str) -> str:
    return "\n".join([*_lines(party), "", day])


def _address(party: Party) -> str:
    return "\n".join(["To:", *_lines(party)])


def _lines(party: Party) -> list[str]:
    return [
        line
        for text in (party.name, party.person, party.address, party.phone, party.email)
        for line in lines_of_text(text)
    ]


def _signed(party: Party) -> str:
    return "\n".join(line_of(text) for text in (party.person, party.name) if text)


def _packages(packages: Iterable[Package]) -> str:
    return "\n".join(
        f"  {line_of(package.name)}\n    {package.size} bytes, SHA-256\n    {package.sha256}"
        for package in packages
    )


def _digests(digests: Iterable[tuple[str, str]]) -> str:
    return "\n".join(f"  {line_of(name)}\n    {digest}" for name, digest in sorted(digests))


def _letter(parts: Iterable[str]) -> bytes:
    return ("\n\n".join(part for part in parts if part) + "\n").encode()
