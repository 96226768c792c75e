"""Reading a tree of texts by a schema: typed values, and every finding in one run.

A text becomes a boolean, a number, a date or a quantity only where the schema asks
for it. One problem makes one finding; what cannot be used is left out of the
result, and the rest is read on.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from archiver.errors import InputError
from archiver.findings import Finding, Where
from archiver.session import rules
from archiver.session.forms import FORMATS, Typed
from archiver.session.shape import Shape
from archiver.session.synonyms import meant, meant_field
from archiver.session.tree import Entry, Group, Listing, Node, Scalar, Unread

__all__ = ["Fields", "Value", "conform", "nearest"]


@dataclass(frozen=True, slots=True)
class Fields:
    """The readable fields of a group, and where the group stands (``takes[2]``)."""

    at: str
    values: dict[str, Value] = field(default_factory=dict)


Value = Typed | bool | int | list["Value"] | Fields

# YAML 1.1, bool type (yaml.org/type/bool.html), which YAML 1.2 narrowed to true and false.
_TRUE = {"yes", "y", "true", "on"}
_FALSE = {"no", "n", "false", "off"}
_INTEGER = re.compile(r"[+-]?\d{1,18}", re.ASCII)
# XML 1.0, 2.2: what an XML document can hold; an escape in double quotes can make others.
_NOT_TEXT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_SUGGESTIONS = 50
# Comparing with each of thousands of similar ids takes seconds and helps nobody.
_COMPARED = 500
_SHOWN = 60
_TELLING = ("remarks", "note", "summary")


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that a mistyped one was probably meant to be."""
    folded = {_folded(name): name for name in known}
    if (same := folded.get(_folded(word))) is not None:
        return same
    numbered = {_without_zeros(name): known for name, known in folded.items()}
    if (same := numbered.get(_without_zeros(_folded(word)))) is not None:
        return same
    if len(folded) > _COMPARED:
        return None
    close = difflib.get_close_matches(_folded(word), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def _folded(word: str) -> str:
    text = unicodedata.normalize("NFKC", word).casefold()
    return re.sub(r"[\s_-]+", "_", text.strip())


def _without_zeros(word: str) -> str:
    """Return a word without the zeros before its numbers: ``t1`` for ``t01``."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", word)


def conform(
    root: Group,
    shape: Shape,
    file: str,
    *,
    damaged: frozenset[str] = frozenset(),
    newer: bool = False,
) -> tuple[Fields, list[Finding]]:
    """Read a tree by the shape of its schema.

    Parameters
    ----------
    root : Group
        As read from the file.
    shape : Shape
        What the file may hold.
    file : str
        Name for the findings.
    damaged : frozenset of str
        Top-level fields that are there but not readable; they are not missed.
    newer : bool
        The file follows a newer version of the schema: unknown fields are passed over.

    Returns
    -------
    fields : Fields
        What could be read.
    findings : list of Finding
        In the order of the file.
    """
    reader = _Reader(file, newer=newer)
    fields = reader.group(root, shape, "", present=damaged)
    return fields, reader.findings


class _Reader:
    def __init__(self, file: str, *, newer: bool) -> None:
        self.file = file
        self.newer = newer
        self.findings: list[Finding] = []
        self.suggestions = _SUGGESTIONS
        self.lengths: dict[str, int] = {}

    def where(self, node: Node | Entry, path: str) -> Where:
        return Where(file=self.file, line=node.line, column=node.column, field=path)

    def suggestion(self, word: str, known: Iterable[str]) -> str | None:
        """Look for the nearest word, a limited number of times: it takes long."""
        if self.suggestions <= 0:
            return None
        self.suggestions -= 1
        return nearest(word, known)

    def value(self, node: Node, shape: Shape, path: str) -> Value | None:
        if isinstance(node, Unread):
            return None
        if shape.kind == "object":
            if isinstance(node, Group):
                return self.group(node, shape, path)
            self.misshapen(node, shape, path, "a group of fields")
            return None
        if shape.kind == "array":
            if isinstance(node, Listing):
                return self.listing(node, shape, path)
            self.misshapen(node, shape, path, "a list")
            return None
        if not isinstance(node, Scalar):
            self.misshapen(node, shape, path, "one value")
            return None
        return self.scalar(node, shape, path)

    def misshapen(self, node: Node, shape: Shape, path: str, wanted: str) -> None:
        if isinstance(node, Group):
            found = "a group of fields"
        elif isinstance(node, Listing):
            found = "a list"
        else:
            found = f"the text `{_shown(node.text)}`" if isinstance(node, Scalar) else "a text"
        self.findings.append(
            rules.SHEET_SHAPE.at(
                self.where(node, path),
                f"{found} stands where {wanted} is expected",
                accepted=f"{wanted}, such as `{shape.example}`",
            )
        )

    def group(
        self, node: Group, shape: Shape, path: str, *, present: frozenset[str] = frozenset()
    ) -> Fields:
        known = shape.fields or {}
        prefix = f"{path}." if path else ""
        fields = Fields(path)
        seen = set(present)
        for name, entry in node.entries.items():
            target = name
            if name not in known:
                target = self.unknown(name, entry, node, known, prefix)
                if not target or target in seen:
                    continue
            seen.add(target)
            value = entry.value
            if isinstance(value, Scalar) and not value.text and value.plain:
                # Nothing after the colon: the field was left open.
                if target in shape.required:
                    self.missing(entry, known[target], prefix + target, "is left empty")
                continue
            read = self.value(value, known[target], prefix + name)
            if read is not None:
                fields.values[target] = read
        for name in shape.required:
            if name not in seen:
                self.missing(node, known[name], prefix + name, "is missing")
        return fields

    def unknown(
        self, name: str, entry: Entry, node: Group, known: Mapping[str, Shape], prefix: str
    ) -> str:
        """Report a field that is not known; return the one that it probably is."""
        if self.newer:
            return ""
        value = entry.value
        glued = name.partition(":")[0]
        if node.flow and glued in known and isinstance(value, Scalar) and not value.text:
            self.findings.append(
                rules.SHEET_UNKNOWN_FIELD.at(
                    self.where(entry, prefix + name),
                    f"the blank after `{glued}:` is missing, so `{_shown(name)}` is read as the "
                    "name of a field",
                    accepted=f"`{glued}: {_shown(name[len(glued) + 1 :])}`",
                    remedy="Put a blank after the colon.",
                )
            )
            return ""
        if node.flow and isinstance(value, Scalar) and value.plain and not value.text:
            self.findings.append(
                rules.SHEET_UNKNOWN_FIELD.at(
                    self.where(entry, prefix + name),
                    f"`{_shown(name)}` stands after a comma within braces, "
                    "so it is read as the name of a field",
                    accepted="a text that holds a comma in single quotes",
                    remedy="Put the whole text into single quotes.",
                )
            )
            return ""
        near = meant_field(name, known) or self.suggestion(name, known)
        nearby = f"; nearest: `{near}`" if near else ""
        room = next((each for each in _TELLING if each in known), None)
        self.findings.append(
            rules.SHEET_UNKNOWN_FIELD.at(
                self.where(entry, prefix + name),
                f"there is no field `{_shown(name)}` here{nearby}",
                accepted=", ".join(known),
                remedy=f"Correct the name, or move the text to `{room}`." if room else None,
            )
        )
        return near if near and near not in node.entries else ""

    def missing(self, node: Node | Entry, shape: Shape, path: str, how: str) -> None:
        name = path.rpartition(".")[2]
        self.findings.append(
            rules.SHEET_MISSING_FIELD.at(
                self.where(node, path),
                f"the field `{name}` {how}",
                accepted=f"`{name}: {shape.example}` ({shape.description.rstrip('.')})",
                remedy="Fill it in." if isinstance(node, Entry) else None,
            )
        )

    def listing(self, node: Listing, shape: Shape, path: str) -> list[Value]:
        values: list[Value] = []
        self.lengths[path] = len(node.items)
        item = shape.item
        if len(node.items) < shape.min_items:
            self.findings.append(
                rules.SHEET_VALUE.at(
                    self.where(node, path),
                    "the list is empty",
                    accepted=f"at least {shape.min_items}, such as `{shape.example}`",
                )
            )
        if item is None:
            return values
        for index, child in enumerate(node.items):
            at = f"{path}[{index}]"
            if isinstance(child, Scalar) and not child.text and child.plain:
                self.findings.append(
                    rules.SHEET_VALUE.at(
                        self.where(child, at),
                        "nothing stands after the hyphen or between the commas",
                        accepted=f"`{item.example}`",
                    )
                )
                continue
            read = self.value(child, item, at)
            if read is not None:
                values.append(read)
        return values

    def scalar(self, node: Scalar, shape: Shape, path: str) -> Value | None:
        text = node.text
        bad = _NOT_TEXT.search(text)
        if bad:
            self.findings.append(
                rules.SHEET_CONTROL_CHARACTER.at(
                    self.where(node, path),
                    f"holds the character U+{ord(bad[0]):04X}, which is no text",
                    accepted="letters, digits, punctuation, blanks and line ends",
                )
            )
            return None
        if shape.kind == "boolean":
            word = text.strip().lower()
            if word in _TRUE or word in _FALSE:
                return word in _TRUE
            self.refused(node, shape, path, "is neither yes nor no", meant(text, ("yes", "no")))
            return None
        if shape.kind == "integer":
            return self.integer(node, shape, path)
        if shape.values and text not in shape.values:
            words = [str(value) for value in shape.values]
            near = meant(text, words) or self.suggestion(text, words)
            self.refused(node, shape, path, "is not one of the accepted words", near)
            # Taken for what is probably meant, the rest of the entry can be judged too.
            return near
        if shape.pattern and not shape.pattern.search(text):
            if not text.strip():
                self.refused(node, shape, path, "is blank")
                return None
            self.refused(node, shape, path, "is not of the accepted form")
            # The text still serves to find what refers to it.
            return text
        if shape.format:
            return self.formatted(node, shape, path)
        return text

    def integer(self, node: Scalar, shape: Shape, path: str) -> int | None:
        text = node.text.strip()
        if not _INTEGER.fullmatch(text):
            self.refused(node, shape, path, "is not a whole number")
            return None
        number = int(text)
        if shape.values and number not in shape.values:
            self.refused(node, shape, path, "is not one of the accepted numbers")
            return None
        if shape.minimum is not None and number < shape.minimum:
            self.refused(node, shape, path, "is too small")
            return None
        if shape.maximum is not None and number > shape.maximum:
            self.refused(node, shape, path, "is too large")
            return None
        return number

    def formatted(self, node: Scalar, shape: Shape, path: str) -> Value | None:
        form = FORMATS[shape.format]
        try:
            return form.read(node.text.strip())
        except InputError as error:
            self.findings.append(
                form.rule.at(
                    self.where(node, path),
                    error.found,
                    accepted=error.accepted or shape.accepted,
                    remedy=error.remedy or None,
                )
            )
            return None

    def refused(
        self, node: Scalar, shape: Shape, path: str, why: str, near: str | None = None
    ) -> None:
        accepted = shape.accepted or _range_of(shape)
        is_closed = shape.values or shape.kind == "boolean"
        if not is_closed and f"`{shape.example}`" not in accepted:
            accepted += f", such as `{shape.example}`"
        question = f"; did you mean `{near}`?" if near else ""
        remedy = f"Write {self.written(path, near)} if that is meant." if near else None
        self.findings.append(
            rules.SHEET_VALUE.at(
                self.where(node, path),
                f"`{_shown(node.text)}` {why}{question}",
                accepted=accepted,
                remedy=remedy,
            )
        )

    def written(self, path: str, word: str) -> str:
        """Say how a word is written at a field; in a list, as the list takes it."""
        listed = re.sub(r"\[\d+\]$", "", path)
        name = listed.rpartition(".")[2]
        if listed == path:
            return f"`{name}: {word}`"
        return f"`{name}: [{word}]`" if self.lengths.get(listed) == 1 else f"`{word}` in its place"


def _shown(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= _SHOWN else line[: _SHOWN - 1] + "…"


def _range_of(shape: Shape) -> str:
    """Say what a field takes of which the schema states the kind, and bounds, alone."""
    if shape.kind not in {"integer", "number"}:
        return "a text"
    low, high = shape.minimum, shape.maximum
    bounds = f" from {low} to {high}" if low is not None and high is not None else ""
    if not bounds and (low is not None or high is not None):
        bounds = f" of at least {low}" if low is not None else f" of at most {high}"
    return f"a {'whole ' if shape.kind == 'integer' else ''}number{bounds}"
