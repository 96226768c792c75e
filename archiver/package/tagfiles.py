"""``bag-info.txt`` and ``fetch.txt``: pure functions between bytes and records.

Source: RFC 8493 sections 2.2.2 and 2.2.3.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from archiver.findings import Finding, Where
from archiver.package.names import danger, decode_path, has_stray_percent, shown
from archiver.package.rules import (
    FETCH_MALFORMED,
    INFO_MALFORMED,
    INFO_REPEATED,
    INFO_VALUE,
    OXUM,
    PATH_DANGEROUS,
    PATH_MISPLACED,
    PERCENT_STRAY,
)
from archiver.package.text import Declaration, lines_of

__all__ = [
    "BAG_INFO",
    "FETCH",
    "BagInfo",
    "FetchLine",
    "InfoElement",
    "bag_size",
    "decode_bag_info",
    "decode_fetch",
    "encode_bag_info",
]

BAG_INFO = "bag-info.txt"
FETCH = "fetch.txt"

_COLUMNS = 79
_INDENT = "  "
_BLANKS = re.compile(r"\s+")
_BREAK = re.compile(r"(?<=\S) (?=\S)")
_STRICT_ELEMENT = re.compile(r"([^:\s](?:[^:]*[^:\s])?):[ \t](.*)", re.DOTALL)
_LOOSE_ELEMENT = re.compile(r"([^:\s](?:[^:]*[^:\s])?)[ \t]*:[ \t]*(.*)", re.DOTALL)
# Twenty digits hold every 64-bit number; without a limit a number could be made too costly.
_OXUM = re.compile(r"(\d{1,20})\.(\d{1,20})", re.ASCII)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_COUNT = re.compile(r"\d+ of (?:\d+|\?)", re.ASCII)
_FETCH = re.compile(r"([^ \t]+)[ \t]+(\d{1,20}|-)[ \t]+(.+)", re.ASCII | re.DOTALL)
_ONCE = ("bagging-date", "bag-size", "bag-group-identifier", "bag-count")


@dataclass(frozen=True, slots=True, kw_only=True)
class InfoElement:
    """One element of ``bag-info.txt``; ``line`` is counted from 1, 0 if it was not read."""

    label: str
    value: str
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BagInfo:
    """The elements of ``bag-info.txt`` in their order, repeated labels too."""

    elements: tuple[InfoElement, ...] = ()

    def values(self, label: str) -> tuple[str, ...]:
        """Return all values of a label; upper and lower case are one.

        Source: RFC 8493 section 2.2.2.
        """
        wanted = label.casefold()
        return tuple(e.value for e in self.elements if e.label.casefold() == wanted)

    @property
    def oxum(self) -> tuple[int, int] | None:
        """Octets and files of the payload as stated; None unless stated once and well."""
        stated = self.values("Payload-Oxum")
        if len(stated) != 1 or (found := _OXUM.fullmatch(stated[0])) is None:
            return None
        return int(found[1]), int(found[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchLine:
    """One file that is to be fetched from elsewhere.

    ``length`` is in bytes, None if it is not stated.
    """

    url: str
    length: int | None
    path: str
    line: int = 0


def bag_size(payload_bytes: int) -> str:
    """Write a size for people, such as ``42.6 GB``.

    Source: RFC 8493 section 2.2.2 (Bag-Size).
    """
    for power, unit in ((12, "TB"), (9, "GB"), (6, "MB")):
        if payload_bytes >= 10**power:
            return f"{payload_bytes / 10**power:.1f} {unit}"
    return f"{payload_bytes / 10**6:.3f} MB"


def encode_bag_info(elements: Iterable[tuple[str, str]]) -> bytes:
    """Write ``bag-info.txt``.

    Any run of blanks and line ends in a value becomes one blank. A line longer than 79
    columns is broken at a blank and goes on indented, where it has a blank.

    Parameters
    ----------
    elements : iterable of tuple of str
        Label and value, in order.

    Raises
    ------
    ValueError
        A label is empty, holds a colon or a line end, or begins or ends with a blank.

    Source: RFC 8493 section 2.2.2.
    """
    parts: list[str] = []
    for label, value in elements:
        if not _STRICT_ELEMENT.fullmatch(f"{label}: ") or _BLANKS.sub(" ", label) != label:
            raise ValueError(f"{label!r} cannot be a label of {BAG_INFO}")
        parts += _broken(f"{label}: ", _BLANKS.sub(" ", value).strip())
    return "".join(f"{line}\n" for line in parts).encode()


def _broken(head: str, value: str) -> list[str]:
    lines: list[str] = []
    line = head
    empty = True
    for word in value.split(" "):
        if not empty and len(line) + 1 + len(word) > _COLUMNS:
            lines.append(line)
            line, empty = _INDENT + word, False
            continue
        line += word if empty else f" {word}"
        empty = False
    return [*lines, line]


def decode_bag_info(
    content: bytes, declaration: Declaration, name: str = BAG_INFO
) -> tuple[BagInfo, tuple[Finding, ...]]:
    """Read ``bag-info.txt``; a line that goes on is joined with one blank.

    Parameters
    ----------
    content : bytes
        The file.
    declaration : Declaration
        Version and character set of the bag.
    name : str
        Its name; ``package-info.txt`` in the oldest bags.

    Source: RFC 8493 section 2.2.2; the blank of the joint is common practice.
    """
    texts, found = lines_of(name, content, declaration)
    findings = list(found)
    pattern = _STRICT_ELEMENT if declaration.strict else _LOOSE_ELEMENT
    elements: list[InfoElement] = []
    for number, text in enumerate(texts, 1):
        if text.startswith((" ", "\t")) and elements:
            more = text.strip(" \t")
            last = elements[-1]
            joined = f"{last.value} {more}" if last.value and more else last.value + more
            elements[-1] = InfoElement(label=last.label, value=joined, line=last.line)
        elif parts := pattern.fullmatch(text):
            value = parts[2] if declaration.strict else parts[2].strip(" \t")
            elements.append(InfoElement(label=parts[1], value=value, line=number))
        elif text.strip(" \t") or declaration.strict:
            findings.append(
                INFO_MALFORMED.at(
                    Where(file=name, line=number),
                    f"the line says {shown(text[:80])!r}" if text else "the line is empty",
                    accepted="label, colon, one blank, value",
                )
            )
    findings += _judged(elements, name)
    return BagInfo(elements=tuple(elements)), tuple(findings)


def _judged(elements: Sequence[InfoElement], name: str) -> list[Finding]:
    findings: list[Finding] = []
    seen: dict[str, int] = {}
    for element in elements:
        label = element.label.casefold()
        where = Where(file=name, line=element.line, field=shown(element.label[:80]))
        value = f"the value is {shown(element.value[:80])!r}"
        if label == "payload-oxum" and not _OXUM.fullmatch(element.value):
            findings.append(OXUM.at(where, value, accepted="octets.files, such as 279164409.198"))
        elif label == "bagging-date" and not _DATE.fullmatch(element.value):
            findings.append(INFO_VALUE.at(where, value, accepted="YYYY-MM-DD"))
        elif label == "bag-count" and not _COUNT.fullmatch(element.value):
            findings.append(INFO_VALUE.at(where, value, accepted="such as '1 of 5' or '1 of ?'"))
        if label in seen:
            again = f"the element stands in line {seen[label]} already"
            if label == "payload-oxum":
                findings.append(OXUM.at(where, again, accepted="one Payload-Oxum"))
            elif label in _ONCE:
                findings.append(INFO_REPEATED.at(where, again, accepted="one such element"))
        seen.setdefault(label, element.line)
    return findings


def decode_fetch(
    content: bytes, declaration: Declaration
) -> tuple[tuple[FetchLine, ...], tuple[Finding, ...]]:
    """Read ``fetch.txt``; nothing is ever fetched.

    Source: RFC 8493 sections 2.2.3 and 5.1.
    """
    texts, found = lines_of(FETCH, content, declaration)
    findings = list(found)
    lines: list[FetchLine] = []
    for number, text in enumerate(texts, 1):
        where = Where(file=FETCH, line=number)
        parts = _FETCH.fullmatch(text)
        if parts is None:
            if text.strip(" \t") or declaration.strict:
                findings.append(
                    FETCH_MALFORMED.at(
                        where, f"the line says {shown(text[:80])!r}", accepted="URL, length, path"
                    )
                )
            continue
        literal = parts[3]
        path = decode_path(literal) if declaration.strict else literal
        reason = danger(path) or danger(literal)
        if reason:
            findings.append(
                PATH_DANGEROUS.at(
                    where,
                    f"the path {shown(literal[:200])!r} is refused: {reason}",
                    accepted="a path inside the bag",
                )
            )
            continue
        if declaration.strict and has_stray_percent(literal):
            findings.append(
                PERCENT_STRAY.at(
                    where,
                    f"the path {shown(literal[:200])!r} holds a '%' that encodes nothing",
                    accepted="%0A, %0D and %25 only",
                )
            )
        path = "/".join(part for part in path.split("/") if part not in {"", "."})
        if not path.startswith("data/"):
            findings.append(
                PATH_MISPLACED.at(
                    where, f"the path is {shown(path[:200])!r}", accepted="a path below data/"
                )
            )
            continue
        length = None if parts[2] == "-" else int(parts[2])
        lines.append(FetchLine(url=parts[1], length=length, path=path, line=number))
    return tuple(lines), tuple(findings)
