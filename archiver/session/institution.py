"""What an institution asks of the bags that it takes in: the institution profile.

A small YAML file beside the sheet or in the user's configuration; its schema is
``institution.schema.json``. Field and line of what is wrong are told as for a sheet.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.findings import Finding
from archiver.session.conform import Fields, conform
from archiver.session.shape import shape
from archiver.session.sheet import read_sheet

__all__ = ["INSTITUTION_FILE", "Institution", "read_institution"]

INSTITUTION_FILE = "institution.yaml"
"""Its name in a session folder."""

_FILE_NAME = "{session}_{take}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Institution:
    """A profile; the empty one stands for what is done without any.

    Parameters
    ----------
    name : str
        Who takes the bags in; empty without a profile.
    documents, digests, access : tuple of str
        Words of the schema, each once; empty where the field was left out.
    file_name : str
        Pattern for the names of masters and access copies, without the ending.
    serialisation : str
        Form in which bags are taken; empty where it was left out.
    leave_out_restricted : bool
        Whether bags go without their restricted part.
    """

    name: str = ""
    documents: tuple[str, ...] = ()
    digests: tuple[str, ...] = ()
    access: tuple[str, ...] = ()
    file_name: str = _FILE_NAME
    serialisation: str = ""
    leave_out_restricted: bool = False


def read_institution(content: bytes, file: str) -> tuple[Institution | None, tuple[Finding, ...]]:
    """Read a profile.

    Parameters
    ----------
    content : bytes
        The whole file.
    file : str
        Its name, for the findings.

    Returns
    -------
    institution : Institution or None
        None if the file holds no fields at all.
    findings : tuple of Finding
        Everything that is wrong with it.
    """
    sheet = read_sheet(content, file)
    if sheet.root is None:
        return None, sheet.findings
    fields, met = conform(sheet.root, shape("institution"), file, damaged=sheet.damaged)
    return (
        Institution(
            name=_text(fields, "name"),
            documents=_words(fields, "documents"),
            digests=_words(fields, "digests"),
            access=_words(fields, "access"),
            file_name=_text(fields, "file_name") or _FILE_NAME,
            serialisation=_text(fields, "serialisation"),
            leave_out_restricted=_text(fields, "restricted") == "left out",
        ),
        (*sheet.findings, *met),
    )


def _text(fields: Fields, name: str) -> str:
    value = fields.values.get(name)
    return value if isinstance(value, str) else ""


def _words(fields: Fields, name: str) -> tuple[str, ...]:
    value = fields.values.get(name)
    found = value if isinstance(value, list) else []
    return tuple(dict.fromkeys(word for word in found if isinstance(word, str)))
