"""The tree of a YAML text: every scalar as the person wrote it, with line and column.

Built from the events of ruamel.yaml (YAML 1.2), so that nothing is resolved to a
type: ``no``, ``1.10`` and ``2026-04-18`` stay texts. What a sheet has no use for
(references, tags, several documents, deep nesting) becomes a finding.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from ruamel.yaml import YAML
from ruamel.yaml.error import FileMark, MarkedYAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from archiver.findings import Finding, Where
from archiver.session import rules

__all__ = ["MAX_DEPTH", "Entry", "Group", "Listing", "Node", "Scalar", "Unread", "grow"]

MAX_DEPTH = 24
"""Nesting that no sheet needs; the deepest field of the schemas lies at 5."""


@dataclass(slots=True, kw_only=True)
class Scalar:
    """A value as text. ``plain`` tells that it stood without quotes, not in a block."""

    text: str
    plain: bool
    line: int
    column: int
    end_line: int
    end_column: int


@dataclass(slots=True, kw_only=True)
class Unread:
    """A value that could not be taken; its finding has been made."""

    line: int
    column: int


@dataclass(slots=True, kw_only=True)
class Entry:
    """One field: where its name stands, and its value."""

    line: int
    column: int
    value: Node


@dataclass(slots=True, kw_only=True)
class Group:
    """Fields by name, in their order; ``flow`` if they stand in braces."""

    line: int
    column: int
    flow: bool = False
    entries: dict[str, Entry] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Listing:
    """A list."""

    line: int
    column: int
    items: list[Node] = field(default_factory=list)


Node = Scalar | Unread | Group | Listing


class _Open:
    """A group or list that is being filled."""

    __slots__ = ("is_name", "key", "key_event", "node", "skip")

    def __init__(self, node: Group | Listing, *, is_name: bool) -> None:
        self.node = node
        self.is_name = is_name
        self.key: str | None = None
        self.key_event: Event | None = None
        self.skip = False


def grow(text: str, file: str) -> tuple[Node | None, list[Finding], MarkedYAMLError | None]:
    """Read a YAML text into a tree.

    Parameters
    ----------
    text : str
        Without a byte order mark and without control characters.
    file : str
        Name for the findings.

    Returns
    -------
    root : Group, Listing, Scalar, Unread or None
        None for a text without content, or one that is not YAML.
    findings : list of Finding
        What was met on the way.
    error : MarkedYAMLError or None
        Set where the text is not YAML; what was read until then is dropped.
    """
    grower = _Grower(file)
    try:
        grower.run(iter(YAML(typ="safe", pure=True).parse(text)))
    except MarkedYAMLError as error:
        return None, grower.findings, error
    except (OverflowError, ValueError):
        # The scanner makes a character of the number after \U without looking at it.
        return None, grower.findings, _impossible_character(text)
    return grower.root, grower.findings, None


_LONG_ESCAPE = re.compile(r"\\U([0-9A-Fa-f]{8})")


def _impossible_character(text: str) -> MarkedYAMLError:
    """Make the error for an escape beyond U+10FFFF, which is the last character."""
    index = next((m.start() for m in _LONG_ESCAPE.finditer(text) if int(m[1], 16) > 0x10FFFF), 0)
    line = text.count("\n", 0, index)
    column = index - (text.rfind("\n", 0, index) + 1)
    mark = FileMark("", index, line, column)
    return MarkedYAMLError(problem="unknown escape", problem_mark=mark)


class _Grower:
    def __init__(self, file: str) -> None:
        self.file = file
        self.findings: list[Finding] = []
        self.root: Node | None = None
        self.open: list[_Open] = []
        self.documents = 0

    def run(self, events: Iterator[Event]) -> None:
        for event in events:
            if isinstance(event, ScalarEvent):
                self.scalar(event)
            elif isinstance(event, MappingStartEvent | SequenceStartEvent):
                if not self.begin(event):
                    return
            elif isinstance(event, MappingEndEvent | SequenceEndEvent):
                self.end(event)
            elif isinstance(event, AliasEvent):
                self.alias(event)
            elif isinstance(event, DocumentStartEvent):
                self.documents += 1
                if self.documents > 1:
                    self.findings.append(
                        rules.SHEET_SECOND_DOCUMENT.at(
                            self.where(event), "a second document begins here"
                        )
                    )
                    return

    def where(self, event: Event, path: str = "") -> Where:
        mark = event.start_mark
        return Where(
            file=self.file,
            line=mark.line + 1,
            column=mark.column + 1,
            field=path or self.path(),
        )

    def path(self) -> str:
        steps = ""
        for level in self.open:
            if isinstance(level.node, Listing):
                steps += f"[{len(level.node.items)}]"
            elif level.key is not None:
                steps += f".{level.key}" if steps else level.key
        return steps

    def scalar(self, event: ScalarEvent) -> None:
        if self.expects_name():
            self.key(self.open[-1], event)
            return
        self.decorated(event)
        start, end = event.start_mark, event.end_mark
        self.place(
            Scalar(
                text=event.value,
                plain=not event.style,
                line=start.line + 1,
                column=start.column + 1,
                end_line=end.line + 1,
                end_column=end.column + 1,
            )
        )

    def key(self, level: _Open, event: ScalarEvent) -> None:
        self.decorated(event)
        group = level.node
        name = event.value
        level.key, level.key_event, level.skip = name, event, False
        if isinstance(group, Group) and name in group.entries:
            level.skip = True
            first = group.entries[name].line
            self.findings.append(
                rules.SHEET_DUPLICATE_FIELD.at(
                    self.where(event),
                    f"the field `{name}` stands here again; it stood first in line {first}",
                    accepted="each field once",
                )
            )

    def decorated(self, event: NodeEvent) -> None:
        if event.anchor:
            self.findings.append(
                rules.SHEET_REFERENCE_MARK.at(
                    self.where(event),
                    f"`&{event.anchor}` is read as the name of a reference, not as text",
                    accepted=f'"&{event.anchor} …" in quotes',
                )
            )
        tag = getattr(event, "tag", None)
        if tag:
            self.findings.append(
                rules.SHEET_TAG.at(
                    self.where(event),
                    f"`{tag}` is read as the name of a type, not as text",
                    accepted=f'"{tag} …" in quotes',
                )
            )

    def begin(self, event: MappingStartEvent | SequenceStartEvent) -> bool:
        self.decorated(event)
        mark = event.start_mark
        line, column = mark.line + 1, mark.column + 1
        if len(self.open) >= MAX_DEPTH:
            self.findings.append(
                rules.SHEET_TOO_DEEP.at(
                    self.where(event),
                    f"nested more than {MAX_DEPTH} levels deep",
                    accepted=f"at most {MAX_DEPTH} levels",
                )
            )
            self.root = None
            return False
        node: Group | Listing
        if isinstance(event, MappingStartEvent):
            node = Group(line=line, column=column, flow=bool(event.flow_style))
        else:
            node = Listing(line=line, column=column)
        is_name = self.expects_name()
        if is_name and not any(level.is_name for level in self.open):
            self.findings.append(
                rules.SHEET_SYNTAX.at(
                    self.where(event),
                    "a list or a group of fields stands where the name of a field is expected",
                    accepted="a name, a colon, a blank and the value",
                )
            )
        self.open.append(_Open(node, is_name=is_name))
        return True

    def expects_name(self) -> bool:
        return (
            bool(self.open) and isinstance(self.open[-1].node, Group) and self.open[-1].key is None
        )

    def pass_over(self, event: Event) -> None:
        """Take what follows as the value of a name that cannot be used."""
        level = self.open[-1]
        level.key, level.key_event, level.skip = "", event, True

    def end(self, event: Event) -> None:
        closed = self.open.pop()
        if closed.is_name:
            self.pass_over(event)
        else:
            self.place(closed.node)

    def alias(self, event: AliasEvent) -> None:
        self.findings.append(
            rules.SHEET_REFERENCE_MARK.at(
                self.where(event),
                f"`*{event.anchor}` is read as a reference, not as text",
                accepted=f'"*{event.anchor} …" in quotes',
            )
        )
        if self.expects_name():
            self.pass_over(event)
            return
        mark = event.start_mark
        self.place(Unread(line=mark.line + 1, column=mark.column + 1))

    def place(self, node: Node) -> None:
        if not self.open:
            self.root = node
            return
        level = self.open[-1]
        if isinstance(level.node, Listing):
            level.node.items.append(node)
            return
        if not level.skip and level.key is not None and level.key_event is not None:
            mark = level.key_event.start_mark
            level.node.entries[level.key] = Entry(
                line=mark.line + 1, column=mark.column + 1, value=node
            )
        level.key, level.key_event, level.skip = None, None, False
