"""The slip behind broken YAML: the change of one line after which the text can be read.

A parser names the place where it had to give up, which is seldom where the slip is. So the
usual slips are put right one by one, near that place and before it, and the first change that
makes the text readable is the advice. What is advised has thus been tried.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from archiver.session.shape import Shape, shape

__all__ = ["Slip", "find_slip"]

_BACKWARDS = 400
_TRIED = 60
_WINDOW = 600
_ABOVE = 60
_SHOWN = 160
_PREFIX = re.compile(r"([ ]*(?:-[ ]+)*)(.*)", re.DOTALL)
_FIELD = re.compile(r"([A-Za-z_]\w*)([ ]*):(?:[ ]+|$)(.*)", re.DOTALL)
_COMMENT = re.compile(r"(?:^|[ \t]+)#(?:[ \t].*|)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """A change of one line that makes the text readable.

    Parameters
    ----------
    line : int
        Counted from 1.
    column : int
        Where in the line the slip is, counted from 1.
    found, accepted, remedy : str
        As in a finding; ``accepted`` is the line as it can be read.
    repaired : str
        The whole line as it should be, without its line end.
    """

    line: int
    column: int
    found: str
    accepted: str
    remedy: str
    repaired: str


@dataclass(frozen=True, slots=True)
class _Try:
    number: int
    column: int
    found: str
    remedy: str
    repaired: str


def find_slip(
    lines: list[str], failed: int, begun: int, reads: Callable[[str], bool]
) -> Slip | None:
    """Look for the one line to change.

    Parameters
    ----------
    lines : list of str
        The text.
    failed : int
        Line at which the parser gave up, counted from 1.
    begun : int
        Line at which it had begun what it gave up.
    reads : callable
        Says whether a text can be read.

    Returns
    -------
    Slip or None
        None if no single line helps. Where several sections are broken, a change counts that
        makes everything readable up to the next top-level field.
    """
    bare = [line.rstrip("\r\n") for line in lines]
    tried: set[tuple[int, str]] = set()
    for each in _candidates(bare, failed, begun):
        change = (each.number, each.repaired)
        if change in tried or each.repaired == bare[each.number - 1]:
            continue
        if len(tried) >= _TRIED:
            break
        tried.add(change)
        low, high = min(each.number, begun, failed), max(each.number, failed)
        if reads(_around(bare, low, high, each)):
            return Slip(
                line=each.number,
                column=each.column,
                found=each.found,
                accepted=_written(each.repaired),
                remedy=each.remedy,
                repaired=each.repaired,
            )
    return None


def _written(line: str) -> str:
    text = line.strip()
    return f"`{text}`" if len(text) <= _SHOWN else f"`{text[: _SHOWN - 1]}…`"


_TOP = re.compile(r"[A-Za-z_]\w*[ ]*:(?:\s|$)")


def _around(lines: list[str], low: int, high: int, change: _Try) -> str:
    """Return the whole top-level fields that hold the lines from low to high, with a change.

    Of a very long field only its name and the entries near these lines are kept.
    """
    first = low - 1
    while first > 0 and not _TOP.match(lines[first]):
        first -= 1
    last = min(high, len(lines))
    while last < len(lines) and not _TOP.match(lines[last]):
        last += 1
    numbers = list(range(first, last))
    if len(numbers) > _WINDOW:
        entry = re.match(r"[ ]*-[ ]", "".join(lines[first + 1 : first + 2]))
        begins = max(first, low - 1 - _ABOVE)
        while begins > first and entry is not None and not lines[begins].startswith(entry[0]):
            begins -= 1
        if entry is not None:
            numbers = [first, *range(max(begins, first + 1), last)]
    return "".join(
        f"{change.repaired if number == change.number - 1 else lines[number]}\n"
        for number in numbers[:_WINDOW]
    )


def _candidates(lines: list[str], failed: int, begun: int) -> Iterator[_Try]:
    """Yield changes to try: what is plain from a line by itself first, then what is a guess."""
    near = [
        number
        for number in dict.fromkeys((failed, begun, *_above(lines, failed, 3), failed + 1))
        if 0 < number <= len(lines) and lines[number - 1].strip()
    ]
    for change in (_blanks, _sign_for_colon, _hyphen, _quotes):
        for number in near:
            yield from change(lines, number)
    for number in _above(lines, failed + 1, _BACKWARDS):
        yield from _unclosed(lines, number)
    for change in (_brackets, _texts, _missing_colon, _indentation, _continued):
        for number in near:
            yield from change(lines, number)


def _above(lines: list[str], number: int, count: int) -> Iterator[int]:
    """Yield the numbers of the lines with content above a line, nearest first."""
    met = 0
    for above in range(min(number - 1, len(lines)), 0, -1):
        text = lines[above - 1].strip()
        if text and not text.startswith("#"):
            yield above
            met += 1
            if met == count:
                return


def _parted(line: str) -> tuple[str, str, str, str]:
    """Part a line into what stands before the value, the value, and a comment."""
    before, rest = _PREFIX.match(line).groups()  # type: ignore[union-attr]
    comment = _COMMENT.search(rest)
    tail = comment[0] if comment else ""
    body = rest[: len(rest) - len(tail)].rstrip()
    tail = rest[len(body) :]
    field = _FIELD.fullmatch(body)
    if field is None:
        return before, "", body, tail
    name = f"{field[1]}{field[2]}: "
    return before, name, field[3].strip(), tail


def _blanks(lines: list[str], number: int) -> Iterator[_Try]:
    """Find tabs and other white space where a blank belongs, and none where one belongs."""
    line = lines[number - 1]
    odd = re.search(r"[^\S ]", line)
    if odd:
        name = "a tab" if odd[0] == "\t" else "a blank that is none to YAML"
        before = line[: odd.start()].rstrip()
        place = f"after `{before[-1]}`" if before else "at the beginning of the line"
        yield _Try(
            number,
            odd.start() + 1,
            f"{name} stands {place}, where a blank belongs",
            "Put a blank in its place.",
            re.sub(r"[^\S ]+", " ", line) if before else line.replace(odd[0], "  "),
        )
    glued = re.match(r"([ ]*(?:-[ ]*)?)([A-Za-z_]\w*):(?=[^\s/])", line)
    if glued:
        between = re.sub(r"-(?![ ])", "- ", glued[1])
        yield _Try(
            number,
            glued.end(),
            f"the blank after `{glued[2]}:` is missing",
            "Put a blank after the colon."
            if between == glued[1]
            else "Put a blank after the hyphen, and one after the colon.",
            f"{between}{glued[2]}: {line[glued.end() :]}",
        )
    inside = re.search(r"[{,][ ]*([A-Za-z_]\w*):(?=[^\s/])", line)
    if inside:
        yield _Try(
            number,
            inside.end(),
            f"the blank after `{inside[1]}:` is missing",
            "Put a blank after the colon.",
            re.sub(r"([{,][ ]*[A-Za-z_]\w*):(?=[^\s/])", r"\1: ", line),
        )


def _sign_for_colon(lines: list[str], number: int) -> Iterator[_Try]:
    line = lines[number - 1]
    wrong = re.match(r"([ ]*(?:-[ ]+)?[A-Za-z_]\w*)[ ]*([=;\uff1a.])[ ]*", line)
    if wrong:
        yield _Try(
            number,
            wrong.start(2) + 1,
            f"`{wrong[2]}` stands where the colon after the name of a field belongs",
            "Put a colon and a blank in its place.",
            f"{wrong[1]}: {line[wrong.end() :]}",
        )
    if "{" in line and ";" in line:
        yield _Try(
            number,
            line.index(";") + 1,
            "`;` stands where a comma belongs",
            "Put a comma in its place.",
            re.sub(r"[ ]*;[ ]*", ", ", line),
        )


def _hyphen(lines: list[str], number: int) -> Iterator[_Try]:
    line = lines[number - 1]
    glued = re.match(r"([ ]*)[-\u2013\u2014\u2022*][ ]*(?=[^\s-])", line)
    if glued is None or re.match(r"[ ]*-[ ]", line):
        return
    if line[len(glued[1])] == "-":
        found, remedy = "the blank after the hyphen is missing", "Put a blank after the hyphen."
    else:
        found = f"`{line[len(glued[1])]}` stands where the hyphen of a list belongs"
        remedy = "Put a hyphen and a blank in its place."
    yield _Try(number, len(glued[1]) + 1, found, remedy, f"{glued[1]}- {line[glued.end() :]}")


def _quotes(lines: list[str], number: int) -> Iterator[_Try]:
    """Find marks within a quoted text, and text after a closed one."""
    line = lines[number - 1]
    before, name, value, tail = _parted(line)
    start = len(before) + len(name) + 1
    body = value[1:-1]
    if len(value) > 2 and value[0] == value[-1] == "'" and "'" in body.replace("''", ""):
        yield _Try(
            number,
            start,
            "an apostrophe within single quotes ends the text",
            "Write the apostrophe twice.",
            f"{before}{name}{_quoted(body.replace(chr(39) * 2, chr(39)))}{tail}",
        )
    if len(value) > 2 and value[0] == value[-1] == '"' and '"' in body.replace('\\"', ""):
        yield _Try(
            number,
            start,
            "a quotation mark within double quotes ends the text",
            "Put the text into single quotes instead.",
            f"{before}{name}{_quoted(body)}{tail}",
        )
    if value[:1] == '"' and "\\" in value:
        yield _Try(
            number,
            start + value.index("\\"),
            "a backslash in double quotes begins a special character that YAML does not know",
            "Put the text into single quotes, in which a backslash is a backslash.",
            f"{before}{name}{_quoted(body)}{tail}",
        )
    apostrophe = re.search(r"(?<=\w)'(?=\w)", line)
    if apostrophe and re.search(r"[\[{,:][ ]*'", line):
        yield _Try(
            number,
            apostrophe.start() + 1,
            "an apostrophe within single quotes ends the text",
            "Write the apostrophe twice.",
            re.sub(r"(?<=\w)'(?=\w)", "''", line),
        )
    if value[:1] in ("'", '"') and value.count(value[0]) >= 2 and value[-1] != value[0]:
        readable = "'" in value and not re.search(r'["\\]', value)
        whole = f'"{value}"' if readable else _quoted(value)
        yield _Try(
            number,
            start + value.index(value[0], 1),
            "a closed quotation is followed by more text",
            f"Put the whole text into {'single' if whole[0] == chr(39) else 'double'} quotes.",
            f"{before}{name}{whole}{tail}",
        )


def _unclosed(lines: list[str], number: int) -> Iterator[_Try]:
    before, name, value, tail = _parted(lines[number - 1])
    if value[:1] in ("'", '"') and value.count(value[0]) % 2:
        yield _Try(
            number,
            len(before) + len(name) + 1,
            f"the quotation mark opened in line {number} is never closed",
            "Close the quotation mark at the end of the text.",
            f"{before}{name}{value}{value[0]}{tail}",
        )
    in_list = re.fullmatch(r"(\[.*[ ,\[])(['\"])([^'\"\[\]]+)\]", value)
    if in_list:
        yield _Try(
            number,
            len(before) + len(name) + in_list.start(2) + 1,
            f"the quotation mark opened in line {number} is never closed",
            "Close the quotation mark at the end of the text.",
            f"{before}{name}{in_list[1]}{in_list[2]}{in_list[3]}{in_list[2]}]{tail}",
        )


def _brackets(lines: list[str], number: int) -> Iterator[_Try]:
    before, name, value, tail = _parted(lines[number - 1])
    start = len(before) + len(name) + 1
    for opening, closing in ("[]", "{}"):
        lacking = value.count(opening) - value.count(closing)
        if lacking == 1:
            at = start + value.index(opening)
            for kept in (value, value[:-1].rstrip(), value.rstrip(",")):
                yield _Try(
                    number,
                    at,
                    f"the bracket opened in line {number} is not closed",
                    f"Close the bracket with `{closing}`.",
                    f"{before}{name}{kept}{closing}{tail}",
                )
        elif lacking == -1 and value.endswith(closing):
            yield _Try(
                number,
                start + len(value) - 1,
                f"`{closing}` closes a bracket that was not opened",
                "Take the bracket away, or open it before the first value.",
                f"{before}{name}{value[:-1].rstrip()}{tail}",
            )
    if value[:1] == "{":
        yield _Try(
            number,
            start,
            "a comma is missing between the fields in braces",
            "Put a comma after each value but the last.",
            f"{before}{name}" + re.sub(r"([^\s,{])[ ]+(?=[A-Za-z_]\w*:[ ])", r"\1, ", value) + tail,
        )


def _texts(lines: list[str], number: int) -> Iterator[_Try]:
    """Find texts that need quotes."""
    before, name, value, tail = _parted(lines[number - 1])
    if not value or not (name or "-" in before):
        return
    start = len(before) + len(name) + 1
    quoted = f"{before}{name}{_quoted(value)}{tail}"
    if value.startswith(("- ", "-\t")) and name.split(":")[0].strip() in _lists():
        rest = value[1:].strip()
        yield _Try(
            number,
            start,
            "the first entry of the list stands beside the name of the field",
            "Put the entries into brackets, or each on a line of its own below the name.",
            f"{before}{name}[{rest if re.fullmatch(r'[^,:#{}]+', rest) else _quoted(rest)}]{tail}",
        )
    if re.match(r"[@`%|>&*!,\]}?\[{\-:\"]", value):
        sign = value[0]
        yield _Try(
            number,
            start,
            f"a text cannot begin with this character unless it is in quotes, `{sign}`",
            "Put the text into single quotes.",
            quoted,
        )
    if re.search(r":(?:\s|$)", value):
        yield _Try(
            number,
            start + value.index(":"),
            "a colon and a blank stand inside a text without quotes",
            "Put the text into single quotes.",
            quoted,
        )
    # In braces and brackets it is one of the texts that needs quotes.
    for found in re.finditer(r"(?<=[:,\[])[ ]+([^,\[\]{}'\"]*:[ ][^,\[\]{}'\"]*)(?=[,\]}])", value):
        text = found[1].strip()
        for inner in dict.fromkeys((text.split(": ", 1)[-1], text)):
            at = value.rindex(inner, 0, found.end())
            yield _Try(
                number,
                start + at,
                "a colon and a blank stand inside a text without quotes",
                "Put the text into single quotes.",
                f"{before}{name}{value[:at]}{_quoted(inner)}{value[at + len(inner) :]}{tail}",
            )


def _missing_colon(lines: list[str], number: int) -> Iterator[_Try]:
    """Find the name of a field without its colon, known by the schemas."""
    line = lines[number - 1]
    before, rest = _PREFIX.match(line).groups()  # type: ignore[union-attr]
    word = re.match(r"([A-Za-z_]\w*)(?:[ ]+|$)", rest)
    if word and word[1] in _names() and ":" not in rest[: word.end()]:
        yield _Try(
            number,
            len(before) + len(word[1]) + 1,
            f"the colon after `{word[1]}` is missing, so this is a line without a colon",
            "Put a colon after the name.",
            f"{before}{word[1]}: {rest[word.end() :]}".rstrip(),
        )


def _indentation(lines: list[str], number: int) -> Iterator[_Try]:
    line = lines[number - 1]
    own = len(line) - len(line.lstrip(" "))
    columns: dict[int, int] = {}
    around = [*_above(lines, number, 12), *_below(lines, number, 2)]
    for other in around:
        text = lines[other - 1]
        indented = len(text) - len(text.lstrip(" "))
        columns.setdefault(indented, other)
        hyphen = re.match(r"[ ]*-[ ]+", text)
        if hyphen and not line.lstrip().startswith("- "):
            columns.setdefault(hyphen.end(), other)
    for column in sorted(columns, key=lambda one: (abs(one - own), one)):
        if column == own:
            continue
        blanks = abs(column - own)
        how = f"{blanks} blank{'s' if blanks > 1 else ''}"
        yield _Try(
            number,
            own + 1,
            f"the indentation does not fit the lines around it: the line begins in column {own + 1}",
            (f"Take {how} away" if column < own else f"Put {how} more")
            + f" before it, so that it begins in column {column + 1}, as in line "
            f"{columns[column]}.",
            " " * column + line.lstrip(" "),
        )


def _below(lines: list[str], number: int, count: int) -> Iterator[int]:
    met = 0
    for below in range(number + 1, len(lines) + 1):
        if lines[below - 1].strip():
            yield below
            met += 1
            if met == count:
                return


def _continued(lines: list[str], number: int) -> Iterator[_Try]:
    """Find a line of a long text that is not indented."""
    line = lines[number - 1]
    own = len(line) - len(line.lstrip(" "))
    yield _Try(
        number,
        own + 1,
        "a line without a colon stands where a field is expected",
        f"Put 2 blanks more before it, so that it begins in column {own + 3} and belongs to the "
        "text above; or make it a field, with a name, a colon and a blank.",
        f"  {line}",
    )


def _quoted(text: str) -> str:
    doubled = text.replace("'", "''")
    return f"'{doubled}'"


@functools.cache
def _names() -> frozenset[str]:
    return frozenset(name for name, _ in _known())


@functools.cache
def _lists() -> frozenset[str]:
    return frozenset(name for name, kind in _known() if kind == "array")


@functools.cache
def _known() -> frozenset[tuple[str, str]]:
    """Return the names of all fields of the sheets, with the kind of what they hold."""

    def fields(each: Shape) -> Iterator[tuple[str, str]]:
        for name, field in (each.fields or {}).items():
            yield name, field.kind
            yield from fields(field)
        if each.item is not None:
            yield from fields(each.item)

    kinds = ("session", "machine", "type", "institution")
    return frozenset(pair for kind in kinds for pair in fields(shape(kind)))
