"""Asking for a session, question by question, for people who do not write sheets.

The questions take their words from the schemas and their judgement from the reading
of sheets, so that an answer is refused here exactly if it would be refused there.
Nothing is printed here: the caller hands in what asks and what tells.
"""

from __future__ import annotations

import dataclasses
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from archiver.findings import RULES, Severity
from archiver.session.conform import conform, nearest
from archiver.session.moments import doubts
from archiver.session.shape import Shape, shape
from archiver.session.timestamp import parse_timestamp
from archiver.session.tree import Entry, Group, Listing, Node, Scalar
from archiver.session.vocabulary import TakeKind

__all__ = ["BACK", "KEPT_ANSWERS", "Answers", "ask_for_session"]

BACK = "back"
"""Answer that takes back the one before it; whoever keeps the answers obeys it."""

KEPT_ANSWERS = "answers-so-far.txt"
"""Name of the file that keeps answers until the last question is answered."""

Ask = Callable[[str], str]
Tell = Callable[[str], None]

_CHANNELS = {"mono": 1, "stereo": 2}
_RECORDS = {str(kind) for kind in TakeKind if kind.records}
_OF_MACHINE = {str(kind) for kind in TakeKind if kind.records or kind.plays}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """The trees that were answered for: the sheet, and machine files by id."""

    session: Group
    machines: Mapping[str, Group]


def ask_for_session(ask: Ask, tell: Tell) -> Answers:
    """Ask for a whole session.

    Parameters
    ----------
    ask : callable
        Shows a prompt and returns the line that was answered; ``EOFError`` ends it.
    tell : callable
        Shows a line.
    """
    asker = _Asker(ask, tell)
    tell(
        f"Empty answers leave a field out; ? explains a question; {BACK} returns to the question "
        "before."
    )
    root = _group({"schema": _scalar("session 1")})
    own = asker.group("session", ["session"], [
        ("identifier", True, ""), ("title", True, ""), ("start", True, ""), ("end", False, ""),
        ("place", True, ""), ("purpose", False, ""), ("summary", False, ""),
        ("language", True, "en"),
    ])  # fmt: skip
    tell("\nWho is responsible for the archive")
    organisation = asker.group("session", ["organisation"], [
        ("name", True, ""), ("country", True, ""), ("code", True, ""),
    ])  # fmt: skip
    tell("\nRights in the recordings")
    own.entries["rights"] = _entry(
        asker.group(
            "session",
            ["session", "rights"],
            [
                ("statement", True, ""),
                ("uri", False, ""),
                ("holder", True, _text_of(organisation, "name")),
            ],
        )
    )
    root.entries["session"] = _entry(own)
    root.entries["organisation"] = _entry(organisation)
    people = _people(asker)
    chain = _chain(asker)
    machines = _machines(asker)
    media = _media(asker)
    setups = _setups(asker, machines, media)
    takes = _takes(asker, people, setups, media)
    for name, items in (
        ("operators", people), ("chains", [chain]), ("media", media), ("setups", setups),
        ("takes", takes),
    ):  # fmt: skip
        if items:
            root.entries[name] = _entry(Listing(line=1, column=1, items=list(items)))
    return Answers(
        session=root, machines={_text_of(machine, "id"): machine for machine in machines}
    )


def _people(asker: _Asker) -> list[Group]:
    asker.tell("\nPeople who took part, one after the other; an empty name goes on")
    people: list[Group] = []
    while name := asker.one("session", ["operators", "name"], needed=False):
        person = _group({"id": _scalar(asker.short_name(name)), "name": _scalar(name)})
        asker.fill(person, "session", ["operators"], [("role", True, "")])
        consent = asker.group("session", ["operators", "consent"], [("given", False, "")])
        if consent.entries:
            asker.fill(
                consent,
                "session",
                ["operators", "consent"],
                [("date", False, ""), ("scope", False, "")],
            )
            person.entries["consent"] = _entry(consent)
        people.append(person)
    return people


def _chain(asker: _Asker) -> Group:
    asker.tell("\nHow it was captured")
    chain = _group({"id": _scalar("main")})
    asker.fill(
        chain,
        "session",
        ["chains"],
        [
            ("sample_rate", True, "96 kHz"),
            ("bit_depth", True, "24"),
            ("channel_layout", True, "mono"),
        ],
    )
    count = _CHANNELS.get(_text_of(chain, "channel_layout"), 0)
    channels: list[Node] = []
    while not count or len(channels) < count:
        needed = len(channels) < max(count, 3)
        meaning = asker.one(
            "session",
            ["chains", "channels"],
            needed=needed,
            head=f"What channel {len(channels) + 1} carries",
        )
        if not meaning:
            break
        channels.append(_scalar(meaning))
    chain.entries["channels"] = _entry(Listing(line=1, column=1, items=channels))
    return chain


def _machines(asker: _Asker) -> list[Group]:
    asker.tell("\nHistoric machines, one after the other; an empty name goes on")
    machines: list[Group] = []
    while name := asker.one("machine", ["names"], needed=False, head="Name of the machine"):
        machine = _group({"schema": _scalar("machine 1"), "id": _scalar(asker.short_name(name))})
        machine.entries["names"] = _entry(Listing(line=1, column=1, items=[_scalar(name)]))
        asker.fill(machine, "machine", [], [("type", True, "")])
        for inner, fields in (("maker", ["name"]), ("made", ["date"])):
            found = asker.group("machine", [inner], [(each, False, "") for each in fields])
            if found.entries:
                machine.entries[inner] = _entry(found)
        asker.fill(
            machine,
            "machine",
            [],
            [
                (each, False, "")
                for each in (
                    "inventory_number",
                    "groove_pitch",
                    "recordable_length",
                    "nominal_speed",
                )
            ],
        )
        machines.append(machine)
    return machines


def _media(asker: _Asker) -> list[Group]:
    asker.tell("\nCylinders, sheets, discs, one after the other; an empty label goes on")
    media: list[Group] = []
    while label := asker.one("session", ["media", "label"], needed=False):
        medium = _group({"id": _scalar(asker.short_name(label))})
        asker.fill(medium, "session", ["media"], [("kind", True, ""), ("material", False, "")])
        medium.entries["label"] = _entry(_scalar(label))
        asker.fill(
            medium,
            "session",
            ["media"],
            [("recordings", False, ""), ("playings", False, ""), ("playings_limit", False, "")],
        )
        media.append(medium)
    return media


def _setups(asker: _Asker, machines: list[Group], media: list[Group]) -> list[Group]:
    """Make one setup a machine: more is for the sheet."""
    setups: list[Group] = []
    for number, machine in enumerate(machines, start=1):
        name = _text_of(machine, "id")
        asker.tell(f"\nHow {_name_of(machine)} was set up")
        setup = _group({"id": _scalar(f"s{number}"), "machine": _scalar(name)})
        if len(media) == 1:
            setup.entries["medium"] = _entry(_scalar(_text_of(media[0], "id")))
        drive = asker.group("session", ["setups", "drive"], [("kind", False, "")])
        if drive.entries:
            setup.entries["drive"] = _entry(drive)
        asker.fill(setup, "session", ["setups"], [("nominal_speed", False, "")])
        setups.append(setup)
    return setups


def _takes(
    asker: _Asker, people: list[Group], setups: list[Group], media: list[Group]
) -> list[Group]:
    asker.tell("\nTakes, in the order in which they were made; an empty file goes on")
    takes: list[Group] = []
    recorded: list[str] = []
    while file := asker.one("session", ["takes", "file"], needed=False):
        number = len(takes) + 1
        take = _group({"id": _scalar(f"t{number:02d}"), "file": _scalar(file)})
        asker.fill(take, "session", ["takes"], [("kind", True, ""), ("title", False, "")])
        kind = _text_of(take, "kind")
        if kind in _OF_MACHINE:
            asker.choose(take, "setup", [_text_of(each, "id") for each in setups], "Which setup")
            if len(media) > 1:
                asker.choose(
                    take, "medium", [_text_of(each, "id") for each in media], "Which medium"
                )
        if kind == str(TakeKind.REPRODUCTION) and recorded:
            asker.choose(take, "reproduces", recorded, "Which take it reproduces", needed=False)
        if kind in _RECORDS:
            recorded.append(f"t{number:02d}")
        asker.fill(take, "session", ["takes"], [("start", False, "")])
        who = asker.several([_text_of(each, "id") for each in people], "Who took part in it")
        if who:
            take.entries["operators"] = _entry(
                Listing(line=1, column=1, items=[_scalar(each) for each in who])
            )
        takes.append(take)
    return takes


class _Asker:
    """Asks until an answer can be taken."""

    def __init__(self, ask: Ask, tell: Tell) -> None:
        self.ask = ask
        self.tell = tell
        self._taken: set[str] = set()

    def short_name(self, text: str) -> str:
        """Make a short name out of a text: small letters, digits, hyphens; each once."""
        folded = unicodedata.normalize("NFKD", text.casefold().replace("æ", "ae").replace("ø", "o"))
        base = re.sub(r"[^a-z0-9]+", "-", folded.encode("ascii", "ignore").decode()).strip("-")[:40]
        name, number = base.strip("-") or "x", 1
        while name in self._taken:
            number += 1
            name = f"{base}-{number}"
        self._taken.add(name)
        return name

    def group(
        self, document: str, path: list[str], fields: Iterable[tuple[str, bool, str]]
    ) -> Group:
        """Ask for fields of a group: name, whether it is needed, and what an empty answer means."""
        made = _group({})
        self.fill(made, document, path, fields)
        return made

    def fill(
        self, group: Group, document: str, path: list[str], fields: Iterable[tuple[str, bool, str]]
    ) -> None:
        for name, needed, default in fields:
            while True:
                answer = self.one(document, [*path, name], needed=needed, default=default)
                if not answer:
                    break
                group.entries[name] = _entry(_scalar(answer))
                if path != ["session"] or name not in ("start", "end"):
                    break
                fault = _impossible(_text_of(group, "start"), _text_of(group, "end"))
                if not fault:
                    break
                del group.entries[name]
                self.tell(f"  {fault}")

    def one(
        self, document: str, path: list[str], *, needed: bool, default: str = "", head: str = ""
    ) -> str:
        """Ask for one field; empty only if it is not needed."""
        form = _form(document, path)
        words = [str(value) for value in form.values]
        words += ["yes", "no"] if form.kind == "boolean" else []
        question = head or form.description.rstrip(".")
        if words:
            question += f" ({', '.join(words)})"
        elif form.format and not default:
            question += f", such as {form.example}"
        if default:
            question += f" [{default}]"
        elif not needed:
            question += " (optional)"
        while True:
            answer = self.ask(f"{question}: ").strip() or default
            if answer == "?":
                self.tell(f"  {form.description} Accepted: {form.accepted or 'a text'}.")
                self.tell(f"  Example: {form.example}")
            elif not answer:
                if not needed:
                    return ""
                self.tell(f"  This is needed, such as: {form.example}")
            else:
                answer = _word(answer, words)
                fault = _fault(answer, form, path[-1])
                if not fault:
                    return answer
                self.tell(f"  {fault}")

    def choose(
        self, group: Group, name: str, among: list[str], question: str, *, needed: bool = True
    ) -> None:
        """Ask for one of several; what is the only one is taken without asking."""
        if len(among) == 1 and needed:
            group.entries[name] = _entry(_scalar(among[0]))
        elif among:
            found = self.several(among, question, most=1, needed=needed)
            if found:
                group.entries[name] = _entry(_scalar(found[0]))

    def several(
        self, among: list[str], question: str, *, most: int = 99, needed: bool = False
    ) -> list[str]:
        """Ask for some of several words, between commas."""
        if not among:
            return []
        optional = "" if needed else "; optional"
        while True:
            answer = self.ask(f"{question} ({', '.join(among)}{optional}): ").strip()
            words = [_word(word.strip(), among) for word in answer.split(",") if word.strip()]
            unknown = [word for word in words if word not in among]
            if unknown:
                near = nearest(unknown[0], among)
                self.tell(
                    f"  There is no {unknown[0]}" + (f"; nearest: {near}" if near else "") + "."
                )
            elif len(words) > most or (needed and not words):
                self.tell("  Give one of them." if most == 1 else "  Give at least one of them.")
            else:
                return list(dict.fromkeys(words))


def _word(answer: str, words: list[str]) -> str:
    """Complete the beginning of a word of a closed list, if it is that of one only."""
    if answer in words:
        return answer
    begun = [word for word in words if word.lower().startswith(answer.lower())]
    same = [word for word in begun if word.lower() == answer.lower()]
    return (same or begun)[0] if len(same or begun) == 1 else answer


def _form(document: str, path: list[str]) -> Shape:
    form = shape(document)
    for name in path:
        form = (form.item or form) if form.kind == "array" else form
        form = (form.fields or {})[name]
    return form.item if form.kind == "array" and form.item is not None else form


def _fault(answer: str, form: Shape, name: str) -> str:
    holder = dataclasses.replace(form, kind="object", fields={name: form}, required=())
    _, findings = conform(_group({name: _scalar(answer)}), holder, "answer")
    if not findings:
        return ""
    first = findings[0]
    asked = first.message.endswith("?")
    said = first.message if asked else f"{first.message}. Accepted: {first.accepted}."
    # Where the reading knows no better than the rule, the accepted forms say it all.
    is_own = first.remedy and not asked and first.remedy != RULES[first.code].remedy
    return f"{said} {first.remedy}" if is_own else said


def _impossible(start: str, end: str) -> str:
    """Say what cannot be in the moments of the session; what is unlikely is left to the check."""
    stated = parse_timestamp(end) if end else None
    return "; ".join(
        f"{found}. Accepted: {accepted}. {rule.remedy}"
        for rule, _, found, accepted in doubts(parse_timestamp(start), stated)
        if rule.severity is Severity.ERROR
    )


def _group(members: Mapping[str, Node]) -> Group:
    return Group(line=1, column=1, entries={name: _entry(node) for name, node in members.items()})


def _entry(node: Node) -> Entry:
    return Entry(line=1, column=1, value=node)


def _scalar(text: str) -> Scalar:
    return Scalar(text=text, plain=False, line=1, column=1, end_line=1, end_column=1)


def _name_of(machine: Group) -> str:
    """Return the name that was given, not the short one made of it."""
    names = machine.entries["names"].value
    given = names.items[0] if isinstance(names, Listing) else None
    return given.text if isinstance(given, Scalar) else _text_of(machine, "id")


def _text_of(group: Group, name: str) -> str:
    entry = group.entries.get(name)
    return entry.value.text if entry is not None and isinstance(entry.value, Scalar) else ""
