"""What is withheld from everybody: private fields, persons who are not named, sealed papers.

Withheld is what a schema marks private, name, identifier and short name of every person
without consent to be named, and the entries of documents that the sheet restricts. All
descriptions, file names, tags and headers are made from the public record; what is
withheld stays in the restricted part of the bag, if it goes into the bag at all.
"""

from __future__ import annotations

import contextlib
import dataclasses
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from archiver.describe.people import is_named, people_of, public_name
from archiver.findings import Finding, Where
from archiver.session.private import PrivateValue, private_values, without_private
from archiver.session.records import Operator, Session

__all__ = ["WITHHELD", "Secret", "Secrets", "Withholding", "secrets_of", "withhold"]

WITHHELD = "withheld"
"""Stands in the public copy of a sheet in the place of what is withheld."""

_IDENTIFIER = "https://withheld.invalid/"
_SHORTEST = 3
_LONG = 6
_ENCODINGS = ("utf-8", "latin-1", "utf-16-le", "utf-16-be")


@dataclass(frozen=True, slots=True, kw_only=True)
class Secret:
    """A text that must not be found in public, and where it is stated.

    ``is_name`` says that it is of a person who is not named; ``consent`` is where the purposes
    of their consent stand, if they gave one that does not cover the name.
    """

    text: str
    where: Where
    is_name: bool = False
    consent: Where | None = None


class Secrets:
    """Finds withheld texts as whole words, whatever stands around them.

    Parameters
    ----------
    secrets : iterable of Secret
        Texts of less than three characters are passed over: they are in every text.
    hidden : iterable of str
        Short names and paths: taken out of findings, and not searched for elsewhere, since
        they are words like any other.
    """

    def __init__(self, secrets: Iterable[Secret] = (), hidden: Iterable[str] = ()) -> None:
        by_text: dict[str, Secret] = {}
        for secret in secrets:
            text = " ".join(secret.text.split())
            if len(text) >= _SHORTEST:
                by_text.setdefault(text, secret)
        self._by_text = by_text
        # The longest first, so that a part of a text does not hide the whole.
        words = sorted(by_text, key=len, reverse=True)
        pattern = "|".join(re.escape(text).replace(r"\ ", r"\s+") for text in words)
        self._finder = re.compile(rf"(?<!\w)(?:{pattern})(?!\w)") if words else None
        marked = "|".join(re.escape(text) for text in sorted(hidden, key=len, reverse=True))
        removed = "|".join(part for part in (pattern, marked) if part)
        self._remover = re.compile(rf"(?<!\w)(?:{removed})(?!\w)") if removed else None
        self._in_bytes = {text: _InBytes(text) for text in words}
        runs = (re.findall(r"\w+", text) for text in by_text)
        self._longest = {max(found, key=len) if found else "" for found in runs}

    def __bool__(self) -> bool:
        return self._finder is not None

    def found_in(self, text: str) -> list[Secret]:
        """Return the withheld texts that a text holds, each once."""
        if self._finder is None:
            return []
        found = {" ".join(match[0].split()): None for match in self._finder.finditer(text)}
        return [self._by_text[text] for text in found]

    def found_in_bytes(self, raw: bytes) -> list[Secret]:
        """Return the withheld texts that bytes of an unknown form hold, each once.

        They are looked for in UTF-8, ISO 8859-1 and UTF-16 of both byte orders. What stands
        around a text may be a length or a number there, and not a letter: so a long text is
        found whatever stands around it, and a short one only between blanks, marks and
        control characters, or chance would find it in any picture.
        """
        return [self._by_text[text] for text, one in self._in_bytes.items() if one.is_in(raw)]

    def may_be_in(self, raw: str) -> bool:
        """Say whether a document can hold a withheld text, however marks are escaped in it.

        Letters and digits are never escaped here, so each text has a word that stands as it is.
        """
        return any(word in raw for word in self._longest)

    def found_in_name(self, path: str) -> list[Secret]:
        """Return the withheld texts whose words a file name holds, however they are joined."""
        words = f" {_words(path)} "
        return [
            secret
            for text, secret in self._by_text.items()
            if (known := _words(text)) and f" {known} " in words
        ]

    def removed_from(self, text: str) -> str:
        """Return a text with a marker in the place of each withheld one."""
        return text if self._remover is None else self._remover.sub(f"[{WITHHELD}]", text)

    def removed(self, finding: Finding) -> Finding:
        """Return a finding without withheld texts."""
        return dataclasses.replace(
            finding,
            where=dataclasses.replace(finding.where, file=self.removed_from(finding.where.file)),
            message=self.removed_from(finding.message),
            accepted=self.removed_from(finding.accepted),
            remedy=self.removed_from(finding.remedy),
        )


class _InBytes:
    """Finds one text in bytes."""

    def __init__(self, text: str) -> None:
        longest = max(text.split(" "), key=len)
        probes: set[bytes] = set()
        forms: set[bytes] = set()
        for code in _ENCODINGS:
            with contextlib.suppress(UnicodeEncodeError):
                probes.add(longest.encode(code))
                blank = b"|".join(re.escape(one.encode(code)) for one in " \t\r\n")
                words = (re.escape(word.encode(code)) for word in text.split(" "))
                forms.add((b"(?:%b)+" % blank).join(words))
        pattern = b"|".join(sorted(forms))
        if len(text) < _LONG:
            edge = rb"[\x00-\x20\"'(),.:;<=>\[\]]"
            pattern = rb"(?:(?<=%b)|\A)(?:%b)(?=%b|\Z)" % (edge, pattern, edge)
        # Most bytes hold none of the words, and that is told many times faster.
        self._probes = probes
        self._finder = re.compile(pattern)

    def is_in(self, raw: bytes) -> bool:
        return any(probe in raw for probe in self._probes) and self._finder.search(raw) is not None


def _words(text: str) -> str:
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Withholding:
    """A session as everybody may know it, and what is kept back.

    Parameters
    ----------
    session : Session
        The public record.
    secrets : Secrets
    replacements : mapping
        What stands in the public copy of each sheet, by its path and by the field.
    documents : tuple of str
        Restricted documents, by their path in the session folder.
    """

    session: Session
    secrets: Secrets
    replacements: Mapping[str, Mapping[str, str]]
    documents: tuple[str, ...]


def secrets_of(session: Session) -> Secrets:
    """Return what must not be found in public; what the organisation says of itself may.

    Of a record that is public already this is nothing: what stands in the place of what is
    withheld is no secret, and it is in every document.
    """
    organisation = session.organisation
    contact = organisation.contact
    public = [organisation.name, organisation.code, organisation.address]
    if contact is not None:
        public += [contact.name, contact.phone, contact.email]
    spoken = " \0 ".join(text for text in public if text)
    secrets = [
        Secret(text=value.text, where=value.where)
        for value in private_values(session)
        if value.text != WITHHELD
    ]
    for operator in _unnamed(session):
        if operator.name != public_name(operator):
            secrets.append(_of_person(session, operator, "name", operator.name))
        if operator.identifier and operator.identifier != _IDENTIFIER:
            secrets.append(_of_person(session, operator, "identifier", operator.identifier))
    return Secrets(
        (one for one in secrets if not Secrets([one]).found_in(spoken)),
        hidden=[
            *(operator.id for operator in _unnamed(session)),
            *(document.file for document in session.documents if document.restricted),
        ],
    )


def withhold(session: Session) -> Withholding:
    """Part a session into what is public and what is not."""
    values = private_values(session)
    keys = _keys(session)
    return Withholding(
        session=_public(session, keys),
        secrets=secrets_of(session),
        replacements=_replacements(session, values, keys),
        documents=tuple(one.file for one in session.documents if one.restricted),
    )


def _unnamed(session: Session) -> list[Operator]:
    return [operator for operator in session.operators if not is_named(operator)]


def _of_person(session: Session, operator: Operator, field: str, text: str) -> Secret:
    consented = operator.consent is not None and operator.consent.given
    return Secret(
        text=text,
        where=session.locate(f"{operator.at}.{field}"),
        is_name=True,
        consent=session.locate(f"{operator.at}.consent.purposes") if consented else None,
    )


def _keys(session: Session) -> dict[str, str]:
    """Return the id that stands for each person who is not named."""
    people = people_of(session)
    taken = {operator.id for operator in session.operators}
    keys: dict[str, str] = {}
    for operator in _unnamed(session):
        key = people[operator.id].key
        while key in taken - {operator.id} or key in keys.values():
            key += "-x"
        keys[operator.id] = key
    return keys


def _public(session: Session, keys: Mapping[str, str]) -> Session:
    public = without_private(session)
    people = people_of(session)

    def known(id_: str | None) -> str | None:
        return id_ if id_ is None else keys.get(id_, id_)

    return dataclasses.replace(
        public,
        operators=tuple(
            dataclasses.replace(
                operator,
                id=keys[operator.id],
                name=people[operator.id].name,
                identifier=None,
            )
            if operator.id in keys
            else operator
            for operator in public.operators
        ),
        takes=tuple(
            dataclasses.replace(take, operators=tuple(keys.get(id_, id_) for id_ in take.operators))
            for take in public.takes
        ),
        conditions=tuple(
            dataclasses.replace(report, by=known(report.by)) for report in public.conditions
        ),
        photographs=tuple(dataclasses.replace(one, by=known(one.by)) for one in public.photographs),
        machines=tuple(
            dataclasses.replace(
                machine,
                photographs=tuple(
                    dataclasses.replace(one, by=known(one.by)) for one in machine.photographs
                ),
            )
            for machine in public.machines
        ),
        documents=tuple(one for one in public.documents if not one.restricted),
    )


def _replacements(
    session: Session, values: Iterable[PrivateValue], keys: Mapping[str, str]
) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}

    def put(where: Where, text: str) -> None:
        if where.file:
            found.setdefault(where.file, {})[where.field] = text

    for value in values:
        put(value.where, WITHHELD)
    people = people_of(session)
    for operator in _unnamed(session):
        put(session.locate(f"{operator.at}.id"), keys[operator.id])
        put(session.locate(f"{operator.at}.name"), people[operator.id].name)
        if operator.identifier:
            put(session.locate(f"{operator.at}.identifier"), _IDENTIFIER)
    for take in session.takes:
        for number, id_ in enumerate(take.operators):
            if id_ in keys:
                put(session.locate(f"{take.at}.operators[{number}]"), keys[id_])
    signed = [(one.at, one.by) for one in session.photographs]
    signed += [(one.at, one.by) for one in session.conditions]
    for at, by in signed:
        if by in keys:
            put(session.locate(f"{at}.by"), keys[by or ""])
    restricted = (one for one in session.documents if one.restricted)
    for number, document in enumerate(restricted, start=1):
        put(session.locate(f"{document.at}.file"), f"documents/{WITHHELD}-{number}")
        if document.caption:
            put(session.locate(f"{document.at}.caption"), WITHHELD)
    return found
