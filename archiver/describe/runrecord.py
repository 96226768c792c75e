"""The record of the run that made a bag, ``metadata/archiving.json``, and back.

It says when, with what and step by step how the bag was made, and where each file came
from. With the session record, the measurements and the manifests it is all that the
descriptions are made from, so that they can be made again from the bag alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from archiver.describe.run import as_bytes
from archiver.errors import InputError
from archiver.wave.coding import SoundCoding

__all__ = ["MasterRecord", "PayloadRecord", "RunRecord", "decode_run", "encode_run"]

_NAME = "archiving.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterRecord:
    """One master.

    Parameters
    ----------
    takes : tuple of str
        Ids of the takes that it holds.
    capture : str
        Path of the capture in the session folder.
    file, measurements : str
        Paths in the bag of the master and of what was measured on it.
    form : str
        RIFF or RF64.
    data_offset_bytes, data_bytes, frames : int
        Place and length of the samples.
    samples_md5 : str
        Of the sample bytes alone.
    coding : SoundCoding, optional
        Of the sound in the capture; None in records from before it was kept.
    moved_behind : tuple of str
        Chunks that stand behind the samples for want of room.
    """

    takes: tuple[str, ...]
    capture: str
    file: str
    measurements: str
    form: str
    data_offset_bytes: int
    data_bytes: int
    frames: int
    samples_md5: str
    coding: SoundCoding | None = None
    moved_behind: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PayloadRecord:
    """A payload file: its path, and where it came from.

    Parameters
    ----------
    file : str
        Path in the bag.
    take : str, optional
        Id of the first take that it belongs to.
    source : str, optional
        Path in the session folder.
    derived_from : str, optional
        Path in the bag of the file that it was made from.
    treatment : str, optional
        What was done to the sound of a copy, such as ``speed corrected``.
    """

    file: str
    take: str | None = None
    source: str | None = None
    derived_from: str | None = None
    treatment: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """A run.

    Parameters
    ----------
    session : str
        Identifier of the session.
    version : int
        Of the bag.
    replaces : str
        Name of the bag that this one replaces; empty for the first.
    replaces_version : int, optional
        Version of that bag.
    made : str
        Date and time with offset, as in XML Schema.
    program, python : str
        Name and version of this program, and of the interpreter.
    libraries : mapping of str to str
        Version of each library that reads or writes sound or text here.
    algorithms : tuple of str
        Digest algorithms of the manifests.
    documents : tuple of str
        Descriptions in the bag, by the words of :class:`archiver.describe.places.DocumentKind`.
    institution, serialisation : str
        Who asked for them, and in which form bags are taken; empty without a profile.
    restricted_left_out : bool
        Whether what is private was left out of the bag.
    masters, payload : tuple
        In the order of the takes.
    """

    session: str
    version: int
    replaces: str = ""
    replaces_version: int | None = None
    made: str
    program: str
    python: str
    libraries: Mapping[str, str]
    algorithms: tuple[str, ...]
    documents: tuple[str, ...]
    institution: str = ""
    serialisation: str = ""
    restricted_left_out: bool = False
    masters: tuple[MasterRecord, ...] = ()
    payload: tuple[PayloadRecord, ...] = ()
    steps: tuple[str, ...] = field(default=())


def encode_run(run: RunRecord) -> bytes:
    """Return the record as JSON in UTF-8, always in the same bytes."""
    return as_bytes(
        {
            "session": run.session,
            "bag_version": run.version,
            "replaces": run.replaces or None,
            "replaces_version": run.replaces_version,
            "made": run.made,
            "program": run.program,
            "python": run.python,
            "libraries": dict(sorted(run.libraries.items())),
            "digest_algorithms": list(run.algorithms),
            "documents": list(run.documents),
            "institution": run.institution or None,
            "serialisation": run.serialisation or None,
            "restricted_left_out": run.restricted_left_out,
            "steps": list(run.steps),
            "masters": [
                {
                    "takes": list(master.takes),
                    "capture": master.capture,
                    **({} if master.coding is None else {"coding": master.coding.as_json()}),
                    "file": master.file,
                    "measurements": master.measurements,
                    "form": master.form,
                    "data_offset_bytes": master.data_offset_bytes,
                    "data_bytes": master.data_bytes,
                    "frames": master.frames,
                    "samples_md5": master.samples_md5,
                    "chunks_behind_samples": list(master.moved_behind),
                }
                for master in run.masters
            ],
            "payload": [
                {
                    name: value
                    for name, value in (
                        ("file", one.file),
                        ("take", one.take),
                        ("source", one.source),
                        ("derived_from", one.derived_from),
                        ("treatment", one.treatment),
                    )
                    if value is not None
                }
                for one in run.payload
            ],
        }
    )


def decode_run(content: bytes) -> RunRecord:
    """Read back what :func:`encode_run` wrote.

    Raises
    ------
    InputError
        It is no such record; the member is named.
    """
    try:
        document = json.loads(content)
    except ValueError as error:
        raise _broken(f"is no JSON ({error})", "") from error
    members = _Members(document, "")
    return RunRecord(
        session=members.text("session"),
        version=members.number("bag_version"),
        replaces=members.optional("replaces") or "",
        replaces_version=members.optional_number("replaces_version"),
        made=members.text("made"),
        program=members.text("program"),
        python=members.text("python"),
        libraries=members.texts_by_name("libraries"),
        algorithms=members.texts("digest_algorithms"),
        documents=members.texts("documents"),
        institution=members.optional("institution") or "",
        serialisation=members.optional("serialisation") or "",
        restricted_left_out=members.flag("restricted_left_out"),
        masters=tuple(_master(one) for one in members.groups("masters")),
        payload=tuple(_payload(one) for one in members.groups("payload")),
        steps=members.texts("steps"),
    )


def _master(one: _Members) -> MasterRecord:
    takes = one.texts("takes")
    if not takes:
        raise _broken("names no take", f"{one.at}takes")
    return MasterRecord(
        takes=takes,
        capture=one.text("capture"),
        file=one.text("file"),
        measurements=one.text("measurements"),
        form=one.text("form"),
        data_offset_bytes=one.number("data_offset_bytes"),
        data_bytes=one.number("data_bytes"),
        frames=one.number("frames"),
        samples_md5=one.text("samples_md5"),
        coding=one.coding("coding"),
        moved_behind=one.texts("chunks_behind_samples"),
    )


def _payload(one: _Members) -> PayloadRecord:
    return PayloadRecord(
        file=one.text("file"),
        take=one.optional("take"),
        source=one.optional("source"),
        derived_from=one.optional("derived_from"),
        treatment=one.optional("treatment"),
    )


def _broken(found: str, member: str) -> InputError:
    return InputError(
        found,
        where=f"{_NAME}, {member}" if member else _NAME,
        accepted="the record of a run as this program writes it",
        remedy="The record was changed after it was written, or by another version",
    )


class _Members:
    """Members of a JSON object, each of the kind that is asked for."""

    def __init__(self, value: Any, at: str) -> None:
        if not isinstance(value, dict):
            raise _broken("is no JSON object", at.rstrip("."))
        self._value: dict[str, Any] = value
        self.at = at

    def _get(self, name: str, kind: type | tuple[type, ...]) -> Any:
        value = self._value.get(name)
        # A boolean is an int for Python.
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise _broken("is missing or of another kind", f"{self.at}{name}")
        return value

    def text(self, name: str) -> str:
        text: str = self._get(name, str)
        return text

    def optional(self, name: str) -> str | None:
        text: str | None = self._get(name, (str, type(None)))
        return text

    def number(self, name: str) -> int:
        number: int = self._get(name, int)
        return number

    def optional_number(self, name: str) -> int | None:
        # Records before the first with this member do without it.
        return None if self._value.get(name) is None else self.number(name)

    def coding(self, name: str) -> SoundCoding | None:
        value = self._get(name, (dict, type(None)))
        if value is None:
            return None
        return SoundCoding.from_json(value, f"{_NAME}, {self.at}{name}")

    def flag(self, name: str) -> bool:
        flag: bool = self._get(name, bool)
        return flag

    def texts(self, name: str) -> tuple[str, ...]:
        return tuple(self._all_texts(name, self._get(name, list)))

    def texts_by_name(self, name: str) -> dict[str, str]:
        found: dict[str, Any] = self._get(name, dict)
        self._all_texts(name, found.values())
        return found

    def _all_texts(self, name: str, values: Iterable[Any]) -> list[str]:
        found = list(values)
        if not all(isinstance(value, str) for value in found):
            raise _broken("holds something else than texts", f"{self.at}{name}")
        return found

    def groups(self, name: str) -> list[_Members]:
        return [
            _Members(value, f"{self.at}{name}[{number}].")
            for number, value in enumerate(self._get(name, list))
        ]
