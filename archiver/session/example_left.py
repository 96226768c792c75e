"""What is still the text of the example that a new session folder is laid out with.

The texts are read from the template itself, so that the two cannot drift apart. Here
stands only in which fields they count: in those where nobody has the very same text by
chance. Materials, units, roles, settings and short numbers may well be kept because they
are true.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping

from archiver.findings import Finding
from archiver.session import rules
from archiver.session.place import Places
from archiver.session.records import Session
from archiver.session.sheet import read_sheet
from archiver.session.template import template_files
from archiver.session.tree import Group, Listing, Node, Scalar

__all__ = ["ANSWERING_FIELDS", "EVIDENCE_FIELDS", "TELLING_FIELDS", "check_example_left"]

ANSWERING_FIELDS = frozenset({
    "session.identifier", "session.rights.statement", "session.rights.holder",
    "organisation.name", "organisation.address", "organisation.contact.phone",
    "organisation.contact.email",
})  # fmt: skip
"""Fields of the sheet that say for ever who answers for the archive, and for what."""

TELLING_FIELDS: Mapping[str, frozenset[str]] = {
    "session": frozenset({
        "session.title", "session.start", "session.end", "session.place", "session.purpose",
        "session.summary", "session.restrictions[]", "chains[].microphones[].maker",
        "chains[].preamplifier.maker", "chains[].converter.maker", "chains[].recorder.maker",
        "media[].inventory_number", "media[].supplier", "setups[].remarks", "takes[].title",
        "takes[].start", "takes[].remarks", "conditions[].parts[].note",
    }),
    "machine": frozenset({
        "names[]", "maker.name", "made.statement", "attribution[].name", "attribution[].source",
        "owner.name", "custody[].holder", "custody[].source",
    }),
    "type": frozenset({"names[]", "maker.name", "sources[]", "variants[].source"}),
}  # fmt: skip
"""Fields that tell of one event or one object, by kind of file."""

EVIDENCE_FIELDS = frozenset({"evidence[].what", "evidence[].source"})
"""Fields of the machine file from which the date of making is reckoned."""

_FILES = {
    "session": "session.yaml",
    "machine": "machines/example-machine.yaml",
    "type": "types/example-model.yaml",
}
_SHOWN = 50


def check_example_left(session: Session) -> list[Finding]:
    """Tell what in the sheet, the machine files and the type files is still the example's.

    Parameters
    ----------
    session : Session
        As read from files; a record made by code says nothing here.

    Returns
    -------
    list of Finding
        An error for each text that names who answers for the archive, for each person and
        consent of the example, and for each piece of its evidence. A warning for each other entry of the sheet, and for
        each machine or type file, that still tells of the example.
    """
    findings = [*_answering(session), *_people(session), *_left("session", session.places)]
    for machine in session.machines:
        findings += _evidence(machine.places)
        findings += _left("machine", machine.places)
    for each in session.types:
        findings += _left("type", each.places)
    return findings


def _answering(session: Session) -> Iterator[Finding]:
    for path, text in _kept("session", session.places, ANSWERING_FIELDS):
        yield rules.EXAMPLE_NOT_OVERWRITTEN.at(
            session.locate(path),
            f"`{_shown(text)}` is the text of the example",
            accepted="your own text",
        )


def _people(session: Session) -> Iterator[Finding]:
    """Tell people of the example, by id and name together, and consents, by date and scope."""
    if session.places.root is None:
        return
    for person in session.operators:
        if _stand_together("operators[]", {"id": person.id, "name": person.name}):
            yield rules.EXAMPLE_NOT_OVERWRITTEN.at(
                session.locate(f"{person.at}.name"),
                f"`{_shown(person.name)}` is a person of the example",
                accepted="the people who took part",
                remedy="Write your own people, or delete the entry; somebody who has this very "
                "name gets another id.",
            )
        consent = person.consent
        if consent is None or consent.date is None or consent.scope is None:
            continue
        stated = {"date": consent.date.text, "scope": consent.scope}
        if _stand_together("operators[].consent", stated):
            yield rules.EXAMPLE_NOT_OVERWRITTEN.at(
                session.locate(f"{person.at}.consent"),
                f"the consent of {person.name} has the date and the scope of the example",
                accepted="what this person has agreed to, and when",
                remedy="Write down the consent that was given, or delete the field consent.",
            )


def _evidence(places: Places) -> Iterator[Finding]:
    """Tell evidence of the example: a date would be reckoned from it, and stated as a result."""
    pieces: dict[str, list[tuple[str, str]]] = {}
    for path, text in _kept("machine", places, EVIDENCE_FIELDS):
        pieces.setdefault(path.rpartition(".")[0], []).append((path, text))
    for piece, kept in pieces.items():
        texts = " and ".join(f"`{path.rpartition('.')[2]}: {_shown(text)}`" for path, text in kept)
        yield rules.EXAMPLE_NOT_OVERWRITTEN.at(
            places.locate(piece),
            f"is evidence of the example: {texts}",
            accepted="what was seen on your machine, and where it is known from",
            remedy="Write your own evidence, or delete this entry.",
        )


def _left(kind: str, places: Places) -> Iterator[Finding]:
    entries: dict[str, list[str]] = {}
    for path, _ in _kept(kind, places, TELLING_FIELDS[kind]):
        entry = path.partition(".")[0] if kind == "session" else ""
        entries.setdefault(entry, []).append(path)
    for entry, paths in entries.items():
        lines: dict[str, list[int | None]] = {}
        for path in paths:
            name = _general(path.removeprefix(f"{entry}.")).replace("[]", "")
            lines.setdefault(name, []).append(places.locate(path).line)
        listed = ", ".join(f"`{name}` ({_lines(found)})" for name, found in lines.items())
        yield rules.EXAMPLE_TEXT_LEFT.at(
            places.locate(paths[0]),
            f"still tells of the example, in {listed}",
            accepted="your own texts",
        )


def _lines(numbers: list[int | None]) -> str:
    known = [str(number) for number in dict.fromkeys(numbers) if number is not None]
    return f"line {known[0]}" if len(known) == 1 else f"lines {', '.join(known)}"


def _kept(kind: str, places: Places, fields: frozenset[str]) -> Iterator[tuple[str, str]]:
    """Yield path and text of the fields that hold a text of the example."""
    plain = _plain(kind)
    for path, general, text in _texts(places.root, "", ""):
        # The template is read as YAML only where something of it was found: that takes long.
        if general in fields and text in plain and text in _example(kind).get(general, ()):
            yield path, text


def _stand_together(group: str, stated: Mapping[str, str]) -> bool:
    """Say whether a group of the example has all these texts."""
    if not all(text in _plain("session") for text in stated.values()):
        return False
    texts = [_example("session")[f"{group}.{name}"] for name in stated]
    return tuple(stated.values()) in zip(*texts, strict=True)


@functools.cache
def _plain(kind: str) -> str:
    """Return the template without its comments."""
    return " ".join(re.sub(r"(?m)(?:^|\s)#.*$", "", template_files()[_FILES[kind]]).split())


@functools.cache
def _example(kind: str) -> Mapping[str, tuple[str, ...]]:
    """Return the texts of the template by their field, in the order of the file."""
    file = _FILES[kind]
    found: dict[str, tuple[str, ...]] = {}
    for _, general, text in _texts(read_sheet(template_files()[file].encode(), file).root, "", ""):
        found[general] = (*found.get(general, ()), text)
    return found


def _texts(node: Node | None, path: str, general: str) -> Iterator[tuple[str, str, str]]:
    """Yield every text with its path, ``takes[2].file``, and its field, ``takes[].file``."""
    if isinstance(node, Group):
        for name, entry in node.entries.items():
            dot = "." if path else ""
            yield from _texts(entry.value, f"{path}{dot}{name}", f"{general}{dot}{name}")
    elif isinstance(node, Listing):
        for number, item in enumerate(node.items):
            yield from _texts(item, f"{path}[{number}]", f"{general}[]")
    elif isinstance(node, Scalar):
        yield path, general, " ".join(node.text.split())


def _general(path: str) -> str:
    return re.sub(r"\[\d+\]", "[]", path)


def _shown(text: str) -> str:
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"
